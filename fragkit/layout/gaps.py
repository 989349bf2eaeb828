"""Gaps between motifs and along the boundaries of a wall, in repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.scanning import expand, rings_of, scan

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MAX_GAP_RATIO = 1.25
"""A gap wider than this is noticed; it needs a reason."""
_TINY = 1e-6
_NO_MOTIF = -1


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A gap wider than it should be: from, to (along the line) and in repeats."""

    line: str
    at_mm: float
    from_mm: float
    to_mm: float
    ratio: float


@dataclass(frozen=True, eq=False)
class Spans:
    """Intervals on the free wall along lines: between neighbours, or from a boundary to the first motif.

    `line` is the place of the line among those asked for; `before`, `after` are the motifs at the ends, −1 for a
    boundary.
    """

    line: IntArray
    from_mm: FloatArray
    to_mm: FloatArray
    before: IntArray
    after: IntArray
    repeat_mm: float

    @property
    def ratio(self) -> FloatArray:
        """Lengths in repeats."""
        return (self.to_mm - self.from_mm) / self.repeat_mm


def level_spans(area: Any, xy_mm: FloatArray, row: IntArray, *, repeat_mm: float) -> tuple[FloatArray, Spans]:
    """Heights of the rows and the spans along them, one line for each row, through the middle of its motifs."""
    rows, number = np.unique(row, return_inverse=True)
    heights = np.bincount(number, weights=xy_mm[:, 1]) / np.bincount(number) if len(rows) else np.zeros(0)
    zero, one = np.zeros_like(heights), np.ones_like(heights)
    stretches = _stretches(area, np.column_stack([zero, heights]), np.column_stack([one, zero]))
    return heights, _string(stretches, xy_mm[:, 0], number, np.arange(len(xy_mm)), repeat_mm=repeat_mm)


def plumb_spans(area: Any, xy_mm: FloatArray, level: Spans, at_mm: FloatArray, *, repeat_mm: float) -> Spans:
    """Spans up and down plumb lines.

    Notes
    -----
    A row counts where it passes the plumb line without a gap of its own, whether or not a motif stands on that
    very line: so half-drops and nets of other offsets are read alike, and a row that ends at a jamb as its
    spacing wants it is no gap of the column beside the jamb.
    """
    good = np.flatnonzero((level.ratio <= MAX_GAP_RATIO + _TINY) & (np.maximum(level.before, level.after) >= 0))
    first = np.searchsorted(at_mm, level.from_mm[good] - _TINY)
    last = np.searchsorted(at_mm, level.to_mm[good] + _TINY) - 1
    line, span = expand(first, last, good)
    ends = np.where(level.before[span] >= 0, level.before[span], level.after[span])
    others = np.where(level.after[span] >= 0, level.after[span], level.before[span])
    height = 0.5 * (xy_mm[ends, 1] + xy_mm[others, 1])
    zero, one = np.zeros_like(at_mm), np.ones_like(at_mm)
    stretches = _stretches(area, np.column_stack([at_mm, zero]), np.column_stack([zero, one]))
    return _string(stretches, height, line, ends, repeat_mm=repeat_mm)


def wide_gaps(spans: Spans, at_mm: FloatArray, *, line: str) -> list[Gap]:
    """Every span above 1.25 repeats."""
    return [
        Gap(
            line=line,
            at_mm=float(at_mm[spans.line[k]]),
            from_mm=float(spans.from_mm[k]),
            to_mm=float(spans.to_mm[k]),
            ratio=float(spans.ratio[k]),
        )
        for k in np.flatnonzero(spans.ratio > MAX_GAP_RATIO + _TINY)
    ]


def gap_runs(gaps: Sequence[Gap]) -> list[list[Gap]]:
    """Gaps that lie side by side along one boundary, together; in each run in the order of their places."""
    runs: list[list[Gap]] = []
    for gap in sorted(gaps, key=lambda one: (one.line, one.at_mm)):
        beside = [run for run in runs if _beside(run[-1], gap)]
        if beside:
            beside[0].append(gap)
        else:
            runs.append([gap])
    return runs


def _beside(last: Gap, gap: Gap) -> bool:
    overlap = min(last.to_mm, gap.to_mm) - max(last.from_mm, gap.from_mm)
    near = gap.at_mm - last.at_mm <= last.to_mm - last.from_mm
    return last.line == gap.line and near and overlap > 0.5 * (gap.to_mm - gap.from_mm)


def _string(
    stretches: tuple[FloatArray, IntArray], along_mm: FloatArray, line: IntArray, motif: IntArray, *, repeat_mm: float
) -> Spans:
    """Spans of all lines at once: their stretches and motifs are strung on one axis, so one sort does."""
    ends, owner = stretches
    reach = float(max(np.ptp(ends) if len(ends) else 0.0, np.ptp(along_mm) if len(along_mm) else 0.0)) * 4 + 1.0
    values = np.concatenate([along_mm, ends[:, 0], ends[:, 1]])
    kind = np.concatenate([np.zeros(len(along_mm)), np.full(len(ends), -1), np.full(len(ends), 1)])
    of_line = np.concatenate([line, owner, owner])
    name = np.concatenate([motif, np.full(2 * len(ends), _NO_MOTIF)])
    order = np.lexsort((kind, values + of_line * reach))
    values, kind, of_line, name = values[order], kind[order], of_line[order], name[order]
    on_wall = np.flatnonzero(np.cumsum(-kind)[:-1] > 0) if len(kind) else np.zeros(0, np.int64)
    return Spans(
        line=of_line[on_wall],
        from_mm=values[on_wall],
        to_mm=values[on_wall + 1],
        before=name[on_wall],
        after=name[on_wall + 1],
        repeat_mm=repeat_mm,
    )


def _stretches(area: Any, origin_mm: FloatArray, step_mm: FloatArray) -> tuple[FloatArray, IntArray]:
    found = scan(rings_of(area), origin_mm, step_mm)
    return np.column_stack([found.begin, found.end]), found.row
