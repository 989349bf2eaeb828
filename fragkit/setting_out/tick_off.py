"""The tick-off plan: a box for every motif, row by row as they stand on the wall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from fragkit.setting_out.flow import BORDER_MM, Flow
from fragkit.setting_out.ink import THICK_MM
from fragkit.setting_out.marks import Mark, WallSetting
from fragkit.setting_out.paper import PLAIN_MM, SMALL_MM, paper_size_mm
from fragkit.setting_out.pdf_page import Page

LEAST_BOX_MM, LARGEST_BOX_MM = 4.0, 6.0
NAME_MM, SIGN_MM = 18.0, 32.0
BAND_MM = 13.0
NAMED_EVERY = 5
STEPS = ("marked", "sized", "gilded", "shadow painted")


def draw_tick_off(setting: WallSetting) -> bytes:
    """A PDF on A4: every motif a box to tick, the top row first, with a place to sign each row.

    Notes
    -----
    Boxes stand in the order of the motifs, not to scale; every fifth has the name of its plumb line. A dot
    marks a motif with figures of its own. Print one plan for each step of the work.
    """
    page = Page(*paper_size_mm("A4", landscape=True), title=f"Wall {setting.name}: tick-off plan")
    flow = Flow(page, f"Wall {setting.name}: tick-off plan", right=f"{len(setting.rows)} motifs")
    _step_boxes(flow)
    rows = [(name, list(marks)) for name, marks in groupby(setting.rows, key=lambda mark: mark.row_line)]
    longest = max((len(marks) for _, marks in rows), default=1)
    n_bands = math.ceil(longest * LEAST_BOX_MM / (flow.width_mm - NAME_MM - SIGN_MM))
    per_band = math.ceil(longest / n_bands)
    box_mm = min(LARGEST_BOX_MM, (flow.width_mm - NAME_MM - SIGN_MM) / per_band)
    for name, marks in reversed(rows):
        for start in range(0, len(marks), per_band):
            flow.need(BAND_MM)
            _band(flow, name, marks[start : start + per_band], first=start, box_mm=box_mm)
        _signature(flow, len(marks), box_mm=box_mm)
    return page.finish()


def _step_boxes(flow: Flow) -> None:
    x = BORDER_MM
    flow.page.text(x, flow.y_mm, "This plan is for:", cap_mm=SMALL_MM)
    x += 36.0
    for step in STEPS:
        flow.page.box(x, flow.y_mm - 0.8, 4.0, 4.0)
        flow.page.text(x + 5.5, flow.y_mm, step, cap_mm=SMALL_MM)
        x += 24.0 + 2.0 * len(step)
    flow.page.text(
        flow.page.width_mm - BORDER_MM, flow.y_mm, "dot: see its own figures", cap_mm=SMALL_MM, align="right"
    )
    flow.y_mm -= 6.0


def _band(flow: Flow, name: str, marks: Sequence[Mark], *, first: int, box_mm: float) -> None:
    page, y = flow.page, flow.y_mm - SMALL_MM - 1.5 - box_mm
    page.text(BORDER_MM, y + 0.5, name, cap_mm=PLAIN_MM, bold=True)
    for k, mark in enumerate(marks):
        x = BORDER_MM + NAME_MM + k * box_mm
        page.box(x, y, box_mm, box_mm)
        if mark.remark:
            page.box(x + 0.5 * box_mm - 0.4, y + 0.5 * box_mm - 0.4, 0.8, 0.8, fill_grey=0.0)
        if (first + k) % NAMED_EVERY == 0:
            page.text(x, y + box_mm + 1.0, mark.column_line, cap_mm=SMALL_MM)
            page.line(x, y, x, y + box_mm, pen_mm=THICK_MM)
    flow.y_mm -= BAND_MM


def _signature(flow: Flow, n_marks: int, *, box_mm: float) -> None:
    y = flow.y_mm + BAND_MM - SMALL_MM - 1.5 - box_mm
    right = flow.page.width_mm - BORDER_MM
    flow.page.text(right, y + box_mm + 1.0, f"all {n_marks}: by", cap_mm=SMALL_MM, align="right")
    flow.page.box(right - SIGN_MM + 3.0, y - 0.5, SIGN_MM - 3.0, box_mm + 0.5)
