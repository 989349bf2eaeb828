"""Ways of placing motifs, their covariance on given sites, and random samples: one home for these formulas."""

from fragkit.placing.covariances import covariance
from fragkit.placing.drawing import draw
from fragkit.placing.processes import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

__all__ = ["ContinuousPrint", "OnLines", "Process", "RigidGroups", "SteppedOff", "covariance", "draw"]
