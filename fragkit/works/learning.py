"""Minutes per motif as the hand learns: a curve with a floor, fitted to a timed trial, interruptions included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch_curve
from fragkit.units import interval
from fragkit.works.ensemble import draw_ensemble

FloatArray = NDArray[np.float64]

MIN_TIMED = 20
"""Fewer timed motifs say nothing about how the hand learns (common practice, no source)."""

_N_WALKERS = 60
_N_STEPS = 400

_FLOOR_RATIOS = (0.4, 1.0)
_RATES = (0.70, 1.0)
_HEAD_STARTS = (0.1, 15.0)
_NOISES = (0.02, 1.0)
_CALLED_AWAY = (0.001, 0.3)
_CALLED_AWAY_FEWER = 19.0
_DELAY_LOG_SD = 0.8


def minutes_of(
    n: ArrayLike, *, first_min: ArrayLike, floor_min: ArrayLike, rate: ArrayLike, head_start: ArrayLike = 0.0
) -> FloatArray:
    """Minutes for the n-th motif: `T(n) = T∞ + (T1 - T∞) · ((n + B) / (1 + B))^log2(rate)`.

    Parameters
    ----------
    n : array_like
        Unit numbers from 1.
    first_min, floor_min : array_like
        The first motif and the limit after long practice, in minutes.
    rate : array_like
        What doubling n + B leaves of the time above the floor: 0.8 is "80 %".
    head_start : array_like
        B: motifs' worth of practice that the hand brings along.

    Notes
    -----
    The unit model (Crawford): with `floor_min = 0` and no head start it is `T1 · n^log2(rate)`. Wright's own form
    gives the same value for the *average* of the first n; the two differ, so trial times must be unit times.

    References
    ----------
    Wright, T. P. (1936) J. Aeronaut. Sci. 3(4), 122-128. The head start is the "Stanford B" of the 1940s (from
    memory).
    """
    head = np.asarray(head_start, float)
    practice = (np.asarray(n, float) + head) / (1.0 + head)
    above = np.asarray(first_min, float) - floor_min
    return np.asarray(floor_min + above * practice ** np.log2(rate), float)


@dataclass(frozen=True, eq=False, kw_only=True)
class LearningCurve:
    """A learning curve known from a timed trial, as draws from what the trial leaves open.

    Attributes
    ----------
    first_min, floor_min, rate, head_start : (n_draws,) arrays
        The four numbers of `minutes_of`.
    noise_ratio : (n_draws,) array
        Scatter of single motifs about the curve, as a share of their time.
    called_away_ratio, delay_min : (n_draws,) arrays
        Share of motifs that are interrupted, and the mean length of an interruption.
    minutes : (n,) array
        The trial.
    """

    first_min: FloatArray
    floor_min: FloatArray
    rate: FloatArray
    head_start: FloatArray
    noise_ratio: FloatArray
    called_away_ratio: FloatArray
    delay_min: FloatArray
    minutes: FloatArray
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = ("first_min", "floor_min", "rate", "head_start", "noise_ratio", "called_away_ratio", "delay_min")
        for name in (*names, "minutes"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    @property
    def n_timed(self) -> int:
        return len(self.minutes)

    @property
    def mean_min(self) -> float:
        return float(self.minutes.mean())

    def __repr__(self) -> str:
        return f"LearningCurve({self.n_timed} timed motifs, mean {self.mean_min:.1f} min)"

    def _repr_html_(self) -> str:
        rows = [
            (name, interval(np.quantile(values, [0.025, 0.975]).tolist(), unit))
            for name, values, unit in (
                ("First motif", self.first_min, "min"),
                ("After long practice", self.floor_min, "min"),
                ("Interrupted, of a hundred", 100 * self.called_away_ratio, "motifs"),
            )
        ]
        n = np.geomspace(1.0, 10.0 * max(self.n_timed, 10), 60)
        label = "Expected minutes for each motif, median"
        drawn = sketch_curve(label, n, np.median(self.mean_minutes(n), axis=0), x_name="motif number", y_name="minutes")
        return card(f"Learning curve from {self.n_timed} timed motifs", rows, notes=self.notes, drawing=drawn)

    def mean_minutes(self, n: ArrayLike) -> FloatArray:
        """Expected minutes for motif numbers `n` (m,), interruptions included: (n_draws, m)."""
        curve = minutes_of(
            np.asarray(n, float),
            first_min=self.first_min[:, None],
            floor_min=self.floor_min[:, None],
            rate=self.rate[:, None],
            head_start=self.head_start[:, None],
        )
        return curve + (self.called_away_ratio * self.delay_min)[:, None]

    def draw_total_h(
        self, n_motifs: int, *, rng: np.random.Generator, n_draws: int = 20_000, hands: int = 1
    ) -> FloatArray:
        """Hours for a new job of `n_motifs` by `hands` people who each begin afresh: (n_draws,) draws."""
        if n_motifs == 0:
            return np.zeros(n_draws)
        per_hand = -(-n_motifs // hands)
        units, counts = _blocks(per_hand)
        worked = self.mean_minutes(units) @ counts / per_hand - self.called_away_ratio * self.delay_min
        pick = rng.integers(len(self.rate), size=n_draws)
        scatter = 1 + self.noise_ratio[pick] / np.sqrt(n_motifs) * rng.standard_normal(n_draws)
        times_away = rng.poisson(n_motifs * self.called_away_ratio[pick])
        away = rng.gamma(np.maximum(times_away, 1e-9)) * self.delay_min[pick]
        return np.asarray((n_motifs * worked[pick] * scatter + away) / 60.0)


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
    A time is the curve of `minutes_of` times log-normal scatter; a share of the motifs is also interrupted, for an
    exponential time (then scatter and delay add up to an exponentially modified normal). A short trial cannot show
    where learning ends, nor every interruption, so what is allowed beforehand matters: floor 40–100 % of the first
    motif, rate 70–100 % (steeper with a head start B, exponent times √(1+B)), B from 0.1 to 15 motifs, few
    interruptions more likely than many (a mean of 1 in 20), each as long as a motif give or take a factor of 2. All
    of it is drawn from together, so what the trial leaves open stays open in the total.
    """
    times = np.asarray(minutes, float).ravel()
    usable = np.isfinite(times) & (times > 0)
    if len(times) < MIN_TIMED or not usable.all():
        raise EstimationError(
            "The timed trial cannot carry a learning curve.",
            found=f"{int(usable.sum())} usable times of {len(times)}",
            needed=f"at least {MIN_TIMED} motifs timed one by one, in minutes above 0, in the order they were made",
        )
    draws = draw_ensemble(
        lambda points: _log_density(points, times),
        _start(times, rng),
        n_steps=_N_STEPS,
        n_kept=min(-(-n_draws // _N_WALKERS), _N_STEPS // 2),
        rng=rng,
    )
    level, ratio, rate, noise, away, delay, head = draws.T
    first = np.exp(level)
    return LearningCurve(
        first_min=first,
        floor_min=first * ratio,
        rate=_steepened(rate, np.exp(head)),
        head_start=np.exp(head),
        noise_ratio=np.exp(noise),
        called_away_ratio=np.exp(away),
        delay_min=np.exp(level + delay),
        minutes=times,
        notes=(
            "A trial does not show where learning ends: a floor of 40–100 % of the first motif is allowed. Nor does "
            "it show every interruption: a few more are allowed for.",
        ),
    )


def _steepened(rate: FloatArray, head_start: FloatArray) -> FloatArray:
    return np.asarray(rate ** np.sqrt(1.0 + head_start))


def _start(times: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Walkers well inside what is allowed, their scatter about that of the trial."""
    n = _N_WALKERS
    steps = np.abs(np.diff(np.log(times)))
    scatter = float(np.clip(np.median(steps), 1.5 * _NOISES[0], 0.4))
    return np.column_stack(
        [
            np.log(np.median(times)) + scatter * rng.normal(0.0, 0.3, n),
            rng.uniform(0.45, 0.95, n),
            rng.uniform(0.75, 0.99, n),
            np.log(scatter) + rng.uniform(-0.3, 0.3, n),
            np.log(rng.uniform(0.01, 0.1, n)),
            rng.normal(0.0, 0.5, n),
            rng.uniform(-2.0, 2.0, n),
        ]
    )


def _log_density(points: FloatArray, times: FloatArray) -> FloatArray:
    """Log posterior density of (n, 7) points: log level, floor, rate, log of noise, away, delay/level, head start."""
    low = np.array([-np.inf, _FLOOR_RATIOS[0], _RATES[0], *np.log([_NOISES[0], _CALLED_AWAY[0]]), -np.inf, np.nan])
    high = np.array([np.inf, _FLOOR_RATIOS[1], _RATES[1], *np.log([_NOISES[1], _CALLED_AWAY[1]]), np.inf, np.nan])
    low[-1], high[-1] = np.log(_HEAD_STARTS)
    allowed = np.all((points >= low) & (points <= high), axis=1)
    found = np.full(len(points), -np.inf)
    if allowed.any():
        found[allowed] = _log_allowed(points[allowed], times)
    return found


def _log_allowed(points: FloatArray, times: FloatArray) -> FloatArray:
    level, ratio, rate, noise, away, delay, head = points.T[:, :, None]
    first, sd = np.exp(level), np.exp(noise)
    curve = minutes_of(
        np.arange(1, len(times) + 1),
        first_min=first,
        floor_min=first * ratio,
        rate=_steepened(rate, np.exp(head)),
        head_start=np.exp(head),
    )
    plain = np.exp(-0.5 * ((np.log(times / curve) + sd**2 / 2) / sd) ** 2) / (sd * times * np.sqrt(2 * np.pi))
    share = np.exp(away)
    both = (1 - share) * plain + share * _delayed(times - curve, sd * curve, np.exp(level + delay))
    likelihood = np.log(both + 1e-300).sum(axis=1)
    prior = points[:, 4] + (_CALLED_AWAY_FEWER) * np.log1p(-share[:, 0]) - 0.5 * (points[:, 5] / _DELAY_LOG_SD) ** 2
    return np.asarray(likelihood + prior)


def _delayed(excess: FloatArray, sd: FloatArray, mean: FloatArray) -> FloatArray:
    """Density of a normal error plus an exponential delay (exponentially modified normal distribution)."""
    u = (sd / mean - excess / sd) / np.sqrt(2.0)
    near = 0.5 / mean * np.exp(-0.5 * (excess / sd) ** 2) * erfcx(np.maximum(u, -5.0))
    far = np.exp(np.minimum(0.5 * (sd / mean) ** 2 - excess / mean, 0.0)) / mean
    return np.asarray(np.where(u > -5.0, near, far))


def _blocks(n_motifs: int) -> tuple[FloatArray, FloatArray]:
    """Unit numbers that stand for all of 1 … n, and for how many each stands: single ones first, then blocks."""
    ends = np.concatenate([np.arange(1.0, 66.0), np.geomspace(66.0, max(n_motifs, 66) + 1.0, 120)])
    edges = np.unique(np.minimum(np.round(ends), n_motifs + 1.0))
    return (edges[:-1] + edges[1:] - 1.0) / 2.0, np.diff(edges)
