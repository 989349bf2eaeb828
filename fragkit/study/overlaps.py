"""Photographs of one fragment against each other: what overlaps must agree within the stated errors."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from itertools import pairwise

from fragkit.errors import EstimationError
from fragkit.rectify import Comparison, Rectified, compare_photographs
from fragkit.study.bench import Bench, Made, Step
from fragkit.survey import Survey


def compare_overlaps(
    bench: Bench, survey: Survey, rectified: Mapping[str, Made[Rectified]]
) -> dict[tuple[str, str], Made[Comparison | None]]:
    """Each photograph of a fragment with the next one; None for two that share too little to be compared."""
    pairs = [pair for names in _shown(survey, rectified) for pair in pairwise(names)]
    steps = []
    for first, second in pairs:
        planes = (rectified[first], rectified[second])
        steps.append(Step(_name(first, second), planes, partial(_compared, *planes)))
    made = bench.make_all("compare", steps)
    return {pair: made[_name(*pair)] for pair in pairs if _name(*pair) in made}


def count_overlaps(survey: Survey) -> int:
    """Number of steps that `compare_overlaps` takes when every photograph is rectified."""
    return sum(len(names) - 1 for names in _shown(survey, {photo.name: None for photo in survey.photos}))


def _shown(survey: Survey, rectified: Mapping[str, object]) -> list[list[str]]:
    """Names of the photographs of each fragment that shows any."""
    photos = [photo for photo in survey.photos if photo.name in rectified]
    fragments = dict.fromkeys(photo.fragment for photo in photos)
    return [[photo.name for photo in photos if photo.fragment == fragment] for fragment in fragments]


def _name(first: str, second: str) -> str:
    return f"{first} and {second}"


def _compared(first: Made[Rectified], second: Made[Rectified]) -> Comparison | None:
    try:
        return compare_photographs(first.value, second.value)
    except EstimationError:
        return None
