"""How strongly a photograph says that one of its control points slipped."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from fragkit.rectify.plane import Observations, Plane

FloatArray = NDArray[np.float64]

SMALLEST_SLIP_SD, USUAL_SLIP_SD = 7.0, 100.0
"""A slip is a mistake and no large error: from seven to some hundred times the point's own error."""

ALARM_RATE = 0.01
"""Share of clean photographs on which some point is called doubtful."""

N_CLEAN = 3000
"""Clean photographs drawn to find what chance alone reaches."""

MIN_SPARE_SHARE = 1e-3
"""A point that others check with less than this share of its own weight counts as unchecked."""


def weigh_slips(plane: Plane, points: Observations, distances2: FloatArray) -> tuple[FloatArray, float]:
    """Evidence (n,) that each point slipped, and what its largest exceeds on 1 % of clean photographs.

    Parameters
    ----------
    plane : Plane
        The solution from all points.
    points : Observations
    distances2 : (n,) array
        By how much the weighted sum of squares drops without each point, found by solving again.

    Returns
    -------
    (n,) array, float
        Natural logarithm of the likelihood with that point wrong (in x, in y or in both, by an unknown
        amount) over that with none wrong, up to a constant; minus infinity where nothing checks the point.

    Notes
    -----
    With whitened residuals e, their cofactor M and the whitened slopes S of a point's coordinates, b = Sᵀe
    holds all that the photograph says of its slip, and F = SᵀMS how well. Slips are taken as even in their
    size beyond `SMALLEST_SLIP_SD` own errors. That floor gives power at the corners of the control: F is
    small there, and smaller slips, which chance imitates, are not looked for. The limit comes from clean
    photographs drawn for this very control.

    References
    ----------
    Baarda, W. (1968) A Testing Procedure for Use in Geodetic Networks, Netherlands Geodetic Commission (b
    and F; the test by the largest b²/F is what remains without a floor).
    """
    residual, cofactor, slopes = plane.whitened_slips(points)
    normal = slopes.T @ cofactor @ slopes
    own, blocks = _blocks(slopes.T @ slopes), _blocks(normal)
    to_own = np.linalg.inv(np.linalg.cholesky(own))
    unchecked = np.linalg.eigvalsh(to_own @ blocks @ to_own.transpose(0, 2, 1))[:, 0] < MIN_SPARE_SHARE
    if unchecked.all():
        return np.full(len(blocks), -np.inf), np.inf
    upward = (slopes.T @ residual.ravel()).reshape(-1, 2)
    linear = np.einsum("ni,nij,nj->n", upward, np.linalg.pinv(blocks), upward)
    upward = upward * np.sqrt(distances2 / np.maximum(linear, 1e-300))[:, None]
    evidence = np.where(unchecked, -np.inf, _evidence(upward[None], blocks, own)[0])
    clean = _evidence(_clean(normal), blocks, own)[:, ~unchecked].max(axis=1)
    return evidence, float(np.quantile(clean, 1.0 - ALARM_RATE))


def _blocks(matrix: FloatArray) -> FloatArray:
    """The 2 × 2 blocks (n, 2, 2) on the diagonal of a matrix (2n, 2n)."""
    n = len(matrix) // 2
    return matrix.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n), :]


def _clean(normal: FloatArray) -> FloatArray:
    """What b (k, n, 2) is without any slip; the same draws for the same control, whenever it is asked."""
    values, vectors = np.linalg.eigh(normal)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = np.random.default_rng(0).standard_normal((N_CLEAN, len(normal)))
    return (drawn @ root.T).reshape(N_CLEAN, -1, 2)


def _evidence(upward: FloatArray, blocks: FloatArray, own: FloatArray) -> FloatArray:
    """Evidence (k, n) from b (k, n, 2) and F (n, 2, 2): one coordinate or both wrong, in halves."""
    to_own = np.linalg.inv(np.linalg.cholesky(own))
    both = _of_both(np.einsum("nij,knj->kni", to_own, upward), to_own @ blocks @ to_own.transpose(0, 2, 1))
    weight = np.sqrt(np.diagonal(own, axis1=1, axis2=2))
    one = _of_one(upward / weight, np.diagonal(blocks, axis1=1, axis2=2) / weight**2)
    return np.asarray(np.logaddexp(both, np.logaddexp(one[..., 0], one[..., 1]) - np.log(2.0)))


def _of_both(upward: FloatArray, blocks: FloatArray) -> FloatArray:
    """Evidence (k, n) of a slip in any direction, in units of the point's own error."""
    inverse = np.linalg.inv(blocks + np.eye(2) / USUAL_SLIP_SD**2)
    slip = np.einsum("nij,knj->kni", inverse, upward)
    size = np.maximum(np.hypot(slip[..., 0], slip[..., 1]), 1e-12)
    sd = np.sqrt(np.einsum("kni,nij,knj->kn", slip, inverse, slip)) / size
    log_density = np.log(np.linalg.det(inverse)) / 2.0 - np.log(np.maximum(size, SMALLEST_SLIP_SD))
    drop = np.einsum("kni,kni->kn", slip, upward)
    return np.asarray(drop / 2.0 + log_density + log_ndtr((size - SMALLEST_SLIP_SD) / np.maximum(sd, 1e-12)))


def _of_one(upward: FloatArray, information: FloatArray) -> FloatArray:
    """Evidence (k, n, 2) of a slip in x alone and in y alone, in units of the point's own error."""
    variance = 1.0 / (information + USUAL_SLIP_SD**-2.0)
    size, sd = np.abs(upward) * variance, np.sqrt(variance)
    log_density = np.log(sd) + np.log(2.0 * np.pi) / 2.0 - np.log(2.0)
    return np.asarray(upward**2 * variance / 2.0 + log_density + log_ndtr((size - SMALLEST_SLIP_SD) / sd))
