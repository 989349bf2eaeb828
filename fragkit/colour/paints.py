"""The nearest paints, and how surely: intervals of CIEDE2000 and the chance that a paint is the nearest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from fragkit.colour.difference import delta_e00

FloatArray = NDArray[np.float64]
Paint = tuple[str, tuple[float, float, float]]

N_DRAWS = 1024
N_HALVINGS = 24
N_NEAREST = 3


def nearest_paints(lab: ArrayLike, lab_cov: ArrayLike, paints: Sequence[Paint]) -> tuple[tuple[str, float, float], ...]:
    """At most three paints as (name, ΔE00, sd of ΔE00), nearest first.

    Parameters
    ----------
    lab : (3,) array
    lab_cov : (3, 3) array
        Its covariance.
    paints : sequence of (name, (L, a, b))

    Notes
    -----
    The sd is propagated linearly (central differences of 0.01). Below about one sd a difference is not told
    apart from none, since a difference is never negative: `difference_interval` holds there too.
    """
    rows = []
    for name, paint in paints:
        step = 0.01 * np.eye(3)
        slope = (delta_e00(np.asarray(lab) + step, paint) - delta_e00(np.asarray(lab) - step, paint)) / 0.02
        rows.append((name, float(delta_e00(lab, paint)), float(np.sqrt(slope @ np.asarray(lab_cov) @ slope))))
    return tuple(sorted(rows, key=lambda row: row[1])[:N_NEAREST])


def nearest_chances(lab: ArrayLike, lab_cov: ArrayLike, paints: Sequence[Paint]) -> dict[str, float]:
    """How probable it is of each paint that it is the nearest of the list, the true colour being uncertain."""
    draws = np.asarray(lab, float) + _errors(np.asarray(lab_cov, float))
    away = np.array([delta_e00(draws, paint) for _, paint in paints])
    wins = np.bincount(away.argmin(axis=0), minlength=len(paints)) / len(draws)
    return {name: float(share) for (name, _), share in zip(paints, wins, strict=True)}


def difference_interval(lab: ArrayLike, other: ArrayLike, lab_cov: ArrayLike) -> tuple[float, float]:
    """95 % interval of the true ΔE00 between a measured colour and another, from 0 where they may be the same.

    Parameters
    ----------
    lab, other : (3,) arrays
    lab_cov : (3, 3) array
        Covariance of their difference.

    Notes
    -----
    A difference is never negative, and its estimate is too large where it is small. So the interval holds the
    differences, along the line from one colour to the other, whose estimates would not be odd beside the
    one found: a test turned round, with normal errors.
    """
    first, second = np.asarray(lab, float), np.asarray(other, float)
    found, errors = float(delta_e00(first, second)), _errors(np.asarray(lab_cov, float))
    line = first - second
    if np.linalg.norm(line) < 1e-9:
        line = np.array([1e-3, 0.0, 0.0])

    def share_above(scale: float) -> float:
        return float(np.mean(delta_e00(second + scale * line + errors, second) >= found))

    far = 1.0 + 8.0 * float(np.abs(errors).max()) / float(np.linalg.norm(line))
    low = 0.0 if share_above(0.0) >= 0.025 else _scale_where(share_above, 0.025, 0.0, far)
    high = _scale_where(share_above, 0.975, 0.0, far)
    return tuple(float(delta_e00(second + scale * line, second)) for scale in (low, high))  # type: ignore[return-value]


def _errors(cov: FloatArray) -> FloatArray:
    """Draws (n, 3) of mean 0 and covariance `cov`, always the same."""
    value, vector = np.linalg.eigh(cov)
    draws = scipy.stats.qmc.MultivariateNormalQMC(np.zeros(3), rng=np.random.default_rng(0)).random(N_DRAWS)
    return np.asarray((draws * np.sqrt(np.maximum(value, 0.0))) @ vector.T)


def _scale_where(share_above, wanted: float, low: float, high: float) -> float:  # type: ignore[no-untyped-def]
    """Where a rising share reaches `wanted`, by halving."""
    for _ in range(N_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if share_above(middle) < wanted else (low, middle)
    return (low + high) / 2.0
