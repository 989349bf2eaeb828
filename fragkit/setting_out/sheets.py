"""Full-size sheets: the motif with all its forms, and a stretch of each wall tiled over pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.layout import Layout, Outlines, WallLayout
from fragkit.setting_out.ink import CROSS_ARM_MM, HAIRLINE_MM, LINE_GREY, Page, define_forms
from fragkit.setting_out.paper import PLAIN_MM, SMALL_MM, paper_size_mm

if TYPE_CHECKING:
    from fragkit.motifs import Motif

FloatArray = NDArray[np.float64]

MARGIN_MM = 10.0
FOOT_MM = 34.0
OVERLAP_MM = 10.0
GAP_MM = 12.0
N_SPACINGS = 3
N_IDS_SHOWN = 12


@dataclass(frozen=True, kw_only=True)
class Tile:
    """One page of a tiled area: its place in the grid, and the lower left corner of what it shows."""

    across: int
    down: int
    x_mm: float
    y_mm: float


def draw_sheets(layout: Layout, motif: Motif, *, paper: str = "A4") -> Mapping[str, bytes]:
    """Full-size sheets as PDFs.

    Parameters
    ----------
    layout : Layout
    motif : Motif
    paper : str
        ISO 216 size, A0 to A4.

    Returns
    -------
    mapping of str to bytes
        "motif": every form and size with the motifs that take it. "repeat-WALL": a stretch of three
        spacings about the middle of each wall, as it will stand there.

    Notes
    -----
    One unit on the sheet is one on the wall. Every page has a 100 mm bar and register crosses; the same
    input gives the same bytes.
    """
    sheets = {"motif": _motif_sheet(layout, motif, paper)}
    for wall in layout.walls:
        if wall.n_motifs:
            sheets[f"repeat-{wall.name}"] = draw_tiles(wall, layout.forms, area_mm=_middle(wall), paper=paper)
    return sheets


def draw_tiles(
    wall: WallLayout,
    forms: Mapping[str, Outlines],
    *,
    area_mm: tuple[float, float, float, float],
    paper: str = "A4",
) -> bytes:
    """An area of a wall at full size over pages that overlap by 10 mm.

    Parameters
    ----------
    wall : WallLayout
    forms : mapping of str to outlines
        As in `Layout.forms`.
    area_mm : (x0, y0, x1, y1)
        Wall frame.
    paper : str
        ISO 216 size, used across.

    Notes
    -----
    Neighbouring sheets are laid cross on cross: their register crosses are the same points of the wall.
    Hand scatter, if any, is in the motifs and not in the lines.
    """
    size = paper_size_mm(paper, landscape=True)
    page = Page(*size, title=f"Wall {wall.name}, full size")
    inner = define_forms(page, wall, forms)
    tiles = tile_grid(area_mm, size)
    for number, tile in enumerate(tiles):
        if number:
            page.next()
        lines = _draw_tile(page, tile, wall, forms, inner)
        sheet = f"sheet {number + 1} of {len(tiles)} ({tile.across + 1} across, {tile.down + 1} down)"
        _foot(page, f"Wall {wall.name}, full size: {sheet}", lines)
    return page.finish()


def tile_grid(area_mm: tuple[float, float, float, float], page_mm: tuple[float, float]) -> list[Tile]:
    """Tiles that cover an area with an overlap of 10 mm, in rows from the top left."""
    x0, y0, x1, y1 = area_mm
    width, height = _room(page_mm)
    n_across = max(1, int(np.ceil((x1 - x0 - OVERLAP_MM) / (width - OVERLAP_MM))))
    n_down = max(1, int(np.ceil((y1 - y0 - OVERLAP_MM) / (height - OVERLAP_MM))))
    return [
        Tile(
            across=across,
            down=down,
            x_mm=x0 + across * (width - OVERLAP_MM),
            y_mm=y1 - height - down * (height - OVERLAP_MM),
        )
        for down in range(n_down)
        for across in range(n_across)
    ]


def _room(page_mm: tuple[float, float]) -> tuple[float, float]:
    return page_mm[0] - 2 * MARGIN_MM, page_mm[1] - 2 * MARGIN_MM - FOOT_MM


def _middle(wall: WallLayout) -> tuple[float, float, float, float]:
    """Three spacings across and two rows, from a plain motif near the middle of the wall."""
    odd = (np.hypot(*wall.shift_mm.T) > 0.05) | (wall.scale_ratio != 1.0)
    middle = wall.wall.outline_mm.mean(axis=0) - [0.5 * N_SPACINGS * wall.across_mm, 0.0]
    off = np.hypot(*(wall.xy_mm - middle).T) + np.where(odd, 1e6, 0.0)
    x, y = wall.xy_mm[int(np.argmin(off))].tolist()
    across, down = wall.across_mm, wall.down_mm
    return x - 0.4 * across, y - 0.4 * down, x + (N_SPACINGS + 0.4) * across, y + 1.4 * down


def _draw_tile(
    page: Page, tile: Tile, wall: WallLayout, forms: Mapping[str, Outlines], inner: Mapping[str, str]
) -> str:
    """Draw what a tile shows; returns the rows and plumb lines of its motifs in words."""
    width, height = _room((page.width_mm, page.height_mm))
    left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
    reach = max(
        float(np.abs(ring).max()) for name in inner for rings in forms[name].values() for ring in rings
    )
    place = wall.xy_mm + wall.scatter_mm - [tile.x_mm, tile.y_mm]
    shown = np.flatnonzero(((place > -reach) & (place < [width + reach, height + reach])).all(axis=1))
    page.canvas.saveState()
    path = page.canvas.beginPath()
    path.rect(*(v * 72 / 25.4 for v in (left, bottom, width, height)))
    page.canvas.clipPath(path, stroke=0, fill=0)
    _draw_net(page, tile, wall, shown)
    for k in shown:
        x, y = (left + place[k, 0], bottom + place[k, 1])
        page.stamp(inner[wall.form[k]], x, y, scale=wall.scale_ratio[k].item())
        page.line(x - 2, y, x + 2, y, pen_mm=HAIRLINE_MM, grey=1.0)
        page.line(x, y - 2, x, y + 2, pen_mm=HAIRLINE_MM, grey=1.0)
        page.text(x, y - reach - 1.5 - SMALL_MM, wall.id[k], align="middle")
    page.canvas.restoreState()
    for x in (left + 0.5 * OVERLAP_MM, left + width - 0.5 * OVERLAP_MM):
        for y in (bottom + 0.5 * OVERLAP_MM, bottom + height - 0.5 * OVERLAP_MM):
            page.cross(x, y)
    if not len(shown):
        return "no motif on this sheet"
    rows, columns = wall.row[shown], wall.column[shown]
    across = f"plumb lines c{columns.min():02d} to c{columns.max():02d}"
    return f"rows r{rows.min():02d} to r{rows.max():02d}, {across}"


def _draw_net(page: Page, tile: Tile, wall: WallLayout, shown: NDArray[np.int64]) -> None:
    """Row and plumb lines of the scatter-free net, named at the left and at the top."""
    width, height = _room((page.width_mm, page.height_mm))
    left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
    site = wall.xy_mm - wall.shift_mm - [tile.x_mm, tile.y_mm]
    for row in np.unique(wall.row[shown]):
        y = bottom + float(site[shown, 1][wall.row[shown] == row].mean())
        page.line(left, y, left + width, y, pen_mm=HAIRLINE_MM, grey=LINE_GREY)
        page.text(left + OVERLAP_MM + 2, y + 1, f"row r{row:02d}")
    for column in np.unique(wall.column[shown]):
        x = left + float(site[shown, 0][wall.column[shown] == column].mean())
        page.line(x, bottom, x, bottom + height, pen_mm=HAIRLINE_MM, grey=LINE_GREY)
        page.text(x + 1, bottom + height - OVERLAP_MM - 3, f"c{column:02d}")


def _foot(page: Page, words: str, more: str) -> None:
    page.check_bar(MARGIN_MM, MARGIN_MM + 14)
    page.text(page.width_mm - MARGIN_MM, MARGIN_MM + 17, words, align="right")
    page.text(page.width_mm - MARGIN_MM, MARGIN_MM + 12, more, align="right")
    page.cautions(MARGIN_MM, MARGIN_MM + 8, width_mm=page.width_mm - 2 * MARGIN_MM)


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


def _motif_sheet(layout: Layout, motif: Motif, paper: str) -> bytes:
    """Every form and size at full size, as many to a page as have room."""
    size = paper_size_mm(paper, landscape=True)
    room = _room(size)
    page = Page(*size, title="The motif at full size")
    variants = _variants(layout)
    for number, form in enumerate(layout.forms):
        page.define(f"form{number}", layout.forms[form])
    inner = {form: f"form{number}" for number, form in enumerate(layout.forms)}
    pages = _flow(variants, layout.forms, room)
    for number, placed in enumerate(pages):
        if number:
            page.next()
        for variant, x, y, box in placed:
            _draw_variant(page, variant, inner[variant.form], (MARGIN_MM + x, MARGIN_MM + FOOT_MM + y), box)
        over_all = f"{motif.width_mm:.1f} × {motif.height_mm:.1f} mm over all"
        _corner_crosses(page)
        _foot(
            page,
            f"The motif at full size, {over_all}: sheet {number + 1} of {len(pages)}",
            "white cross: centre",
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
    page.line(x - 4, y, x + 4, y, pen_mm=HAIRLINE_MM, grey=1.0)
    page.line(x, y - 4, x, y + 4, pen_mm=HAIRLINE_MM, grey=1.0)
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
    width, height = _room((page.width_mm, page.height_mm))
    for x in (MARGIN_MM + CROSS_ARM_MM, MARGIN_MM + width - CROSS_ARM_MM):
        for y in (MARGIN_MM + FOOT_MM + CROSS_ARM_MM, MARGIN_MM + FOOT_MM + height - CROSS_ARM_MM):
            page.cross(x, y)
