"""The drawing of one wall to scale, and after it its figures in large type."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fragkit.layout import WallLayout, motif_forms
from fragkit.setting_out.figures import figure_pages
from fragkit.setting_out.ink import LINE_GREY, THICK_MM, THIN_MM, Page, define_forms
from fragkit.setting_out.marks import WallSetting
from fragkit.setting_out.paper import PLAIN_MM, SMALL_MM, choose_paper, paper_size_mm

if TYPE_CHECKING:
    from fragkit.motifs import Motif

BORDER_MM = 12.0
LEFT_MM, RIGHT_MM, TOP_MM = 38.0, 6.0, 20.0
BELOW_MM, TITLE_MM = 32.0, 66.0
LABEL_SPACING_RATIO = 1.5


@dataclass(frozen=True, kw_only=True)
class View:
    """Where a wall point comes to lie on the page."""

    page: Page
    scale: int
    x0_mm: float
    y0_mm: float

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Page millimetres of a wall point."""
        return self.x0_mm + x_mm / self.scale, self.y0_mm + y_mm / self.scale


def draw_wall(setting: WallSetting, wall_layout: WallLayout, motif: Motif) -> bytes:
    """A PDF: one page with the wall to scale, then pages with the running dimensions in large type.

    Parameters
    ----------
    setting, wall_layout : WallSetting, WallLayout
        Of the same wall.
    motif : Motif

    Raises
    ------
    ValueError
        If the two belong to different walls, or the wall fits no paper.

    Notes
    -----
    The paper is the smallest that takes the wall at 1:20. Capitals are 3.5 mm on the drawing, so that an
    A3 sheet reduced to A4 still has 2.5 mm. The same input gives the same bytes.
    """
    if setting.name != wall_layout.name or len(setting.rows) != wall_layout.n_motifs:
        raise ValueError(
            f"The setting-out of {setting.name!r} ({len(setting.rows)} marks) does not belong to the "
            "layout of "
            f"{wall_layout.name!r} ({wall_layout.n_motifs} motifs); set out this layout first."
        )
    low, high = wall_layout.wall.outline_mm.min(axis=0), wall_layout.wall.outline_mm.max(axis=0)
    span = high - low
    margins = (2 * BORDER_MM + LEFT_MM + RIGHT_MM, 2 * BORDER_MM + TOP_MM + BELOW_MM + TITLE_MM)
    paper, scale = choose_paper(float(span[0]), float(span[1]), margins_mm=margins)
    page = Page(*paper_size_mm(paper, landscape=True), title=f"Wall {setting.name}")
    spare = page.width_mm - margins[0] - float(span[0]) / scale
    view = View(
        page=page,
        scale=scale,
        x0_mm=BORDER_MM + LEFT_MM + 0.5 * spare - float(low[0]) / scale,
        y0_mm=BORDER_MM + TITLE_MM + BELOW_MM - float(low[1]) / scale,
    )
    _draw_lines(view, setting, low, high)
    _draw_room(view, wall_layout)
    _draw_motifs(view, wall_layout, motif)
    _draw_datum(view, setting)
    _draw_title(page, setting, wall_layout, paper=paper, scale=scale)
    figure_pages(page, setting)
    return page.finish()


def _draw_room(view: View, wall: WallLayout) -> None:
    page = view.page
    page.pen(THICK_MM)
    page.polygon([view.at(x, y) for x, y in wall.wall.outline_mm])
    for opening in wall.wall.openings:
        page.pen(THIN_MM)
        page.polygon([view.at(x, y) for x, y in opening.outline_mm], fill_grey=0.93)
        (x0, y0), (x1, y1) = opening.outline_mm.min(axis=0), opening.outline_mm.max(axis=0)
        page.text(*view.at(0.5 * (x0 + x1), 0.5 * (y0 + y1)), opening.name, cap_mm=PLAIN_MM, align="middle")
    page.pen(THICK_MM)
    for edge in wall.wall.edges:
        for (x0, y0), (x1, y1) in zip(edge.line_mm[:-1], edge.line_mm[1:], strict=True):
            page.line(*view.at(x0, y0), *view.at(x1, y1), pen_mm=2 * THICK_MM)


def _draw_lines(view: View, setting: WallSetting, low: Sequence[float], high: Sequence[float]) -> None:
    page = view.page
    left, bottom = view.at(float(low[0]), float(low[1]))
    right, top = view.at(float(high[0]), float(high[1]))
    for k, (name, y_mm) in enumerate(setting.level_lines):
        y = view.at(0.0, y_mm)[1]
        page.line(left, y, right, y, pen_mm=THIN_MM / 2, grey=LINE_GREY)
        if k % _every([v for _, v in setting.level_lines], view.scale) == 0:
            page.text(left - 2, y - 0.5 * PLAIN_MM, f"{name}  {y_mm:.0f}", cap_mm=PLAIN_MM, align="right")
    for k, (name, x_mm) in enumerate(setting.plumb_lines):
        x = view.at(x_mm, 0.0)[0]
        page.line(x, bottom, x, top, pen_mm=THIN_MM / 2, grey=LINE_GREY)
        if k % _every([v for _, v in setting.plumb_lines], view.scale) == 0:
            page.upright_text(x + 0.5 * PLAIN_MM, bottom - 2, f"{name}  {x_mm:.0f}", cap_mm=PLAIN_MM)
    page.text(left - 2, top + 4, "rows: y, mm", cap_mm=SMALL_MM, align="right")
    page.text(right, top + 4, "below: plumb lines, x in mm from the datum", cap_mm=SMALL_MM, align="right")


def _every(places_mm: Sequence[float], scale: int) -> int:
    """Every how many lines a name has room."""
    if len(places_mm) < 2:
        return 1
    step = float(np.min(np.diff(places_mm))) / scale
    return max(1, int(np.ceil(LABEL_SPACING_RATIO * PLAIN_MM / max(step, 1e-6))))


def _draw_motifs(view: View, wall: WallLayout, motif: Motif) -> None:
    page = view.page
    inner = define_forms(page, wall, motif_forms(motif))
    sizes = (wall.scale_ratio / view.scale).tolist()
    for (x, y), form, size in zip(wall.xy_mm.tolist(), wall.form, sizes, strict=True):
        page.stamp(inner[form], *view.at(x, y), scale=size)
    half = max(1.2, 0.55 * max(motif.width_mm, motif.height_mm) / view.scale)
    page.pen(THIN_MM)
    for k in np.flatnonzero(np.hypot(*wall.shift_mm.T) > 0.05):
        x, y = view.at(*wall.xy_mm[k].tolist())
        page.polygon([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])
    for _, _, place, _ in wall.dropped:
        x, y = view.at(*place)
        page.line(x - half, y - half, x + half, y + half)
        page.line(x - half, y + half, x + half, y - half)


def _draw_datum(view: View, setting: WallSetting) -> None:
    x, y = view.at(*setting.datum_mm.tolist())
    view.page.pen(THIN_MM)
    view.page.polygon(
        [(x + 2.0 * np.cos(t), y + 2.0 * np.sin(t)) for t in np.linspace(0, 2 * np.pi, 24, endpoint=False)]
    )
    view.page.cross(x, y, arm_mm=4.0)
    view.page.text(x - 4.5, y - 4.8, "datum", cap_mm=SMALL_MM, align="right")


def _draw_title(page: Page, setting: WallSetting, wall: WallLayout, *, paper: str, scale: int) -> None:
    y = BORDER_MM + TITLE_MM - 6
    page.line(BORDER_MM, y + 6, page.width_mm - BORDER_MM, y + 6, pen_mm=THICK_MM)
    words = f"Wall {setting.name}   1:{scale} on {paper}   {wall.n_motifs} motifs"
    page.text(BORDER_MM, y, words, cap_mm=5.0, bold=True)
    gutter = 10.0
    width = 0.5 * (page.width_mm - 2 * BORDER_MM - gutter)
    facts = (
        f"Repeat {wall.across_mm:.1f} mm across, {wall.down_mm:.1f} mm down; {wall.on_axis}.",
        f"Datum: {setting.datum}.",
        f"Instruments: {setting.instruments.words}.",
    )
    below = y - 8
    for fact in facts:
        below = page.paragraph(BORDER_MM, below, fact, width_mm=width) - 1
    right = BORDER_MM + width + gutter
    below = page.paragraph(right, y - 8, setting.forecast.words, width_mm=width) - 1
    key = "Square: eased at an edge, see its own figures. Cross: left out."
    page.paragraph(right, below, key, width_mm=width)
    page.check_bar(right, BORDER_MM + 16)
    page.cautions(BORDER_MM, BORDER_MM + 8, width_mm=page.width_mm - 2 * BORDER_MM)
