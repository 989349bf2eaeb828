"""The drawing of one wall to scale, as PDF with its figures after it, and as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.layout import WallLayout, motif_forms
from fragkit.setting_out.figures import figure_pages
from fragkit.setting_out.ink import CAUTIONS, LEADING_RATIO, LINE_GREY, THICK_MM, THIN_MM, Ink, define_forms, text_lines
from fragkit.setting_out.marks import WallSetting
from fragkit.setting_out.paper import LARGE_MM, PLAIN_MM, READ_ON_A4_MM, choose_paper, paper_size_mm
from fragkit.setting_out.pdf_page import Page
from fragkit.setting_out.svg_page import SvgPage

if TYPE_CHECKING:
    from fragkit.motifs import Motif

BORDER_MM = 10.0
LEFT_MM, RIGHT_MM, TOP_MM, BELOW_MM = 38.0, 6.0, 10.0, 32.0
TITLE_MM = {"A4": 66.0}
TITLE_LARGE_MM = 78.0
LABEL_SPACING_RATIO = 1.5
KEY = "Square: eased at an edge, see its own figures. Cross: left out. Numbers at the lines: mm from the datum."


@dataclass(frozen=True, kw_only=True)
class View:
    """Where a wall point comes to lie on the page, and how small its text may be."""

    page: Ink
    paper: str
    scale: int
    x0_mm: float
    y0_mm: float
    text_mm: float

    @property
    def label_mm(self) -> float:
        """Height of the figures at the lines."""
        return max(PLAIN_MM, self.text_mm)

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
    The paper is A4 or A3, at the largest scale from 1:20 down that takes the wall. No capital is
    lower than 2.5 mm once the sheet is reduced to A4. The same input gives the same bytes.
    """
    _check_pair(setting, wall_layout)
    paper, scale = _paper(wall_layout)
    page = Page(*paper_size_mm(paper, landscape=True), title=f"Wall {setting.name}")
    _draw(page, setting, wall_layout, motif, paper=paper, scale=scale)
    figure_pages(page, setting)
    return page.finish()


def draw_wall_svg(setting: WallSetting, wall_layout: WallLayout, motif: Motif) -> str:
    """The first page of `draw_wall` as SVG in millimetres: one form a variant, used by reference.

    Raises
    ------
    ValueError
        As in `draw_wall`.
    """
    _check_pair(setting, wall_layout)
    paper, scale = _paper(wall_layout)
    page = SvgPage(*paper_size_mm(paper, landscape=True), title=f"Wall {setting.name}")
    _draw(page, setting, wall_layout, motif, paper=paper, scale=scale)
    return page.finish()


def _check_pair(setting: WallSetting, wall_layout: WallLayout) -> None:
    if setting.name != wall_layout.name or len(setting.rows) != wall_layout.n_motifs:
        raise ValueError(
            f"The setting-out of {setting.name!r} ({len(setting.rows)} marks) does not belong to the layout of "
            f"{wall_layout.name!r} ({wall_layout.n_motifs} motifs); set out this layout first."
        )


def _paper(wall: WallLayout) -> tuple[str, int]:
    width, height = np.ptp(wall.wall.outline_mm, axis=0).tolist()
    return choose_paper(width, height, margins_mm=(_margin_across(), _margin_up(TITLE_LARGE_MM)))


def _margin_across() -> float:
    return 2 * BORDER_MM + LEFT_MM + RIGHT_MM


def _margin_up(title_mm: float) -> float:
    return 2 * BORDER_MM + TOP_MM + BELOW_MM + title_mm


def _draw(page: Ink, setting: WallSetting, wall: WallLayout, motif: Motif, *, paper: str, scale: int) -> None:
    low, high = wall.wall.outline_mm.min(axis=0), wall.wall.outline_mm.max(axis=0)
    title = TITLE_MM.get(paper, TITLE_LARGE_MM)
    spare_x = page.width_mm - _margin_across() - float(high[0] - low[0]) / scale
    spare_y = page.height_mm - _margin_up(title) - float(high[1] - low[1]) / scale
    view = View(
        page=page,
        paper=paper,
        scale=scale,
        x0_mm=BORDER_MM + LEFT_MM + 0.5 * spare_x - float(low[0]) / scale,
        y0_mm=BORDER_MM + title + BELOW_MM + 0.5 * spare_y - float(low[1]) / scale,
        text_mm=READ_ON_A4_MM[paper],
    )
    _draw_lines(view, setting, low, high)
    _draw_room(view, wall)
    _draw_motifs(view, wall, motif)
    _draw_datum(view, setting)
    _draw_title(view, setting, wall, top_mm=BORDER_MM + title)


def _draw_room(view: View, wall: WallLayout) -> None:
    page = view.page
    page.polygon([view.at(x, y) for x, y in wall.wall.outline_mm], pen_mm=THICK_MM)
    for opening in wall.wall.openings:
        page.polygon([view.at(x, y) for x, y in opening.outline_mm], fill_grey=0.93)
        (x0, y0), (x1, y1) = opening.outline_mm.min(axis=0), opening.outline_mm.max(axis=0)
        page.text(*view.at(0.5 * (x0 + x1), 0.5 * (y0 + y1)), opening.name, cap_mm=view.label_mm, align="middle")
    for edge in wall.wall.edges:
        for (x0, y0), (x1, y1) in zip(edge.line_mm[:-1], edge.line_mm[1:], strict=True):
            page.line(*view.at(x0, y0), *view.at(x1, y1), pen_mm=2 * THICK_MM)


def _draw_lines(view: View, setting: WallSetting, low: NDArray[np.float64], high: NDArray[np.float64]) -> None:
    page = view.page
    left, bottom = view.at(float(low[0]), float(low[1]))
    right, top = view.at(float(high[0]), float(high[1]))
    every = _every([y for _, y in setting.level_lines], view.scale)
    for k, (name, y_mm) in enumerate(setting.level_lines):
        y = view.at(0.0, y_mm)[1]
        page.line(left, y, right, y, pen_mm=THIN_MM / 2, grey=LINE_GREY)
        if k % every == 0:
            page.text(left - 2, y - 0.5 * view.label_mm, f"{name}  {y_mm:.0f}", cap_mm=view.label_mm, align="right")
    every = _every([x for _, x in setting.plumb_lines], view.scale)
    for k, (name, x_mm) in enumerate(setting.plumb_lines):
        x = view.at(x_mm, 0.0)[0]
        page.line(x, bottom, x, top, pen_mm=THIN_MM / 2, grey=LINE_GREY)
        if k % every == 0:
            page.upright_text(x + 0.5 * view.label_mm, bottom - 6, f"{name}  {x_mm:.0f}", cap_mm=view.label_mm)


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
    for k in np.flatnonzero(np.hypot(*wall.shift_mm.T) > 0.05):
        x, y = view.at(*wall.xy_mm[k].tolist())
        page.box(x - half, y - half, 2 * half, 2 * half)
    for _, _, place, _ in wall.dropped:
        x, y = view.at(*place)
        page.line(x - half, y - half, x + half, y + half)
        page.line(x - half, y + half, x + half, y - half)


def _draw_datum(view: View, setting: WallSetting) -> None:
    x, y = view.at(*setting.datum_mm.tolist())
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    view.page.polygon(np.column_stack([x + 2.0 * np.cos(turns), y + 2.0 * np.sin(turns)]))
    view.page.line(x - 4, y, x + 4, y)
    view.page.line(x, y - 4, x, y + 4)
    view.page.text(x - 5.5, y - 6.0, "datum", cap_mm=view.text_mm, align="right")


def _draw_title(view: View, setting: WallSetting, wall: WallLayout, *, top_mm: float) -> None:
    page, text = view.page, view.text_mm
    page.line(BORDER_MM, top_mm, page.width_mm - BORDER_MM, top_mm, pen_mm=THICK_MM)
    y = top_mm - 3.0 - LARGE_MM
    words = f"Wall {setting.name}   1:{view.scale} on {view.paper}   {wall.n_motifs} motifs"
    page.text(BORDER_MM, y, words, cap_mm=LARGE_MM, bold=True)
    gutter = 8.0
    width = 0.5 * (page.width_mm - 2 * BORDER_MM - gutter)
    instruments = f"Instruments: {setting.instruments.words}."
    repeat = f"Repeat {wall.across_mm:.1f} mm across, {wall.down_mm:.1f} mm down; {wall.on_axis}."
    below = y - 3.0 - text
    for fact in (repeat, setting.datum_short, instruments):
        below = page.paragraph(BORDER_MM, below, fact, width_mm=width, cap_mm=text) - 0.8
    right = BORDER_MM + width + gutter
    below = page.paragraph(right, y - 3.0 - text, setting.forecast.short_words, width_mm=width, cap_mm=text) - 0.8
    page.paragraph(right, below, KEY, width_mm=width, cap_mm=text)
    whole = page.width_mm - 2 * BORDER_MM
    n_lines = len(text_lines(CAUTIONS, width_mm=whole, cap_mm=text))
    first = BORDER_MM + (n_lines - 1) * LEADING_RATIO * text
    page.check_bar(BORDER_MM, first + 1.6 * text, cap_mm=text)
    _sign(page, right, first + 1.6 * text, text_mm=text)
    page.cautions(BORDER_MM, first, width_mm=whole, cap_mm=text)


def _sign(page: Ink, x_mm: float, y_mm: float, *, text_mm: float) -> None:
    width = 0.5 * (page.width_mm - BORDER_MM - x_mm - 4.0)
    for k, words in enumerate(("Set out", "Checked")):
        left = x_mm + k * (width + 4.0)
        page.box(left, y_mm, width, 2.6 * text_mm)
        page.text(left + 1.5, y_mm + 0.8 * text_mm, f"{words}:", cap_mm=text_mm)
