"""The work in order: wall by wall, from the top lift of the scaffold down, in working days."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.works.costs import three

if TYPE_CHECKING:
    from fragkit.layout import Layout

FloatArray = NDArray[np.float64]

REACH_MM = 1800.0
LIFT_MM = 2000.0
"""What is reached from the floor, and the height of a scaffold lift (common practice, no source)."""

STOREY_MM = 12 * 304.8
STOREY_RATIO = 0.05
"""Five percent more for every 12 ft above the floor: Hints for Painters, Decorators and Paper-Hangers (19th c.)."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Motifs of one wall at one lift, done in one go.

    Attributes
    ----------
    wall : str
    lift : int
        0 from the floor, 1 from the first lift of the scaffold, …
    n_motifs : int
    begin_day, end_day : (p05, p50, p95)
        Working days from the start of the work.
    """

    wall: str
    lift: int
    n_motifs: int
    begin_day: tuple[float, float, float]
    end_day: tuple[float, float, float]

    @property
    def place(self) -> str:
        return "from the floor" if self.lift == 0 else f"lift {self.lift}"


def lifts_of(y_mm: ArrayLike, *, reach_mm: float = REACH_MM, lift_mm: float = LIFT_MM) -> NDArray[np.int_]:
    """Lift from which each height is reached: 0 is the floor.

    Parameters
    ----------
    y_mm : (n,) array_like
        Heights above the datum, taken as the floor.
    """
    return np.maximum(0, np.ceil((np.asarray(y_mm, float) - reach_mm) / lift_mm - 1e-9)).astype(int)


def height_ratio(y_mm: ArrayLike) -> FloatArray:
    """Time at each height against time at the floor."""
    return 1.0 + STOREY_RATIO * np.floor(np.maximum(np.asarray(y_mm, float), 0.0) / STOREY_MM)


def mean_height_ratio(layout: Layout) -> float:
    """Mean of `height_ratio` over all motifs; 1 when there are none."""
    walls = [np.asarray(wall.xy_mm, float).reshape(-1, 2)[:, 1] for wall in layout.walls]
    heights = np.concatenate([np.zeros(0), *walls])
    return float(height_ratio(heights).mean()) if len(heights) else 1.0


def programme(
    layout: Layout, days: FloatArray, *, reach_mm: float = REACH_MM, lift_mm: float = LIFT_MM
) -> tuple[Stretch, ...]:
    """Stretches one after the other, walls in the layout's order, each from its top lift down.

    Parameters
    ----------
    days : (n_draws,) array
        Draws of the working days of the whole job, shared out by motifs and their height.
    """
    rows = []
    for wall in layout.walls:
        heights = np.asarray(wall.xy_mm, float).reshape(-1, 2)[:, 1]
        lifts = lifts_of(heights, reach_mm=reach_mm, lift_mm=lift_mm)
        counts = Counter(lifts.tolist())
        weights = height_ratio(heights)
        rows += [(wall.name, lift, counts[lift], weights[lifts == lift].sum()) for lift in sorted(counts)[::-1]]
    total, done = sum(row[3] for row in rows), 0.0
    stretches = []
    for name, lift, count, weight in rows:
        begin, done = done, done + float(weight)
        stretches.append(
            Stretch(
                wall=name,
                lift=lift,
                n_motifs=count,
                begin_day=three(days * (begin / total)),
                end_day=three(days * (done / total)),
            )
        )
    return tuple(stretches)


def weeks(days: float) -> int:
    """Weeks of five working days, begun ones counted."""
    return math.ceil(days / 5.0 - 1e-9)
