"""Running dimensions in large type, row by row, with checks and boxes to sign."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise

from fragkit.setting_out.ink import HAIRLINE_MM, LINE_GREY, THICK_MM, THIN_MM, Page
from fragkit.setting_out.marks import Mark, WallSetting
from fragkit.setting_out.paper import LARGE_MM, PLAIN_MM, SMALL_MM, paper_size_mm

BORDER_MM = 14.0
FOOT_MM = 30.0
CELLS = 7
CELL_HEIGHT_MM = 16.0
HEADING_MM = 11.0


@dataclass
class _Cursor:
    """Where the next block goes on the page."""

    page: Page
    setting: WallSetting
    number: int = 1
    y_mm: float = 0.0
    width_mm: float = field(init=False)

    def __post_init__(self) -> None:
        self.width_mm = self.page.width_mm - 2 * BORDER_MM
        self._head()

    def _head(self) -> None:
        page = self.page
        self.y_mm = page.height_mm - BORDER_MM - LARGE_MM
        page.text(
            BORDER_MM,
            self.y_mm,
            f"Wall {self.setting.name}: figures, page {self.number}",
            cap_mm=PLAIN_MM,
            bold=True,
        )
        page.text(page.width_mm - BORDER_MM, self.y_mm, "mm from the datum", cap_mm=PLAIN_MM, align="right")
        page.check_bar(BORDER_MM, BORDER_MM + 13)
        page.cautions(BORDER_MM, BORDER_MM + 8, width_mm=self.width_mm)
        self.y_mm -= 9.0

    def need(self, height_mm: float) -> None:
        """Go to a new page unless a block of this height still fits."""
        if self.y_mm - height_mm < BORDER_MM + FOOT_MM:
            self.page.next()
            self.number += 1
            self._head()


def figure_pages(page: Page, setting: WallSetting) -> None:
    """Pages with every running dimension of a wall, after the page that is being drawn."""
    page.next()
    page.size(*paper_size_mm("A4"))
    cursor = _Cursor(page, setting)
    _checks(cursor)
    for name, marks in groupby(setting.rows, key=lambda mark: mark.row_line):
        _row(cursor, name, list(marks))
    _eased(cursor, [mark for mark in setting.rows if mark.remark])


def _checks(cursor: _Cursor) -> None:
    page, setting = cursor.page, cursor.setting
    y = page.paragraph(BORDER_MM, cursor.y_mm, f"Datum: {setting.datum}.", width_mm=cursor.width_mm) - 1
    how = (
        "In each cell: plumb line, running x, and small the step from the figure before. Limit "
        "deviations are about the figure shown. "
        "Read every figure from the datum; never add steps up. A star: see the list at the end."
    )
    y = page.paragraph(BORDER_MM, y, how, width_mm=cursor.width_mm) - 4
    page.text(BORDER_MM, y, "Check before marking", cap_mm=PLAIN_MM, bold=True)
    page.text(BORDER_MM + 120, y, "read", cap_mm=SMALL_MM)
    for start, end, length in setting.diagonals:
        y -= 8
        page.text(BORDER_MM, y, f"{start} to {end}", cap_mm=SMALL_MM)
        page.text(BORDER_MM + 112, y, f"{length:.0f}", cap_mm=PLAIN_MM, align="right")
        _box(page, BORDER_MM + 120, y - 1.5, 30, 6.5)
    first, last = _first_and_last(setting)
    y -= 12
    for words in (
        f"After a break, re-measure {first} and {last}; figures read:",
        "Set out by, date:",
        "Checked by (another person, another tape):",
    ):
        page.text(BORDER_MM, y, words, cap_mm=SMALL_MM)
        _box(page, BORDER_MM + 120, y - 2, 55, 7)
        y -= 10
    cursor.y_mm = y


def _first_and_last(setting: WallSetting) -> tuple[str, str]:
    lines = setting.level_lines
    if not lines:
        return "the first row", "the last row"
    return f"{lines[0][0]} ({lines[0][1]:.0f})", f"{lines[-1][0]} ({lines[-1][1]:.0f})"


def _box(page: Page, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> None:
    page.pen(THIN_MM)
    page.polygon(
        [(x_mm, y_mm), (x_mm + width_mm, y_mm), (x_mm + width_mm, y_mm + height_mm), (x_mm, y_mm + height_mm)]
    )


def _row(cursor: _Cursor, name: str, marks: Sequence[Mark]) -> None:
    page = cursor.page
    cursor.need(HEADING_MM + CELL_HEIGHT_MM)
    plain = [mark for mark in marks if not mark.remark] or list(marks)
    level = dict(cursor.setting.level_lines)[name]
    y = cursor.y_mm - LARGE_MM
    page.line(BORDER_MM, y + LARGE_MM + 2.5, page.width_mm - BORDER_MM, y + LARGE_MM + 2.5, pen_mm=THICK_MM)
    page.text(BORDER_MM, y, f"Row {name}", cap_mm=LARGE_MM, bold=True)
    page.text(
        BORDER_MM + 48,
        y,
        f"y = {level:.0f} {_widest(plain, 'limit_deviation_y_mm')}",
        cap_mm=LARGE_MM,
        bold=True,
    )
    page.text(
        page.width_mm - BORDER_MM,
        y,
        f"{len(marks)} motifs, x {_widest(plain, 'limit_deviation_x_mm')}",
        cap_mm=PLAIN_MM,
        align="right",
    )
    cursor.y_mm = y - 3.0
    for cells in _lines_of_cells(marks):
        cursor.need(CELL_HEIGHT_MM)
        for column, (mark, step) in enumerate(cells):
            _cell(page, BORDER_MM + column * cursor.width_mm / CELLS, cursor.y_mm, mark, step)
        cursor.y_mm -= CELL_HEIGHT_MM
    cursor.y_mm -= 2.0


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
        page.text(x_mm + 10.5, top_mm - SMALL_MM, f"+{step_mm:.0f}", cap_mm=SMALL_MM)
    page.line(x_mm - 1.2, top_mm, x_mm - 1.2, top_mm - CELL_HEIGHT_MM + 4, pen_mm=HAIRLINE_MM, grey=LINE_GREY)


def _eased(cursor: _Cursor, marks: Sequence[Mark]) -> None:
    if not marks:
        return
    page = cursor.page
    cursor.need(20)
    cursor.y_mm -= PLAIN_MM + 3
    page.text(BORDER_MM, cursor.y_mm, "Motifs eased at edges: their own figures", cap_mm=PLAIN_MM, bold=True)
    cursor.y_mm -= 9
    for mark in marks:
        cursor.need(14)
        page.text(BORDER_MM, cursor.y_mm, mark.id, cap_mm=PLAIN_MM)
        page.text(BORDER_MM + 48, cursor.y_mm, f"x = {mark.running_x_mm:.0f}", cap_mm=LARGE_MM)
        page.text(BORDER_MM + 92, cursor.y_mm, f"y = {mark.running_y_mm:.0f}", cap_mm=LARGE_MM)
        size = "" if mark.scale_ratio == 1.0 else f"size {mark.scale_ratio:.2f}"
        page.text(page.width_mm - BORDER_MM, cursor.y_mm, size, cap_mm=PLAIN_MM, align="right")
        cursor.y_mm = page.paragraph(BORDER_MM, cursor.y_mm - 5, mark.remark, width_mm=cursor.width_mm) - 4
