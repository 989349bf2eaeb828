"""Gaps along the boundaries of a wall, in repeats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.scanning import rings_of, scan

FloatArray = NDArray[np.float64]

MAX_GAP_RATIO = 1.25
"""A gap wider than this is noticed; it needs a reason."""


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A gap wider than it should be: from, to (along the line) and in repeats."""

    line: str
    at_mm: float
    from_mm: float
    to_mm: float
    ratio: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Lines:
    """Lines along which gaps are read.

    `motif` and `line` are pairs that say which motif stands on (or, for plumb lines, beside) which line.
    """

    at_mm: FloatArray
    motif: NDArray[np.int64]
    line: NDArray[np.int64]
    repeat_mm: float
    level: bool


def level_lines(xy_mm: FloatArray, row: NDArray[np.int64], *, repeat_mm: float) -> Lines:
    """One line for each row, through the middle of its motifs."""
    rows, number = np.unique(row, return_inverse=True)
    heights = np.bincount(number, weights=xy_mm[:, 1]) / np.bincount(number) if len(rows) else np.zeros(0)
    return Lines(at_mm=heights, motif=np.arange(len(xy_mm)), line=number, repeat_mm=repeat_mm, level=True)


def plumb_lines(xy_mm: FloatArray, column: NDArray[np.int64], *, repeat_mm: float, lines_per_repeat: int) -> Lines:
    """One line for each column; a motif counts for every line within half a repeat of it."""
    columns, number = np.unique(column, return_inverse=True)
    at = np.bincount(number, weights=xy_mm[:, 0]) / np.bincount(number) if len(columns) else np.zeros(0)
    reach = lines_per_repeat // 2
    motif = np.concatenate([np.arange(len(xy_mm))] * (2 * reach + 1)) if reach else np.arange(len(xy_mm))
    wanted = np.concatenate([column + step for step in range(-reach, reach + 1)])
    line = np.searchsorted(columns, wanted)
    known = (line < len(columns)) & (columns[np.minimum(line, len(columns) - 1)] == wanted)
    return Lines(at_mm=at, motif=motif[known], line=line[known], repeat_mm=repeat_mm, level=False)


def measure_gaps(area: Any, xy_mm: FloatArray, lines: Lines) -> tuple[float, list[Gap]]:
    """Largest gap in repeats along any of the lines, and every gap above 1.25.

    Notes
    -----
    Each line is cut into the stretches that lie in `area`: the free wall as far as a motif has room beside
    the line. Between neighbours the gap is their distance; between an edge and the first motif it is the
    motif's distance from the edge. All stretches of all lines are strung on one axis, so one sort does.
    """
    if not len(lines.at_mm):
        return 0.0, []
    spans, owner = _stretches(area, lines)
    along = xy_mm[lines.motif, 0 if lines.level else 1]
    big = float(np.ptp(shapely.bounds(area))) * 2 + 1.0
    keys = np.concatenate([lines.line * big + along, owner * big + spans[:, 0], owner * big + spans[:, 1]])
    values = np.concatenate([along, spans[:, 0], spans[:, 1]])
    kind = np.concatenate([np.zeros(len(along)), np.full(len(spans), -1), np.full(len(spans), 1)])
    of_line = np.concatenate([lines.line, owner, owner])
    order = np.lexsort((kind, keys))
    values, kind, of_line = values[order], kind[order], of_line[order]
    on_wall = np.cumsum(-kind * (kind != 0)) > 0
    ratio = np.where(on_wall[:-1], np.diff(values) / lines.repeat_mm, 0.0)
    wide = np.flatnonzero(ratio > MAX_GAP_RATIO + 1e-6)
    name = "level" if lines.level else "plumb"
    found = [
        Gap(
            line=name,
            at_mm=float(lines.at_mm[of_line[k]]),
            from_mm=float(values[k]),
            to_mm=float(values[k + 1]),
            ratio=float(ratio[k]),
        )
        for k in wide
    ]
    return float(ratio.max(initial=0.0)), found


def _stretches(area: Any, lines: Lines) -> tuple[FloatArray, NDArray[np.int64]]:
    zero, one = np.zeros_like(lines.at_mm), np.ones_like(lines.at_mm)
    pairs = ((zero, lines.at_mm), (one, zero)) if lines.level else ((lines.at_mm, zero), (zero, one))
    found = scan(rings_of(area), np.column_stack(pairs[0]), np.column_stack(pairs[1]))
    return np.column_stack([found.begin, found.end]), found.row
