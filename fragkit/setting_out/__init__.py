"""Setting out: lines, running dimensions, checks, drawings and full-size sheets."""

from fragkit.setting_out.drawing import draw_wall
from fragkit.setting_out.forecast import Forecast
from fragkit.setting_out.instruments import (
    Instruments,
    chained_error_mm,
    facing_walls_limit_mm,
    heat_error_mm,
    read_instruments,
    tape_limit_mm,
)
from fragkit.setting_out.marks import Mark, SettingOut, WallSetting, set_out
from fragkit.setting_out.paper import PAPER_MM, paper_size_mm
from fragkit.setting_out.sheets import draw_sheets, draw_tiles

__all__ = [
    "PAPER_MM",
    "Forecast",
    "Instruments",
    "Mark",
    "SettingOut",
    "WallSetting",
    "chained_error_mm",
    "draw_sheets",
    "draw_tiles",
    "draw_wall",
    "facing_walls_limit_mm",
    "heat_error_mm",
    "paper_size_mm",
    "read_instruments",
    "set_out",
    "tape_limit_mm",
]
