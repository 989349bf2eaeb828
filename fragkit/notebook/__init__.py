"""Widgets for a notebook: point at a photograph, label its areas; what is pointed at is saved with the study."""

from fragkit.notebook.labelling import AreaLabeller, label_areas
from fragkit.notebook.marking import PointMarker, mark_points
from fragkit.notebook.reviewing import CentreReview, review_centres

__all__ = ["AreaLabeller", "CentreReview", "PointMarker", "label_areas", "mark_points", "review_centres"]
