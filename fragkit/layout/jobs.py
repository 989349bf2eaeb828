"""What the layout of one wall needs: the repeat, the wall made ready, its evidence, the wishes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.evidence import Evidence
from fragkit.layout.grounds import Ground
from fragkit.layout.scatter import NO_HAND, Hand
from fragkit.layout.shapes import Form
from fragkit.units import Z95

if TYPE_CHECKING:
    from fragkit.lattice import Pooled

FloatArray = NDArray[np.float64]
Dropped = tuple[int, int, tuple[float, float], str]
"""Site (i, j), place in mm, and why it was left out."""

SIMPLE_OFFSETS = (Fraction(0), Fraction(1, 2), Fraction(1, 3), Fraction(2, 3), Fraction(1, 4), Fraction(3, 4))
MIN_OFFSET_MARGIN_RATIO = 0.002


@dataclass(frozen=True, eq=False, kw_only=True)
class Repeat:
    """The pooled repeat as laid out: its offset brought to a simple fraction where the evidence allows."""

    across_mm: float
    down_mm: float
    offset_ratio: float
    lines_per_repeat: int
    across_bounds_mm: tuple[float, float]
    down_bounds_mm: tuple[float, float]
    typed: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class Job:
    """One wall with all that its layout needs."""

    ground: Ground
    evidence: Evidence
    repeat: Repeat
    on_axis: str
    forms: tuple[Form, ...]
    weights: Mapping[str, float]
    hand: Hand = NO_HAND


@dataclass(frozen=True, eq=False, kw_only=True)
class Marks:
    """The evidence of a wall in its straightened frame, with its sites."""

    index: NDArray[np.int64]
    xy_mm: FloatArray
    misfit_mm: FloatArray


@dataclass(frozen=True, kw_only=True)
class Bent:
    """How far the worst motif would move if the other of level and edges were followed, and where it is."""

    difference_mm: float
    at_mm: tuple[float, float]


@dataclass(frozen=True, eq=False, kw_only=True)
class Placed:
    """Motifs of a net after easing, row by row from the bottom, and those left out."""

    index: NDArray[np.int64]
    site_mm: FloatArray
    xy_mm: FloatArray
    scale_ratio: FloatArray
    form: tuple[str, ...]
    eased: tuple[str, ...]
    dropped: tuple[Dropped, ...]


def adopt_repeat(pooled: Pooled) -> tuple[Repeat, tuple[str, ...]]:
    """The repeat to lay out, and what was assumed in adopting it.

    Notes
    -----
    An offset within 1.96 sd of 0, 1/2, 1/3 or 1/4 is brought to it, so that the motifs of every second
    (third, fourth) row stand on one
    plumb line; any other offset is kept, and the rows then have plumb lines of their own.
    """
    offset = float(pooled.offset_ratio) % 1.0
    margin = max(Z95 * float(np.sqrt(max(pooled.cov[2][2], 0.0))), MIN_OFFSET_MARGIN_RATIO)
    off = [abs((offset - float(simple) + 0.5) % 1.0 - 0.5) for simple in SIMPLE_OFFSETS]
    nearest = int(np.argmin(off))
    notes: tuple[str, ...] = ()
    simple = SIMPLE_OFFSETS[nearest] if off[nearest] <= margin else None
    if simple is None:
        notes = (
            f"The rows are offset by {offset:.3f} of the repeat, no simple fraction: each row has its own plumb lines.",
        )
    elif off[nearest] > 1e-9:
        notes = (
            f"The offset of the rows, {offset:.3f} of the repeat, was taken as {simple}, which the evidence allows.",
        )
    bounds = [tuple(float(v) for v in pooled.interval_new_wall[key]) for key in ("across_mm", "down_mm")]
    repeat = Repeat(
        across_mm=float(pooled.across_mm),
        down_mm=float(pooled.down_mm),
        offset_ratio=float(simple) if simple is not None else offset,
        lines_per_repeat=simple.denominator if simple is not None else 1,
        across_bounds_mm=(bounds[0][0], bounds[0][1]),
        down_bounds_mm=(bounds[1][0], bounds[1][1]),
        typed=pooled.basis == "typed",
    )
    return repeat, notes
