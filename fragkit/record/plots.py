"""Which figures of `plot` stand where in the report."""

from __future__ import annotations

from fragkit.record.html import Html
from fragkit.record.study_result import StudyResult


def photograph(result: StudyResult, name: str) -> Html | None:
    """Figures of one photograph."""
    return None


def fragment(result: StudyResult, name: str) -> Html | None:
    """Figures of one fragment's net."""
    return None


def technique(result: StudyResult, name: str) -> Html | None:
    """Figures of one weighing of technique."""
    return None


def motif(result: StudyResult) -> Html | None:
    """Figures of the motif."""
    return None


def wall(result: StudyResult, name: str) -> Html | None:
    """Figures of one wall."""
    return None
