"""What was found and measured: a study folder and its photographs, read and checked."""

from fragkit.survey.entries import (
    BoardControl,
    ChartEntry,
    Control,
    DecisionEntry,
    EdgeEntry,
    FragmentEntry,
    LayoutEntry,
    LensEntry,
    OpeningEntry,
    PhotoEntry,
    PointControl,
    PriceEntry,
    ProposalEntry,
    Survey,
    WallEntry,
    WorksEntry,
)
from fragkit.survey.photographs import LABEL_NAMES, Photograph, read_labels, read_photo
from fragkit.survey.reading import read_survey

__all__ = [
    "LABEL_NAMES",
    "BoardControl",
    "ChartEntry",
    "Control",
    "DecisionEntry",
    "EdgeEntry",
    "FragmentEntry",
    "LayoutEntry",
    "LensEntry",
    "OpeningEntry",
    "PhotoEntry",
    "Photograph",
    "PointControl",
    "PriceEntry",
    "ProposalEntry",
    "Survey",
    "WallEntry",
    "WorksEntry",
    "read_labels",
    "read_photo",
    "read_survey",
]
