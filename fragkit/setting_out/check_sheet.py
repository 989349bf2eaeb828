"""The check sheet for a second person: what to measure, what is expected, boxes for what is read."""

from __future__ import annotations

import math

import numpy as np

from fragkit.setting_out.figures import first_and_last, length_boxes
from fragkit.setting_out.flow import BORDER_MM, Flow, break_boxes, sign_boxes
from fragkit.setting_out.instruments import facing_walls_limit_mm, heat_error_mm, plumb_bob_period_s
from fragkit.setting_out.marks import Mark, WallSetting
from fragkit.setting_out.paper import PLAIN_MM, SMALL_MM, paper_size_mm
from fragkit.setting_out.pdf_page import Page

N_CHECKED = 30
CONFIDENCE = 0.95
ROW_MM = 8.0
_WARMER_K = 10.0
_CHALK_LIMIT_M = 6.0
"""Longer chalk lines are pinned in the middle and snapped in halves; decorators' practice."""


def check_marks(setting: WallSetting, *, n_marks: int = N_CHECKED) -> tuple[Mark, ...]:
    """Marks for a second person to measure: one drawn by lot from each of `n_marks` equal parts of the wall.

    Notes
    -----
    The parts follow the rows, so the marks are spread over the height; the lot is the same each time.
    """
    rng = np.random.default_rng(len(setting.rows))
    parts = np.array_split(np.arange(len(setting.rows)), min(n_marks, len(setting.rows)))
    return tuple(setting.rows[int(rng.choice(part))] for part in parts if len(part))


def wrong_at_most_ratio(n_right: int) -> float:
    """Share of marks that can be wrong when `n_right` drawn by lot are all right, with 95 % confidence.

    Notes
    -----
    1 − 0.05^(1/n), about 3/n: the exact upper limit of a binomial share when none is found
    (Clopper and Pearson 1934).
    """
    return float(1.0 - (1.0 - CONFIDENCE) ** (1.0 / n_right)) if n_right else 1.0


def draw_check_sheet(setting: WallSetting, *, n_marks: int = N_CHECKED) -> bytes:
    """A PDF on A4 for a second person with another tape: lengths, marks with expected values, boxes to fill.

    Parameters
    ----------
    setting : WallSetting
    n_marks : int
        Marks to measure, drawn by lot.

    Notes
    -----
    The same input gives the same bytes, so the sheet can be printed again.
    """
    page = Page(*paper_size_mm("A4"), title=f"Wall {setting.name}: check sheet")
    flow = Flow(page, f"Wall {setting.name}: check sheet")
    marks = check_marks(setting, n_marks=n_marks)
    flow.say("For a second person with another tape. Read first, then compare. " + _datum_rule(setting))
    for words in instrument_checks(setting):
        flow.say(words)
    length_boxes(flow, setting)
    _marks(flow, marks)
    most = math.ceil(100 * wrong_at_most_ratio(len(marks)))
    flow.need(30)
    flow.y_mm -= 5.0
    flow.say(
        f"The marks are drawn by lot. If all {len(marks)} are right, no more than {most} in 100 of all marks are "
        "wrong, with 95 % confidence; if one is wrong, measure its whole row and plumb line."
    )
    first, last = first_and_last(setting)
    break_boxes(flow, first=first, last=last)
    sign_boxes(flow, "Set out by", "Checked by another person with another tape")
    return page.finish()


def instrument_checks(setting: WallSetting) -> tuple[str, ...]:
    """What the instruments must show before they are believed, with the figures of this wall."""
    width = max((abs(x) for _, x in setting.plumb_lines), default=0.0)
    height = max((abs(y) for _, y in setting.level_lines), default=0.0) / 1000.0
    laser = facing_walls_limit_mm(5.0, laser_mm_per_m=setting.instruments.laser_mm_per_m)
    warm = heat_error_mm(width, over_20_deg_c=_WARMER_K)
    words = [
        f"Laser: mark from near each of two facing walls 5 m apart; the marks may differ by {laser:.1f} mm at most.",
        f"Tapes: hold all against one steel rule. At {20 + _WARMER_K:.0f} °C a steel tape reads {warm:.1f} mm short "
        f"at {width / 1000.0:.1f} m.",
    ]
    if height > 0.5:
        words.append(
            f"Plumb bob: one full swing takes {plumb_bob_period_s(height):.1f} s at {height:.1f} m; wait until it "
            "hangs still."
        )
    if width > 1000.0 * _CHALK_LIMIT_M:
        words.append(f"Chalk lines over {_CHALK_LIMIT_M:.0f} m: pin the middle and snap both halves.")
    return tuple(words)


def _datum_rule(setting: WallSetting) -> str:
    return f"Every figure is read from the datum: {setting.datum.split('. ')[0]}."


def _marks(flow: Flow, marks: tuple[Mark, ...]) -> None:
    flow.need(6 * ROW_MM)
    flow.title("Marks")
    _head(flow)
    for mark in marks:
        if flow.need(ROW_MM):
            _head(flow)
        y = flow.y_mm - 5.5
        star = "*" if mark.remark else ""
        flow.page.text(BORDER_MM, y, f"{mark.id}{star}", cap_mm=SMALL_MM)
        expected = (
            (0, mark.running_x_mm, mark.limit_deviation_x_mm),
            (1, mark.running_y_mm, mark.limit_deviation_y_mm),
        )
        for k, value, limit in expected:
            left = BORDER_MM + 42 + 70 * k
            flow.page.text(left + 34, y, f"{value:.0f} {limit}", cap_mm=PLAIN_MM, align="right")
            flow.page.box(left + 38, y - 1.8, 27, 7.0)
        flow.y_mm -= ROW_MM


def _head(flow: Flow) -> None:
    y = flow.y_mm - SMALL_MM
    for k, axis in enumerate("xy"):
        left = BORDER_MM + 42 + 70 * k
        flow.page.text(left + 34, y, f"{axis} expected", cap_mm=SMALL_MM, align="right")
        flow.page.text(left + 38, y, f"{axis} read", cap_mm=SMALL_MM)
    flow.y_mm -= 5.0
