"""Candidate repeats of a true-scale picture, and the features that do not mind the sign of contrast."""

from fragkit.net.bases import reduce_basis
from fragkit.net.features import features, features_of, pixels_and_mask, size_of
from fragkit.net.finding import find_nets
from fragkit.net.matching import score_map, window_energy
from fragkit.net.nets import Net, Nets

__all__ = [
    "Net",
    "Nets",
    "features",
    "features_of",
    "find_nets",
    "pixels_and_mask",
    "reduce_basis",
    "score_map",
    "size_of",
    "window_energy",
]
