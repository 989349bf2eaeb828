"""How far off the marks will be: a forecast by simulation of tape, laser and hand, for three ways of working."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.layout import WallLayout
from fragkit.setting_out.instruments import (
    DISTANCE_METER_LIMIT_MM,
    READING_LIMIT_MM,
    Instruments,
    chained_error_mm,
    rounded,
    tape_limits_mm,
)

FloatArray = NDArray[np.float64]

N_RUNS, N_RUNS_COMPARED = 4000, 400
"""Runs for the stated figures (the share that holds is then known to 0.4 %), and for those beside them."""
VALUES_AT_ONCE = 2_000_000
STATED_SHARE = 0.95
HAND_SD_MM = READING_LIMIT_MM / 1.96
"""A mark of the hand: 95 of 100 within its limit, some beyond, since nothing stops a hand at a limit."""
CHAINED_STEP_SD_MM, CHAINED_BIAS_MM = 0.5, 0.2
"""A stepped mark: its random error, and how far the gauge may be set wrong; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class MethodForecast:
    """What one way of working is worth on one wall, in mm; 95 walls of 100 stay below.

    Attributes
    ----------
    name : str
        "running", "laser" or "chained".
    worst_mm : float
        Distance of the worst motif from its place.
    typical_mm : float
        Root mean square distance of a motif.
    waviness_mm : float
        Width of the band that holds the marks of a row about its own straight line; the worst row.
    """

    name: str
    worst_mm: float
    typical_mm: float
    waviness_mm: float


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What to expect of the marks of one wall.

    Attributes
    ----------
    worst_mm, typical_mm, waviness_mm : float
        Of running dimensions, as the sheets give them; see `MethodForecast`.
    chained_mm : float
        One standard deviation at the far end of the longest row if each motif were stepped from the one before.
    methods : tuple of MethodForecast
        Running, laser, chained.
    n_runs : int
    """

    worst_mm: float
    typical_mm: float
    waviness_mm: float
    chained_mm: float
    n_runs: int
    methods: tuple[MethodForecast, ...] = ()

    @property
    def short_words(self) -> str:
        """The forecast and the comparison in few words."""
        other = {method.name: method for method in self.methods}
        words = (
            f"In 95 walls of 100 the worst motif will be within {self.worst_mm:.1f} mm of its place (typically "
            f"{self.typical_mm:.1f} mm) and every row within a band {self.waviness_mm:.1f} mm wide."
        )
        if "laser" not in other or "chained" not in other:
            return words
        laser, chained = other["laser"], other["chained"]
        return (
            f"{words} With a hand-held laser instead of the tape {laser.worst_mm:.1f} mm; stepped one from the "
            f"next {chained.worst_mm:.0f} mm, rows in a band of {chained.waviness_mm:.0f} mm."
        )

    @property
    def words(self) -> str:
        """The forecast in words, with what it assumes of the other two ways."""
        return (
            f"{self.short_words} (Hand-held laser: ±{DISTANCE_METER_LIMIT_MM:g} mm at each line. Stepping: "
            f"{CHAINED_STEP_SD_MM:g} mm random a step and a gauge up to {CHAINED_BIAS_MM:g} mm wrong; its random "
            f"part alone reaches {self.chained_mm:.1f} mm, one standard deviation, at the end of the longest row.)"
        )


def forecast_wall(wall: WallLayout, tools: Instruments, *, rng: np.random.Generator) -> Forecast:
    """Simulated errors of the marks of one wall.

    Notes
    -----
    A limit ±L without more said is taken as evenly spread over ±L (JCGM 100:2008, 4.3.7). The tape's error is
    one for all readings of the wall and grows as its limit does with length; each plumb and each level line
    of the laser leans by one draw; the laser stands at the datum. Each mark has the hand's error, normal, and
    the rounding that it really has. With a hand-held laser each line has an error of its own instead of the
    tape's. Stepped marks walk from the first of their row, along and across.
    """
    if not wall.n_motifs:
        return Forecast(worst_mm=0.0, typical_mm=0.0, waviness_mm=0.0, chained_mm=0.0, n_runs=0)
    wall_marks = _Marks(wall, tools)
    ways: tuple[tuple[str, Draw, int], ...] = (
        ("running", wall_marks.running, N_RUNS),
        ("laser", wall_marks.measured, N_RUNS_COMPARED),
        ("chained", wall_marks.stepped, N_RUNS_COMPARED),
    )
    methods = tuple(_try_out(name, draw, wall_marks, n_runs=n, rng=rng) for name, draw, n in ways)
    longest = int(np.bincount(wall.row).max())
    return Forecast(
        worst_mm=methods[0].worst_mm,
        typical_mm=methods[0].typical_mm,
        waviness_mm=methods[0].waviness_mm,
        chained_mm=chained_error_mm(longest - 1, random_mm=CHAINED_STEP_SD_MM)[0],
        n_runs=N_RUNS,
        methods=methods,
    )


Draw = Callable[[int, np.random.Generator], FloatArray]


class _Marks:
    """Marks of a wall in the order of their rows, and draws (2, runs, n) of their errors."""

    def __init__(self, wall: WallLayout, tools: Instruments) -> None:
        order = np.lexsort((wall.xy_mm[:, 0], wall.row))
        self.xy_mm = wall.xy_mm[order]
        self.row = np.unique(wall.row[order], return_inverse=True)[1]
        self.starts = np.flatnonzero(np.diff(self.row, prepend=-1))
        self._line = np.vstack([np.unique(wall.column[order], return_inverse=True)[1], self.row])
        self._rounding = (rounded(self.xy_mm) - self.xy_mm).T[:, None, :]
        self._tape = tape_limits_mm(self.xy_mm, tape_class=tools.tape_class).T[:, None, :]
        self._laser = (tools.laser_mm_per_m * np.abs(self.xy_mm[:, ::-1]) / 1000.0).T[:, None, :]
        self._number = np.arange(len(order)) - self.starts[self.row]

    def running(self, n_runs: int, rng: np.random.Generator) -> FloatArray:
        """Read from the datum with a tape, to lines of a laser."""
        tape = self._tape * rng.uniform(-1, 1, (2, n_runs, 1))
        return tape + self._by_lines(n_runs, rng)

    def measured(self, n_runs: int, rng: np.random.Generator) -> FloatArray:
        """The same with a hand-held laser for the tape."""
        return DISTANCE_METER_LIMIT_MM * self._by_line(n_runs, rng) + self._by_lines(n_runs, rng)

    def stepped(self, n_runs: int, rng: np.random.Generator) -> FloatArray:
        """Each mark stepped from the one before in its row; the first of each row read from the datum."""
        steps = rng.normal(0.0, CHAINED_STEP_SD_MM, (2, n_runs, len(self.row)))
        steps[:, :, self.starts] = 0.0
        walk = np.cumsum(steps, axis=2)
        walk -= walk[:, :, self.starts][:, :, self.row]
        walk[0] += CHAINED_BIAS_MM * rng.uniform(-1, 1, (n_runs, 1)) * self._number
        first = self.running(n_runs, rng)[:, :, self.starts]
        return np.asarray(first[:, :, self.row] + walk)

    def _by_lines(self, n_runs: int, rng: np.random.Generator) -> FloatArray:
        hand = rng.normal(0.0, HAND_SD_MM, (2, n_runs, len(self.row)))
        return np.asarray(self._laser * self._by_line(n_runs, rng) + hand + self._rounding)

    def _by_line(self, n_runs: int, rng: np.random.Generator) -> FloatArray:
        """One draw from -1 to 1 for each plumb line (x) and each level line (y)."""
        return np.stack([rng.uniform(-1, 1, (n_runs, line.max() + 1))[:, line] for line in self._line])


def _try_out(name: str, draw: Draw, marks: _Marks, *, n_runs: int, rng: np.random.Generator) -> MethodForecast:
    worst, square, wave = [], 0.0, []
    at_once = max(1, VALUES_AT_ONCE // len(marks.row))
    for start in range(0, n_runs, at_once):
        error = draw(min(at_once, n_runs - start), rng)
        off = np.sum(error**2, axis=0)
        worst.append(np.sqrt(off.max(axis=1)))
        square += float(off.mean(axis=1).sum())
        wave.append(_waviness(error[1], marks))
    worst_mm, wave_mm = (float(np.quantile(np.concatenate(v), STATED_SHARE)) for v in (worst, wave))
    return MethodForecast(name=name, worst_mm=worst_mm, typical_mm=float(np.sqrt(square / n_runs)), waviness_mm=wave_mm)


def _waviness(height_mm: FloatArray, marks: _Marks) -> FloatArray:
    """Widest band (runs,) about the least-squares straight line of each row."""
    row, starts = marks.row, marks.starts
    count = np.bincount(row)
    x = marks.xy_mm[:, 0] - (np.bincount(row, weights=marks.xy_mm[:, 0]) / count)[row]
    spread = np.maximum(np.bincount(row, weights=x**2), 1e-12)
    slope = np.add.reduceat(height_mm * x, starts, axis=1) / spread
    bent = height_mm - slope[:, row] * x
    band = np.maximum.reduceat(bent, starts, axis=1) - np.minimum.reduceat(bent, starts, axis=1)
    return np.asarray(band.max(axis=1))
