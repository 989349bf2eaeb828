"""Layout: every motif on every wall, with its place, size, form, certainty and reason."""

from fragkit.layout.costs import COST_WEIGHTS
from fragkit.layout.redraw import alternative_sites
from fragkit.layout.results import (
    POSITION_CLASSES,
    UNCERTAINTY,
    Alternative,
    Join,
    Layout,
    Outlines,
    Pass,
    PlacedCentres,
    WallLayout,
    average_uncertainty,
)
from fragkit.layout.room import lay_out, motif_forms
from fragkit.layout.visibility import arcsec_words

__all__ = [
    "COST_WEIGHTS",
    "POSITION_CLASSES",
    "UNCERTAINTY",
    "Alternative",
    "Join",
    "Layout",
    "Outlines",
    "Pass",
    "PlacedCentres",
    "WallLayout",
    "alternative_sites",
    "arcsec_words",
    "average_uncertainty",
    "lay_out",
    "motif_forms",
]
