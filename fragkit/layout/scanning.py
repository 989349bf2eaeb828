"""Where level rows lie inside an area: every stretch of every row, by scan lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_TOUCH = 1e-9
"""Sites within this of the end of a stretch, in repeats, count as inside it."""


@dataclass(frozen=True, eq=False)
class Rings:
    """The boundary of an area as segments: starts and ends (s, 2)."""

    starts: FloatArray
    ends: FloatArray


def rings_of(area: Any) -> Rings:
    """Boundary segments of every polygon of an area, holes included."""
    parts = shapely.get_parts(shapely.boundary(area)) if not shapely.is_empty(area) else np.zeros(0, object)
    xy, ring = shapely.get_coordinates(parts, return_index=True)
    same = ring[1:] == ring[:-1] if len(ring) else np.zeros(0, bool)
    return Rings(xy[:-1][same], xy[1:][same])


@dataclass(frozen=True, eq=False)
class Stretches:
    """Parts of rows inside an area: the number of the row, and where the part begins and ends along it."""

    row: IntArray
    begin: FloatArray
    end: FloatArray


def scan(rings: Rings, origin_mm: FloatArray, step_mm: FloatArray) -> Stretches:
    """Stretches of straight rows inside the area.

    Parameters
    ----------
    origin_mm, step_mm : (m, 2) arrays
        Row k runs through origin + t · step; begin and end are values of t.

    Notes
    -----
    Even-odd rule: a row passes from outside to inside at every second crossing of the boundary.
    """
    normal = np.column_stack([-step_mm[:, 1], step_mm[:, 0]])
    level = np.sum(normal * origin_mm, axis=1)[:, None]
    side_a, side_b = normal @ rings.starts.T - level, normal @ rings.ends.T - level
    row, segment = np.nonzero((side_a > 0) != (side_b > 0))
    a, b = side_a[row, segment], side_b[row, segment]
    start, end = rings.starts[segment], rings.ends[segment]
    crossing = start + (end - start) * (a / (a - b))[:, None]
    direction = step_mm / np.sum(step_mm**2, axis=1)[:, None]
    at = np.sum((crossing - origin_mm[row]) * direction[row], axis=1)
    order = np.lexsort((at, row))
    row, at = row[order], at[order]
    return Stretches(row[::2], at[::2], at[1::2])


def whole_numbers(begin: FloatArray, end: FloatArray) -> tuple[IntArray, IntArray]:
    """First and last whole number in each stretch [begin, end]; last < first where there is none."""
    return (
        np.ceil(begin - _TOUCH).astype(np.int64),
        np.floor(end + _TOUCH).astype(np.int64),
    )


def expand(first: IntArray, last: IntArray, row: IntArray) -> tuple[IntArray, IntArray]:
    """Every whole number of every stretch, and its row."""
    counts = np.maximum(last - first + 1, 0)
    total = int(counts.sum())
    ahead = np.cumsum(counts) - counts
    numbers = np.arange(total) - np.repeat(ahead - first, counts)
    return numbers, np.repeat(row, counts)


def outside(
    outer: tuple[IntArray, IntArray, IntArray], inner: tuple[IntArray, IntArray, IntArray]
) -> tuple[IntArray, IntArray]:
    """Whole numbers of the outer stretches that lie in none of the inner: numbers and their rows.

    Parameters
    ----------
    outer, inner : (first, last, row)
        Inner stretches lie within outer ones.
    """
    some = [first <= last for first, last, _ in (outer, inner)]
    (a0, a1, a_row), (b0, b1, b_row) = (
        tuple(part[keep] for part in parts) for parts, keep in zip((outer, inner), some, strict=True)
    )
    lowest = int(min(a0.min(initial=0), b0.min(initial=0)))
    stride = int(max(a1.max(initial=0), b1.max(initial=0))) - lowest + 3
    shift_a, shift_b = a_row * stride - lowest, b_row * stride - lowest
    begins = np.sort(np.concatenate([a0 + shift_a, b1 + shift_b + 1]))
    ends = np.sort(np.concatenate([b0 + shift_b - 1, a1 + shift_a]))
    keys, _ = expand(begins, ends, begins)
    row, number = np.divmod(keys, stride)
    return number + lowest, row
