"""How far off the marks will be: a forecast by simulation of tape, laser and hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.layout import WallLayout
from fragkit.setting_out.instruments import (
    READING_LIMIT_MM,
    Instruments,
    chained_error_mm,
    tape_limit_mm,
)

FloatArray = NDArray[np.float64]

N_RUNS = 400
MAX_SIMULATED = 1500
"""Of a larger wall so many motifs are drawn, its outermost ones among them."""
CHAINED_STEP_SD_MM = 0.5
"""Random error of one stepped mark, for comparison with chained setting-out."""


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What to expect of the marks of one wall, in mm.

    Attributes
    ----------
    worst_mm : float
        Distance of the worst motif from its place; 95 of 100 walls stay below.
    typical_mm : float
        Root mean square distance of a motif.
    waviness_mm : float
        Range of the heights of the marks of one row about its line, the worst row, 95 of 100.
    chained_mm : float
        One standard deviation at the far end of the longest row if each motif were stepped from the one
        before.
    n_runs : int
    """

    worst_mm: float
    typical_mm: float
    waviness_mm: float
    chained_mm: float
    n_runs: int

    @property
    def words(self) -> str:
        """The forecast in words."""
        return (
            f"In 95 walls of 100 the worst motif will be within {self.worst_mm:.1f} mm of its place "
            f"(typically {self.typical_mm:.1f} mm), "
            f"and the marks of a row within {self.waviness_mm:.1f} mm of one another about its line. "
            "Stepped one from the next with "
            f"{CHAINED_STEP_SD_MM} mm a step, the end of the longest row alone would wander by "
            f"{self.chained_mm:.1f} mm (one standard deviation)."
        )


def forecast_wall(wall: WallLayout, tools: Instruments, *, rng: np.random.Generator) -> Forecast:
    """Simulated errors of the marks of one wall.

    Notes
    -----
    A limit ±L without more said is taken as evenly spread over ±L (JCGM 100:2008, 4.3.7). The tape's error
    is one for all
    readings of the wall and grows as its limit does with length; each plumb and each level line of the
    laser leans by one draw;
    the laser stands at the datum. Rounding to 1 mm and the hand's mark are drawn for each motif.
    """
    if not wall.n_motifs:
        return Forecast(worst_mm=0.0, typical_mm=0.0, waviness_mm=0.0, chained_mm=0.0, n_runs=0)
    chosen = _sample(wall.xy_mm, rng)
    xy, row = wall.xy_mm[chosen], np.unique(wall.row[chosen], return_inverse=True)[1]
    column = np.unique(wall.column[chosen], return_inverse=True)[1]
    tape = np.array([[tape_limit_mm(v, tape_class=tools.tape_class) for v in pair] for pair in xy])
    laser = tools.laser_mm_per_m * np.abs(xy[:, ::-1]) / 1000.0
    worst, total, wave = np.zeros(N_RUNS), 0.0, np.zeros(N_RUNS)
    for run in range(N_RUNS):
        lean = np.column_stack(
            [rng.uniform(-1, 1, column.max() + 1)[column], rng.uniform(-1, 1, row.max() + 1)[row]]
        )
        by_hand = rng.uniform(-READING_LIMIT_MM, READING_LIMIT_MM, (2, *xy.shape)).sum(axis=0)
        error = tape * rng.uniform(-1, 1, 2) + laser * lean + by_hand
        off = np.hypot(error[:, 0], error[:, 1])
        worst[run], total = off.max(), total + float(np.mean(off**2))
        wave[run] = _widest(error[:, 1], row)
    longest = int(np.bincount(wall.row).max())
    return Forecast(
        worst_mm=float(np.quantile(worst, 0.95)),
        typical_mm=float(np.sqrt(total / N_RUNS)),
        waviness_mm=float(np.quantile(wave, 0.95)),
        chained_mm=chained_error_mm(longest - 1, random_mm=CHAINED_STEP_SD_MM)[0],
        n_runs=N_RUNS,
    )


def _sample(xy_mm: FloatArray, rng: np.random.Generator) -> NDArray[np.int64]:
    n = len(xy_mm)
    if n <= MAX_SIMULATED:
        return np.arange(n)
    outermost = np.argsort(np.abs(xy_mm).max(axis=1))[-MAX_SIMULATED // 2 :]
    return np.unique(np.concatenate([outermost, rng.choice(n, MAX_SIMULATED // 2, replace=False)]))


def _widest(height_mm: FloatArray, row: NDArray[np.int64]) -> float:
    top, low = np.full(row.max() + 1, -np.inf), np.full(row.max() + 1, np.inf)
    np.maximum.at(top, row, height_mm)
    np.minimum.at(low, row, height_mm)
    return float((top - low).max())
