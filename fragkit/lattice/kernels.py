"""How much of a placing error one site shares with another: unit covariances, one coordinate at a time.

`placing` builds its processes from these; `fit_lattice` averages over them, so that the net's error bar holds
whichever way the motifs were placed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


def walk_kernel(sites: IntArray, *, along: str, start_ratio: float = 1.0) -> FloatArray:
    """Covariance (n, n) of positions stepped off from the neighbour, for steps of unit variance.

    Parameters
    ----------
    sites : (n, 2) int array
        Column and row of each site; missing sites are simply not listed.
    along : {"rows", "columns"}
        The direction of stepping. Every line starts afresh, at the lowest number present.
    start_ratio : float
        Standard deviation of a line's first site, in steps.

    Notes
    -----
    cov(i, i′) = start² + min(i, i′) within one line, 0 between lines.
    """
    if along not in ("rows", "columns"):
        raise ValueError(f'along is {along!r}; it must be "rows" or "columns"')
    running, line = np.asarray(sites).T[:: 1 if along == "rows" else -1]
    steps = running - running.min()
    return (line[:, None] == line) * (start_ratio**2 + np.minimum.outer(steps, steps))


def group_numbers(
    sites: IntArray, *, columns: int, rows: int, phase: tuple[int, int] = (0, 0)
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Number of the group (n,) and of the seat within it (n,) for groups of `columns` × `rows` motifs."""
    if columns < 1 or rows < 1:
        raise ValueError(f"a group of {columns} × {rows} motifs is impossible; both must be at least 1")
    shifted = np.asarray(sites) + np.asarray(phase)
    size = np.array([columns, rows])
    group, seat = np.divmod(shifted, size)
    numbers = np.unique(group, axis=0, return_inverse=True)[1].reshape(-1)
    return numbers, seat[:, 0] + columns * seat[:, 1]


def shared_kernel(numbers: NDArray[Any]) -> FloatArray:
    """Covariance (n, n) of an error of unit variance shared by all sites with the same number."""
    return (numbers[:, None] == numbers).astype(float)


def smooth_kernel(position_mm: FloatArray, *, correlation_mm: float) -> FloatArray:
    """Covariance (n, n) of a smooth error of unit variance: exp(−Δ²/2ℓ²) at distance Δ along one axis."""
    if not correlation_mm > 0:
        raise ValueError(f"correlation_mm is {correlation_mm}; it must be above 0")
    gap = np.subtract.outer(position_mm, position_mm) / correlation_mm
    return np.exp(-0.5 * gap**2)


def stretch_kernel(position_mm: FloatArray, *, correlation_mm: float) -> FloatArray:
    """Covariance (n, n) in mm² of ∫ε dy, for a stretch ε of unit variance with correlation exp(−Δ²/2ℓ²).

    Notes
    -----
    ℓ² [g(y/ℓ) + g(y′/ℓ) − g((y − y′)/ℓ)] with g(t) = t √(π/2) erf(t/√2) + exp(−t²/2) − 1, counted from the
    lowest site; a net absorbs where it is counted from.
    """
    if not correlation_mm > 0:
        raise ValueError(f"correlation_mm is {correlation_mm}; it must be above 0")
    along = (position_mm - np.min(position_mm)) / correlation_mm

    def g(t: FloatArray) -> FloatArray:
        return np.asarray(t * np.sqrt(np.pi / 2.0) * erf(t / np.sqrt(2.0)) + np.exp(-0.5 * t**2) - 1.0)

    return correlation_mm**2 * (g(along)[:, None] + g(along) - g(np.subtract.outer(along, along)))
