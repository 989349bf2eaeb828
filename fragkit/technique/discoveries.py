"""Many tests at once: which findings to keep so that few of them are false."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

TAIL_SHARE = 0.1
LEAST_BEYOND = 10
FURTHEST = 10.0
"""A tail is not believed below one chance in so many times the simulated values."""


def false_discoveries(p_values: Sequence[float] | NDArray[np.float64], *, rate: float = 0.05) -> NDArray[np.bool_]:
    """Which of the findings (n,) stand when at most a share `rate` of them may be false.

    Parameters
    ----------
    p_values : (n,) array
    rate : float

    Notes
    -----
    The k smallest p-values stand, for the largest k with p₍ₖ₎ ≤ k · rate / n. Holds for independent tests and for
    tests that go together.

    References
    ----------
    Benjamini, Y., Hochberg, Y. (1995) J. R. Statist. Soc. B 57, 289–300.
    """
    p = np.asarray(p_values, float)
    if p.ndim != 1 or np.any((p < 0.0) | (p > 1.0)) or np.isnan(p).any():
        raise ValueError(f"p_values must be a list of numbers from 0 to 1; got shape {p.shape}")
    if not 0.0 < rate < 1.0:
        raise ValueError(f"rate is {rate}; it must lie between 0 and 1")
    ordered = np.sort(p)
    passing = np.flatnonzero(ordered <= rate * np.arange(1, len(p) + 1) / max(len(p), 1))
    return np.asarray(p <= ordered[passing[-1]]) if len(passing) else np.zeros(len(p), bool)


def tail_chance(real: float, simulated: NDArray[np.float64]) -> float:
    """Chance of a value as high as `real` among simulated log ratios (k,), read off their tail where few reach it.

    Notes
    -----
    With ten or more beyond, their share. Else the highest tenth is taken as exponential, as the tail of a log
    likelihood ratio is; k values alone could not tell a chance below 1/k, which a search over many places needs.

    References
    ----------
    Knijnenburg, T. A. et al. (2009) Bioinformatics 25, i161–i168, doi:10.1093/bioinformatics/btp211.
    """
    beyond = int(np.sum(simulated >= real))
    n_tail = int(TAIL_SHARE * len(simulated))
    if beyond >= LEAST_BEYOND or n_tail < LEAST_BEYOND:
        return (1.0 + beyond) / (1.0 + len(simulated))
    ordered = np.sort(simulated)
    start = float(ordered[-n_tail - 1])
    mean = max(float(np.mean(ordered[-n_tail:])) - start, 1e-12)
    chance = n_tail / len(simulated) * np.exp(-max(real - start, 0.0) / mean)
    return float(max(chance, 1.0 / (FURTHEST * len(simulated))))
