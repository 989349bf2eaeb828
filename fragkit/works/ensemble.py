"""Draws from a density known up to a factor: an ensemble of walkers that stretch along each other."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_STRETCH = 2.0


def draw_ensemble(
    log_density: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    *,
    n_steps: int,
    n_kept: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Draws from `log_density` after walkers started at `start` have forgotten where they began.

    Parameters
    ----------
    log_density : callable
        Takes (n, d) points and returns (n,) logarithms, -inf where the density is 0.
    start : (n_walkers, d) array
        An even number of different points of positive density.
    n_steps, n_kept : int
        Steps of each walker, and how many of them, spread over the second half, are kept.

    Returns
    -------
    (n_kept · n_walkers, d) array

    Notes
    -----
    Each half of the ensemble moves along lines to the other half, `x' = y + z (x - y)` with z drawn from
    g(z) ∝ 1/√z on [1/2, 2], accepted with probability `min(1, z^(d-1) p(x')/p(x))`: the shape and scale of the
    density need not be known.

    References
    ----------
    Goodman, J., Weare, J. (2010) Ensemble samplers with affine invariance, Commun. Appl. Math. Comput. Sci. 5(1),
    65-80, doi:10.2140/camcos.2010.5.65.
    """
    walkers = np.array(start, float)
    n, d = walkers.shape
    if n % 2:
        raise ValueError(f"{n} walkers cannot be halved; start an even number.")
    halves = np.arange(n) < n // 2, np.arange(n) >= n // 2
    logs = log_density(walkers)
    kept = set(np.linspace(n_steps // 2, n_steps - 1, n_kept).astype(int).tolist())
    found = []
    for step in range(n_steps):
        for moving, still in (halves, halves[::-1]):
            z = ((_STRETCH - 1) * rng.random(n // 2) + 1) ** 2 / _STRETCH
            anchor = walkers[still][rng.integers(n // 2, size=n // 2)]
            proposed = anchor + z[:, None] * (walkers[moving] - anchor)
            new = log_density(proposed)
            with np.errstate(invalid="ignore"):
                taken = np.log(rng.random(n // 2)) < (d - 1) * np.log(z) + new - logs[moving]
            walkers[moving] = np.where(taken[:, None], proposed, walkers[moving])
            logs[moving] = np.where(taken, new, logs[moving])
        if step in kept:
            found.append(walkers.copy())
    return np.concatenate(found)
