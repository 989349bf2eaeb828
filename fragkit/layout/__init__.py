"""Layout: every motif on every wall, with its place, size, form, certainty and reason."""

from fragkit.layout.costs import COST_WEIGHTS
from fragkit.layout.results import POSITION_CLASSES, Alternative, Layout, PlacedCentres, WallLayout
from fragkit.layout.room import lay_out

__all__ = [
    "COST_WEIGHTS",
    "POSITION_CLASSES",
    "Alternative",
    "Layout",
    "PlacedCentres",
    "WallLayout",
    "lay_out",
]
