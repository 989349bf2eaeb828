"""The motif master: every form and size of the motif at full size, to cut, to trace or to prick."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fragkit.layout import Layout, Outlines
from fragkit.setting_out.ink import CROSS_ARM_MM, HAIRLINE_MM
from fragkit.setting_out.paper import PLAIN_MM, SMALL_MM, paper_size_mm
from fragkit.setting_out.pdf_page import Page
from fragkit.setting_out.pricking import prick

if TYPE_CHECKING:
    from fragkit.motifs import Motif

MARGIN_MM = 10.0
FOOT_MM = 34.0
OVERLAP_MM = 10.0
GAP_MM = 12.0
N_IDS_SHOWN = 12
ROLL_SHEET_MM = 1189.0
"""The master on a roll is no longer than an A0 sheet."""


def room_mm(page_mm: tuple[float, float]) -> tuple[float, float]:
    """Width and height that a full-size sheet has for what it shows."""
    return page_mm[0] - 2 * MARGIN_MM, page_mm[1] - 2 * MARGIN_MM - FOOT_MM


def foot(page: Page, words: str, more: str) -> None:
    """Bar, names and cautions below a full-size sheet."""
    page.check_bar(MARGIN_MM, MARGIN_MM + 14)
    page.text(page.width_mm - MARGIN_MM, MARGIN_MM + 21.5, words, align="right")
    page.text(page.width_mm - MARGIN_MM, MARGIN_MM + 17.2, more, align="right")
    page.cautions(MARGIN_MM, MARGIN_MM + 8, width_mm=page.width_mm - 2 * MARGIN_MM)


def keep_form(page: Page, name: str, outlines: Outlines, *, pricked_mm: float | None) -> None:
    """Keep a form for stamping, filled or as holes."""
    if pricked_mm is None:
        page.define(name, outlines)
    else:
        page.define_dots(name, prick(outlines, spacing_mm=pricked_mm))


@dataclass(frozen=True, kw_only=True)
class _Variant:
    form: str
    scale: float
    ids: tuple[str, ...]


def _variants(layout: Layout) -> list[_Variant]:
    users: dict[tuple[str, float], list[str]] = {("whole", 1.0): []}
    for wall in layout.walls:
        for form, scale, name in zip(wall.form, np.round(wall.scale_ratio, 4).tolist(), wall.id, strict=True):
            users.setdefault((form, scale), []).append(name)
    order = sorted(users, key=lambda key: (key[0] != "whole", key[0], -key[1]))
    return [_Variant(form=form, scale=scale, ids=tuple(users[form, scale])) for form, scale in order]


def draw_master(layout: Layout, motif: Motif, *, paper: str = "A4", pricked_mm: float | None = None) -> bytes:
    """A PDF with every form and size at full size, as many to a page as have room.

    Parameters
    ----------
    layout : Layout
    motif : Motif
    paper : str
        ISO 216 size, A0 to A4, or a roll such as "roll 914".
    pricked_mm : float, optional
        Holes along the outlines, so far apart, instead of filled shapes.

    Raises
    ------
    ValueError
        If a form is larger than the paper.
    """
    size = paper_size_mm(paper, landscape=True)
    size = (min(size[0], ROLL_SHEET_MM), size[1])
    room = room_mm(size)
    page = Page(*size, title="The motif at full size")
    variants = _variants(layout)
    for number, form in enumerate(layout.forms):
        keep_form(page, f"form{number}", layout.forms[form], pricked_mm=pricked_mm)
    inner = {form: f"form{number}" for number, form in enumerate(layout.forms)}
    pages = _flow(variants, layout.forms, room)
    for number, placed in enumerate(pages):
        if number:
            page.next()
        for variant, x, y, box in placed:
            _draw_variant(page, variant, inner[variant.form], (MARGIN_MM + x, MARGIN_MM + FOOT_MM + y), box)
        over_all = f"{motif.width_mm:.1f} × {motif.height_mm:.1f} mm over all"
        _corner_crosses(page)
        foot(
            page,
            f"The motif at full size, {over_all}: sheet {number + 1} of {len(pages)}",
            f"{_variation(motif)}cross: centre",
        )
    return page.finish()


Box = tuple[float, float, float, float]
_Placed = tuple[_Variant, float, float, Box]


def _flow(
    variants: Sequence[_Variant], forms: Mapping[str, Outlines], room: tuple[float, float]
) -> list[list[_Placed]]:
    """Places of the lower left corner of every variant's box, page by page."""
    pages: list[list[_Placed]] = [[]]
    x, top, deepest = OVERLAP_MM, room[1] - OVERLAP_MM, 0.0
    for variant in variants:
        box = _box(forms[variant.form], variant.scale)
        width = max(box[2] - box[0], 62.0) + GAP_MM
        height = box[3] - box[1] + 6 * SMALL_MM + GAP_MM
        if box[2] - box[0] > room[0] or box[3] - box[1] > room[1]:
            raise ValueError(
                f"The motif of {box[2] - box[0]:.0f} × {box[3] - box[1]:.0f} mm is larger than the paper; "
                "take a larger one."
            )
        if x + width > room[0] and x > OVERLAP_MM:
            x, top, deepest = OVERLAP_MM, top - deepest, 0.0
        if top - height < 0 and pages[-1]:
            pages.append([])
            x, top, deepest = OVERLAP_MM, room[1] - OVERLAP_MM, 0.0
        pages[-1].append((variant, x, top - (box[3] - box[1]), box))
        x, deepest = x + width, max(deepest, height)
    return pages


def _box(outlines: Outlines, scale: float) -> Box:
    points = scale * np.vstack([ring for rings in outlines.values() for ring in rings])
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _draw_variant(page: Page, variant: _Variant, inner: str, at: tuple[float, float], box: Box) -> None:
    x, y = at[0] - box[0], at[1] - box[1]
    page.stamp(inner, x, y, scale=variant.scale)
    page.cross(x, y, arm_mm=4.0)
    for ends in ((x, at[1] - 1.5, x, at[1] - 5.0), (at[0] - 1.5, y, at[0] - 5.0, y)):
        page.line(*ends, pen_mm=HAIRLINE_MM)
    name = variant.form if variant.scale == 1.0 else f"{variant.form}, size {variant.scale:.2f}"
    below = at[1] - 6.5 - PLAIN_MM
    page.text(at[0], below, name, cap_mm=PLAIN_MM)
    page.paragraph(at[0], below - 2 * SMALL_MM, _users(variant), width_mm=62.0)


def _users(variant: _Variant) -> str:
    if variant.form == "whole" and variant.scale == 1.0:
        walls = Counter(name.split("-")[0] for name in variant.ids)
        return "; ".join(f"{wall}: {count}" for wall, count in walls.items()) + " motifs"
    more = len(variant.ids) - N_IDS_SHOWN
    return ", ".join(variant.ids[:N_IDS_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _corner_crosses(page: Page) -> None:
    width, height = room_mm((page.width_mm, page.height_mm))
    for x in (MARGIN_MM + CROSS_ARM_MM, MARGIN_MM + width - CROSS_ARM_MM):
        for y in (MARGIN_MM + FOOT_MM + CROSS_ARM_MM, MARGIN_MM + FOOT_MM + height - CROSS_ARM_MM):
            page.cross(x, y)


def _variation(motif: Motif) -> str:
    spread = getattr(motif, "shape_spread_mm", None)
    return "" if spread is None else f"outlines vary by {spread:.1f} mm (rms) from copy to copy; "
