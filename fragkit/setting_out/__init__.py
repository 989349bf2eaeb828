"""Setting out: lines, running dimensions, checks, drawings and full-size sheets."""

from fragkit.setting_out.check_sheet import check_marks, draw_check_sheet, wrong_at_most_ratio
from fragkit.setting_out.checking import CheckedReading, ReadingsCheck, check_readings
from fragkit.setting_out.drawing import draw_wall, draw_wall_svg
from fragkit.setting_out.forecast import Forecast, MethodForecast
from fragkit.setting_out.instruments import (
    Instruments,
    chained_error_mm,
    facing_walls_limit_mm,
    heat_error_mm,
    plumb_bob_period_s,
    read_instruments,
    tape_limit_mm,
)
from fragkit.setting_out.marks import Mark, SettingOut, WallSetting, set_out
from fragkit.setting_out.master import draw_master
from fragkit.setting_out.paper import PAPER_MM, paper_size_mm
from fragkit.setting_out.pricking import prick
from fragkit.setting_out.sheets import draw_sheets, draw_tiles
from fragkit.setting_out.tick_off import draw_tick_off

__all__ = [
    "PAPER_MM",
    "CheckedReading",
    "Forecast",
    "Instruments",
    "Mark",
    "MethodForecast",
    "ReadingsCheck",
    "SettingOut",
    "WallSetting",
    "chained_error_mm",
    "check_marks",
    "check_readings",
    "draw_check_sheet",
    "draw_master",
    "draw_sheets",
    "draw_tick_off",
    "draw_tiles",
    "draw_wall",
    "draw_wall_svg",
    "facing_walls_limit_mm",
    "heat_error_mm",
    "paper_size_mm",
    "plumb_bob_period_s",
    "prick",
    "read_instruments",
    "set_out",
    "tape_limit_mm",
    "wrong_at_most_ratio",
]
