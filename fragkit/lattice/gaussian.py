"""Linear models with a known covariance: best estimate, its covariance, and the restricted likelihood."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, qr, solve_triangular

from fragkit.errors import EstimationError

FloatArray = NDArray[np.float64]


def least_squares(values: FloatArray, design: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Generalised least squares: parameters (p,) and their covariance (p, p).

    Parameters
    ----------
    values : (n,) array
    design : (n, p) array
    covariance : (n, n) or (n,) array
        Covariance of the values, or their variances if they are independent.

    Raises
    ------
    EstimationError
        If the design leaves a parameter undetermined.

    Notes
    -----
    The values are whitened by the Cholesky factor of the covariance and solved by QR with columns of unit
    length, which keeps ill-conditioned designs (NIST's Longley and Wampler sets) to ten digits.
    """
    white_values, white_design = _whiten(values, covariance), _whiten(design, covariance)
    length = np.linalg.norm(white_design, axis=0)
    if not np.all(length > 0):
        raise EstimationError("A parameter has no influence on the data.", needed="a column that is not zero")
    q, r = qr(white_design / length, mode="economic")
    if np.abs(np.diag(r)).min() < 1e-13:
        raise EstimationError("The sites do not determine all parameters.", needed="sites that are not on one line")
    inverse = solve_triangular(r, np.eye(len(length))) / length[:, None]
    return inverse @ (q.T @ white_values), inverse @ inverse.T


def _whiten(array: FloatArray, covariance: FloatArray) -> FloatArray:
    if covariance.ndim == 1:
        return (array.T / np.sqrt(covariance)).T
    return solve_triangular(np.linalg.cholesky(covariance), array, lower=True)


def restricted_log_likelihood(values: FloatArray, design: FloatArray, covariance: FloatArray) -> float:
    """Log likelihood of a covariance with the parameters of the design integrated out under a flat prior.

    Parameters
    ----------
    values : (n,) array
    design : (n, p) array
    covariance : (n, n) array

    Notes
    -----
    −½ [(n − p) ln 2π + ln|V| + ln|XᵀV⁻¹X| − ln|XᵀX| + (y − Xβ̂)ᵀV⁻¹(y − Xβ̂)], the REML criterion; it does
    not change when the design is written in another basis.

    References
    ----------
    Harville, D. A. (1974) Biometrika 61, 383–385, doi:10.1093/biomet/61.2.383.
    """
    factor = cho_factor(covariance, lower=True)
    solved = cho_solve(factor, np.column_stack([values, design]))
    information = design.T @ solved[:, 1:]
    projected = design.T @ solved[:, 0]
    quadratic = values @ solved[:, 0] - projected @ np.linalg.solve(information, projected)
    log_dets = 2.0 * np.log(np.diag(factor[0])).sum() + np.linalg.slogdet(information)[1]
    log_dets -= np.linalg.slogdet(design.T @ design)[1]
    n_free = len(values) - design.shape[1]
    return float(-0.5 * (n_free * np.log(2.0 * np.pi) + log_dets + quadratic))


def free_contrasts(design: FloatArray) -> FloatArray:
    """Orthonormal contrasts (n, n − p) that no parameter of the design can reach."""
    rank = design.shape[1]
    return qr(design)[0][:, rank:]
