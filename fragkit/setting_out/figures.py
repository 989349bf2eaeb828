"""Running dimensions in large type, row by row, with checks and boxes to sign."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise

from fragkit.setting_out.flow import BORDER_MM, Flow, break_boxes, sign_boxes
from fragkit.setting_out.ink import HAIRLINE_MM, LINE_GREY, THICK_MM
from fragkit.setting_out.marks import Mark, WallSetting
from fragkit.setting_out.paper import LARGE_MM, PLAIN_MM, SMALL_MM, paper_size_mm
from fragkit.setting_out.pdf_page import Page

CELLS = 7
CELL_HEIGHT_MM = 16.0
HEADING_MM = 13.0
STEP_X_MM = 12.5

HOW = (
    "In each cell: plumb line, running x, and small the step from the figure before, to catch a misread figure. "
    "Limit deviations are about the figure shown. Read every figure from the datum; never add steps up. A star: "
    "see the list at the end."
)


def figure_pages(page: Page, setting: WallSetting) -> None:
    """Pages with every running dimension of a wall, after the page that is being drawn."""
    page.next()
    page.size(*paper_size_mm("A4"))
    flow = Flow(page, f"Wall {setting.name}: figures")
    _before_marking(flow, setting)
    before: float | None = None
    for name, marks in groupby(setting.rows, key=lambda mark: mark.row_line):
        level_mm = dict(setting.level_lines)[name]
        _row(flow, name, list(marks), level_mm=level_mm, step_mm=None if before is None else level_mm - before)
        before = level_mm
    _eased(flow, [mark for mark in setting.rows if mark.remark])


def _before_marking(flow: Flow, setting: WallSetting) -> None:
    flow.say(f"Datum: {setting.datum}.")
    flow.say(HOW)
    length_boxes(flow, setting)
    first, last = first_and_last(setting)
    break_boxes(flow, first=first, last=last)
    sign_boxes(flow, "Set out by", "Checked by another person with another tape")
    flow.y_mm -= 4.0


def length_boxes(flow: Flow, setting: WallSetting) -> None:
    """The right angle and the diagonals with their limits, and boxes for what is read."""
    page = flow.page
    flow.need(8.0 * (len(setting.diagonals) + 2))
    flow.title("Check the right angle before marking, the diagonals after")
    page.text(page.width_mm - BORDER_MM - 42, flow.y_mm, "expected", cap_mm=SMALL_MM, align="right")
    page.text(page.width_mm - BORDER_MM - 36, flow.y_mm, "read", cap_mm=SMALL_MM)
    flow.y_mm -= 1.0
    for check, limit in zip(setting.diagonals, setting.diagonal_limits, strict=True):
        start, end, length = check
        flow.y_mm -= 7.0
        page.text(BORDER_MM, flow.y_mm, f"{start} to {end}", cap_mm=SMALL_MM)
        page.text(page.width_mm - BORDER_MM - 42, flow.y_mm, f"{length:.0f} {limit}", cap_mm=PLAIN_MM, align="right")
        page.box(page.width_mm - BORDER_MM - 36, flow.y_mm - 1.5, 36, 6.0)
    flow.y_mm -= 5.0


def first_and_last(setting: WallSetting) -> tuple[str, str]:
    """The outermost level lines with their figures, in words."""
    lines = setting.level_lines
    if not lines:
        return "the first row", "the last row"
    return f"{lines[0][0]} ({lines[0][1]:.0f})", f"{lines[-1][0]} ({lines[-1][1]:.0f})"


def _row(flow: Flow, name: str, marks: Sequence[Mark], *, level_mm: float, step_mm: float | None) -> None:
    flow.need(HEADING_MM + CELL_HEIGHT_MM)
    page, plain = flow.page, [mark for mark in marks if not mark.remark] or list(marks)
    y = flow.y_mm - LARGE_MM
    page.line(BORDER_MM, y + LARGE_MM + 2.5, page.width_mm - BORDER_MM, y + LARGE_MM + 2.5, pen_mm=THICK_MM)
    page.text(BORDER_MM, y, f"Row {name}", cap_mm=LARGE_MM, bold=True)
    height = f"y = {level_mm:.0f} {_widest(plain, 'limit_deviation_y_mm')}"
    page.text(BORDER_MM + 42, y, height, cap_mm=LARGE_MM, bold=True)
    if step_mm is not None:
        page.text(BORDER_MM + 92, y, f"{step_mm:+.0f}", cap_mm=SMALL_MM)
    words = f"{len(marks)} motifs, x {_widest(plain, 'limit_deviation_x_mm')}"
    page.text(page.width_mm - BORDER_MM, y, words, cap_mm=PLAIN_MM, align="right")
    flow.y_mm = y - 3.0
    for cells in _lines_of_cells(marks):
        flow.need(CELL_HEIGHT_MM)
        for column, (mark, step) in enumerate(cells):
            _cell(page, BORDER_MM + column * flow.width_mm / CELLS, flow.y_mm, mark, step)
        flow.y_mm -= CELL_HEIGHT_MM
    flow.y_mm -= 2.0


def _widest(marks: Sequence[Mark], name: str) -> str:
    return max((getattr(mark, name) for mark in marks), key=lambda text: float(text[1:]))


def _lines_of_cells(marks: Sequence[Mark]) -> Iterator[list[tuple[Mark, float | None]]]:
    steps = [None, *(b.running_x_mm - a.running_x_mm for a, b in pairwise(marks))]
    pairs = list(zip(marks, steps, strict=True))
    for start in range(0, len(pairs), CELLS):
        yield pairs[start : start + CELLS]


def _cell(page: Page, x_mm: float, top_mm: float, mark: Mark, step_mm: float | None) -> None:
    star = "*" if mark.remark else ""
    page.text(x_mm, top_mm - SMALL_MM, f"{mark.column_line}{star}", cap_mm=SMALL_MM)
    page.text(x_mm, top_mm - SMALL_MM - 1.8 - LARGE_MM, f"{mark.running_x_mm:.0f}", cap_mm=LARGE_MM)
    if step_mm is not None:
        page.text(x_mm + STEP_X_MM, top_mm - SMALL_MM, f"{step_mm:+.0f}", cap_mm=SMALL_MM)
    page.line(x_mm - 1.2, top_mm, x_mm - 1.2, top_mm - CELL_HEIGHT_MM + 4, pen_mm=HAIRLINE_MM, grey=LINE_GREY)


def _eased(flow: Flow, marks: Sequence[Mark]) -> None:
    if not marks:
        return
    page = flow.page
    flow.need(24)
    flow.y_mm -= 4.0
    flow.title("Motifs eased at edges: their own figures")
    flow.y_mm -= LARGE_MM
    for mark in marks:
        if flow.need(14):
            flow.y_mm -= LARGE_MM
        page.text(BORDER_MM, flow.y_mm, mark.id, cap_mm=PLAIN_MM)
        page.text(BORDER_MM + 48, flow.y_mm, f"x = {mark.running_x_mm:.0f}", cap_mm=LARGE_MM)
        page.text(BORDER_MM + 92, flow.y_mm, f"y = {mark.running_y_mm:.0f}", cap_mm=LARGE_MM)
        size = "" if mark.scale_ratio == 1.0 else f"size {mark.scale_ratio:.2f}"
        page.text(page.width_mm - BORDER_MM, flow.y_mm, size, cap_mm=PLAIN_MM, align="right")
        flow.y_mm = page.paragraph(BORDER_MM, flow.y_mm - 5, mark.remark, width_mm=flow.width_mm) - 4
