"""What came out of a study, in a few lines of words."""

from __future__ import annotations

from collections.abc import Iterator

from fragkit.study.results import StudyResult
from fragkit.units import counted, interval


def summary_rows(result: StudyResult) -> list[tuple[str, str]]:
    """Subject and finding of each part that the study reached, for people to read."""
    return [*_found(result), *_planned(result)]


def _found(result: StudyResult) -> Iterator[tuple[str, str]]:
    yield "fragments", f"{result.n_measured} of {len(result.survey.fragments)} measured"
    if result.step is not None:
        step = result.step
        yield "step", f"{step.step_mm:.1f} mm from motif to motif ({interval(step.interval_mm)}) along a single row"
        if result.pooled is not None:
            yield "", f"rows {result.pooled.down_mm:g} mm apart as typed, not measured; see the decision in the survey"
    elif result.pooled is not None:
        pooled = result.pooled
        across = f"{pooled.across_mm:.1f} mm across ({interval(pooled.interval_across_mm)})"
        down = f"{pooled.down_mm:.1f} mm from row to row ({interval(pooled.interval_down_mm)})"
        yield "repeat", f"{across}, {down}; in brackets what holds in 95 of 100 cases"
        yield "rows", f"each shifted by {pooled.offset_ratio % 1.0:.2f} of the repeat against the one below"
        if pooled.basis == "typed":
            yield "", "typed, not measured; see the decision in the survey"
    if result.technique is not None:
        yield "placed", result.technique.placing.words
        yield "formed", result.technique.forming.words


def _planned(result: StudyResult) -> Iterator[tuple[str, str]]:
    if result.layout is not None:
        walls = ", ".join(f"{wall.name} {wall.n_motifs}" for wall in result.layout.walls)
        yield "motifs", f"{result.layout.n_motifs} ({walls})"
    if result.takeoff is not None:
        yield "leaf", f"{counted(result.takeoff.n_leaves, 'leaf', 'leaves')} by cutting"
    if result.works is not None:
        hours = result.works.labour_h
        yield "labour", f"{hours.p50:.0f} hours, nine times in ten {hours.p05:.0f} to {hours.p95:.0f}"
