"""Widgets for a notebook: what is pointed at, decided or tuned in them is saved with the study as plain values."""

from fragkit.notebook.labelling import AreaLabeller, label_areas
from fragkit.notebook.marking import PointMarker, mark_points
from fragkit.notebook.reviewing import CentreReview, review_centres
from fragkit.notebook.tuning import WallTuner, tune_wall
from fragkit.notebook.weighing import EvidenceScale, weigh_evidence

__all__ = [
    "AreaLabeller",
    "CentreReview",
    "EvidenceScale",
    "PointMarker",
    "WallTuner",
    "label_areas",
    "mark_points",
    "review_centres",
    "tune_wall",
    "weigh_evidence",
]
