"""Heights at which rows clear the heads and sills of all openings of a wall at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.fits import Span
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]


def clear_heights_mm(wall: WallEntry, span: Span, *, repeat_mm: float) -> list[float]:
    """Heights of a row so that no row of the wall is cut by a head or a sill, one for each clear zone.

    Notes
    -----
    A row is cut when its middle stands less than the motif's reach and the clearance above a head, or
    below a sill. Seen modulo the repeat these are arcs; the middle of every arc that is left is taken, where
    the rows stand as far from the openings as they can. None is given for a single opening's single line,
    since a row half a repeat from it does that already.
    """
    taken = _taken(wall, span)
    if len(taken) < 2:
        return []
    begin, length = np.mod(taken[:, 0], repeat_mm), taken[:, 1] - taken[:, 0]
    order = np.argsort(begin)
    begin, end = begin[order], (begin + length)[order]
    reached = np.maximum.accumulate(np.concatenate([[end.max() - repeat_mm], end]))[:-1]
    free = begin - reached > 0
    return [float(0.5 * (low + high)) for low, high in zip(reached[free], begin[free], strict=True)]


def _taken(wall: WallEntry, span: Span) -> FloatArray:
    """Intervals (k, 2) of heights where the middle of a row must not stand."""
    found = []
    for opening in wall.openings:
        low, high = float(opening.outline_mm[:, 1].min()), float(opening.outline_mm[:, 1].max())
        need = span.reach_mm - wall.clearance_mm + opening.clearance_mm
        if span.low_mm + 1 < high < span.high_mm - 1:
            found.append((high, high + need))
        if span.low_mm + 1 < low < span.high_mm - 1:
            found.append((low - need, low))
    return np.array(found, float).reshape(-1, 2)
