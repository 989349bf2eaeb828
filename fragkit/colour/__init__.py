"""Colours of ground and shadow in CIELAB, colour difference, and the nearest paints."""

from fragkit.colour.cielab import decode_srgb, linear_to_lab, srgb_to_lab
from fragkit.colour.difference import delta_e00
from fragkit.colour.measure import Colour, Colours, measure_colours, nearest_paints

__all__ = [
    "Colour",
    "Colours",
    "decode_srgb",
    "delta_e00",
    "linear_to_lab",
    "measure_colours",
    "nearest_paints",
    "srgb_to_lab",
]
