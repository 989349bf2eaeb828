"""Ways of placing motifs: covariance on given sites, and random samples. One home for these formulas."""

from fragkit.placing.covariances import covariance
from fragkit.placing.drawing import draw
from fragkit.placing.processes import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

__all__ = ["ContinuousPrint", "OnLines", "Process", "RigidGroups", "SteppedOff", "covariance", "draw"]
