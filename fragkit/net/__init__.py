"""Candidate repeats of a true-scale picture, and the features that do not mind the sign of contrast."""

from fragkit.net.bases import reduce_basis
from fragkit.net.features import features, pixels_and_mask, size_of
from fragkit.net.nets import Net, Nets, find_nets

__all__ = ["Net", "Nets", "features", "find_nets", "pixels_and_mask", "reduce_basis", "size_of"]
