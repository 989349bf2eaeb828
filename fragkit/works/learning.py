"""Minutes per motif as the hand learns: a curve with a floor, fitted to a timed trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.units import interval

FloatArray = NDArray[np.float64]

MIN_TIMED = 20
"""Fewer timed motifs say nothing about how the hand learns (common practice, no source)."""

_FLOOR_RATIOS = np.linspace(0.4, 1.0, 31)
_RATES = np.linspace(0.70, 1.0, 31)


def minutes_of(n: ArrayLike, *, first_min: float, floor_min: float, rate: float) -> FloatArray:
    """Minutes for the n-th motif: `T(n) = T∞ + (T1 - T∞) · n^log2(rate)`.

    Parameters
    ----------
    n : array_like
        Unit numbers from 1.
    first_min, floor_min : float
        The first motif and the limit after long practice, in minutes.
    rate : float
        What doubling the number leaves of the time above the floor: 0.8 is "80 %".

    Notes
    -----
    The unit model (Crawford): with `floor_min = 0` it is `T1 · n^log2(rate)`. Wright's own form gives the
    same value for the *average* of the first n; the two differ, so trial times must be unit times.

    References
    ----------
    Wright, T. P. (1936) J. Aeronaut. Sci. 3(4), 122-128.
    """
    return floor_min + (first_min - floor_min) * np.asarray(n, float) ** np.log2(rate)


@dataclass(frozen=True, eq=False, kw_only=True)
class LearningCurve:
    """A learning curve known from a timed trial, as draws from what the trial leaves open.

    Attributes
    ----------
    first_min, floor_min, rate : (n_draws,) arrays
        Draws of the three numbers of `minutes_of`.
    noise_ratio : float
        Scatter of single motifs about the curve, as a share of their time.
    n_timed : int
    mean_min : float
        Plain mean of the trial.
    """

    first_min: FloatArray
    floor_min: FloatArray
    rate: FloatArray
    noise_ratio: float
    n_timed: int
    mean_min: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("first_min", "floor_min", "rate"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    def __repr__(self) -> str:
        return f"LearningCurve({self.n_timed} timed motifs, mean {self.mean_min:.1f} min)"

    def _repr_html_(self) -> str:
        rows = [
            (name, interval(np.quantile(values, [0.025, 0.975]).tolist(), unit))
            for name, values, unit in (
                ("First motif", self.first_min, "min"),
                ("After long practice", self.floor_min, "min"),
            )
        ]
        return card(f"Learning curve from {self.n_timed} timed motifs", rows, notes=self.notes)

    def draw_total_h(self, n_motifs: int, *, rng: np.random.Generator, n_draws: int = 20_000) -> FloatArray:
        """Hours for a new job of `n_motifs` by hands like those of the trial: (n_draws,) draws."""
        pick = rng.integers(len(self.rate), size=n_draws)
        first, floor, rate = self.first_min[pick], self.floor_min[pick], self.rate[pick]
        levels, which = np.unique(rate, return_inverse=True)
        powers = np.array(
            [minutes_of(_units(n_motifs), first_min=1, floor_min=0, rate=r).mean() for r in levels]
        )
        total = n_motifs * (floor + (first - floor) * powers[which])
        scatter = self.noise_ratio / np.sqrt(n_motifs) * rng.standard_normal(n_draws)
        return total * (1 + scatter) / 60.0


def fit_learning(minutes: ArrayLike, *, rng: np.random.Generator, n_draws: int = 4_000) -> LearningCurve:
    """The learning curve that a timed trial allows.

    Parameters
    ----------
    minutes : (n,) array_like
        Minutes for the first, second, third, … motif, interruptions included.

    Raises
    ------
    EstimationError
        With fewer than 20 timed motifs, or times that are not positive.

    Notes
    -----
    A short trial cannot show where learning ends. The floor is taken as 40–100 % of the first motif and the
    rate as 70–100 %, all alike likely beforehand; each pair is weighted by how well it fits (log-normal
    scatter, the level and the scatter integrated out), so what the trial leaves open stays open in the total.
    The level of each draw is the mean of time over curve, with a Student t error, because means, not medians,
    add up to a total.
    """
    times = np.asarray(minutes, float).ravel()
    if len(times) < MIN_TIMED or not np.all(np.isfinite(times) & (times > 0)):
        raise EstimationError(
            "The timed trial cannot carry a learning curve.",
            found=f"{int(np.sum(np.isfinite(times) & (times > 0)))} usable times of {len(times)}",
            needed=f"at least {MIN_TIMED} motifs timed one by one, in minutes above 0, in the order they "
            "were made",
        )
    n = len(times)
    units = np.arange(1, n + 1)
    ratio, rate = (grid.ravel() for grid in np.meshgrid(_FLOOR_RATIOS, _RATES))
    shape = ratio[:, None] + (1 - ratio[:, None]) * units ** np.log2(rate)[:, None]
    residuals = np.log(times) - np.log(shape)
    squares = np.sum((residuals - residuals.mean(axis=1, keepdims=True)) ** 2, axis=1)
    log_weight = -(n - 1) / 2 * np.log(squares + 1e-12 * n)
    weight = np.exp(log_weight - logsumexp(log_weight))
    pick = rng.choice(len(weight), n_draws, p=weight)
    level = times / shape
    error = level.std(axis=1, ddof=1)[pick] / np.sqrt(n) * rng.standard_t(n - 1, n_draws)
    first = np.maximum(level.mean(axis=1)[pick] + error, 1e-3)
    best = level[int(np.argmax(weight))]
    return LearningCurve(
        first_min=first,
        floor_min=first * ratio[pick],
        rate=rate[pick],
        noise_ratio=float(best.std(ddof=1) / best.mean()),
        n_timed=n,
        mean_min=float(times.mean()),
        notes=(
            "The trial does not show where learning ends: a floor of 40–100 % of the first motif is allowed.",
        ),
    )


def _units(n_motifs: int) -> FloatArray:
    return np.arange(1, n_motifs + 1, dtype=float)
