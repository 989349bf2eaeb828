"""Propagation of distributions: draw every input, run the model once on all draws, read off the spread."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fragkit.frozen import frozen_array
from fragkit.units import interval

FloatArray = NDArray[np.float64]

_Z95_ONE_SIDED = 1.6448536269514722


class Distribution(Protocol):
    """Anything that can be drawn from."""

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """`n` draws."""
        ...


@dataclass(frozen=True)
class Normal:
    """A normal quantity: JCGM 101:2008, 6.4.7."""

    mean: float
    sd: float

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        return rng.normal(self.mean, self.sd, n)


@dataclass(frozen=True)
class Rectangular:
    """Anywhere between two limits: JCGM 101:2008, 6.4.2."""

    low: float
    high: float

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        return rng.uniform(self.low, self.high, n)


@dataclass(frozen=True)
class PositiveRange:
    """A positive quantity of which one part in twenty lies below `p05` and one above `p95` (log-normal)."""

    p05: float
    p95: float

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        middle = (np.log(self.p05) + np.log(self.p95)) / 2
        return np.exp(rng.normal(middle, (np.log(self.p95) - middle) / _Z95_ONE_SIDED, n))


@dataclass(frozen=True, eq=False)
class Drawn:
    """Draws made elsewhere, drawn again with replacement."""

    values: FloatArray

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        return rng.choice(np.asarray(self.values, float), n)


@dataclass(frozen=True, eq=False, kw_only=True)
class Spread:
    """What a calculated quantity may turn out to be.

    Attributes
    ----------
    p05, p50, p95 : float
        One in twenty below, the middle, one in twenty above.
    mean, sd : float
    interval : (2,) array
        95 %, equal tails.
    drivers : tuple of (str, float)
        Inputs ranked by their share of the spread (squared rank correlation, scaled to sum to 1).
    unit : str
    """

    p05: float
    p50: float
    p95: float
    mean: float
    sd: float
    interval: FloatArray
    drivers: tuple[tuple[str, float], ...] = ()
    unit: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "interval", frozen_array(self.interval, float))

    def scaled(self, factor: float, unit: str) -> Spread:
        """The spread of `factor` times the quantity, in another unit; `factor` must be above 0."""
        return Spread(
            p05=factor * self.p05,
            p50=factor * self.p50,
            p95=factor * self.p95,
            mean=factor * self.mean,
            sd=factor * self.sd,
            interval=factor * self.interval,
            drivers=self.drivers,
            unit=unit,
        )

    def __str__(self) -> str:
        return interval((self.p05, self.p95), self.unit)

    def __repr__(self) -> str:
        return f"Spread({self.p05:.4g} / {self.p50:.4g} / {self.p95:.4g} {self.unit})"


def propagate(
    model: Callable[..., FloatArray],
    inputs: Mapping[str, Distribution],
    *,
    rng: np.random.Generator,
    n_draws: int = 20_000,
    unit: str = "",
) -> Spread:
    """Spread of `model(**inputs)`.

    Parameters
    ----------
    model : callable
        Takes one array of draws per input, by name, and returns an array.
    inputs : mapping of str to Distribution
        Independent inputs.
    n_draws : int
        With 20,000 draws a 5 % point is itself good to about 0.015 sd of the result.

    Notes
    -----
    Equal-tailed interval from the ordered draws (JCGM 101:2008, 7.7); the rank correlations are only
    a ranking: they miss an input that acts up and down alike.

    References
    ----------
    JCGM 101:2008, Propagation of distributions using a Monte Carlo method, clauses 7 and 9.
    """
    draws = draw_inputs(inputs, rng=rng, n_draws=n_draws)
    return spread_of(np.asarray(model(**draws), float), draws, unit=unit)


def draw_inputs(inputs: Mapping[str, Distribution], *, rng: np.random.Generator, n_draws: int) -> dict[str, FloatArray]:
    """One array of draws for each input."""
    return {name: distribution.draw(rng, n_draws) for name, distribution in inputs.items()}


def spread_of(values: FloatArray, draws: Mapping[str, FloatArray] | None = None, *, unit: str = "") -> Spread:
    """Spread of draws of a result, and which of the inputs' draws drive it."""
    low, p05, p50, p95, high = np.quantile(values, [0.025, 0.05, 0.5, 0.95, 0.975])
    return Spread(
        p05=float(p05),
        p50=float(p50),
        p95=float(p95),
        mean=float(values.mean()),
        sd=float(values.std(ddof=1)) if len(values) > 1 else 0.0,
        interval=np.array([low, high]),
        drivers=_drivers(draws or {}, values),
        unit=unit,
    )


def _drivers(draws: Mapping[str, FloatArray], values: FloatArray) -> tuple[tuple[str, float], ...]:
    moving = {name: draw for name, draw in draws.items() if np.ptp(draw) > 0}
    if not moving or np.ptp(values) == 0:
        return ()
    ranks = _ranks(values)
    squared = {name: float(np.corrcoef(_ranks(draw), ranks)[0, 1] ** 2) for name, draw in moving.items()}
    total = sum(squared.values())
    return tuple(sorted(((n, s / total) for n, s in squared.items()), key=lambda pair: -pair[1]))


def _ranks(values: FloatArray) -> FloatArray:
    """Rank of each value from 1; equal values share the mean of theirs."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(count) - 0.5 * (count - 1.0))[place])
