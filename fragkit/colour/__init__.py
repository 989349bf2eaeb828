"""Colours of ground and shadow in CIELAB, colour difference, and the nearest paints."""

from fragkit.colour.areas import AreaColours
from fragkit.colour.cielab import decode_srgb, linear_to_lab, srgb_to_lab
from fragkit.colour.difference import delta_e00
from fragkit.colour.laps import Laps, find_laps
from fragkit.colour.measure import Colours, measure_colours
from fragkit.colour.paints import difference_interval, nearest_chances, nearest_paints
from fragkit.colour.quality import ImageQuality, judge_photograph
from fragkit.colour.surface import Colour

__all__ = [
    "AreaColours",
    "Colour",
    "Colours",
    "ImageQuality",
    "Laps",
    "decode_srgb",
    "delta_e00",
    "difference_interval",
    "find_laps",
    "judge_photograph",
    "linear_to_lab",
    "measure_colours",
    "nearest_chances",
    "nearest_paints",
    "srgb_to_lab",
]
