"""Small corrections of the copies' centres against the consensus of their own half."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.mixture import METAL, SHADOW

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PATCH_MM = 1.5
"""Outline residuals are correlated over about this length: so many pixels count as one."""
REACH_SD = 3.0
HALVES_LIMIT_MM = 0.5


def corrections(own: Float32Array, cov_mm2: FloatArray, *, mm_per_px: float, half: NDArray[np.bool_]) -> FloatArray:
    """Shifts (n, 2) in mm, x right and y up, to be added to the copies' centres.

    Parameters
    ----------
    own : (3, n, h, w) array
        Probabilities of metal, shadow, ground in each copy, less than 1 in sum where it is damaged.
    cov_mm2 : (n, 2, 2) array
        Covariance of the centres: the prior of each shift, and, three deviations wide, its limit.
    half : (n,) bool array
        Which copies form the first half. Each half is aligned to its own mean only.

    Notes
    -----
    One Gauss-Newton step per copy on the difference between its metal and shadow and the mean of its half.
    No search beyond the given covariance, and halves that never see each other: what both show is in the
    fragment and not made by the alignment (the "Einstein from noise" trap, arXiv:2407.05277).
    """
    shifts = np.zeros((own.shape[1], 2))
    for members in (half, ~half):
        if members.sum() >= 2:
            shifts[members] = _towards_mean(own[:, members], cov_mm2[members], mm_per_px)
    if half.any() and not half.all():
        onto = _onto(own, ~half, half, mm_per_px)
        shifts[~half] += np.clip(onto, -HALVES_LIMIT_MM, HALVES_LIMIT_MM)
    return shifts


def picture_shifts(own: Float32Array, picture: NDArray[np.int64], *, mm_per_px: float, limit_mm: float) -> FloatArray:
    """One shift (n, 2) in mm for all copies of a picture, so that the pictures mean the same point of the motif.

    Parameters
    ----------
    own : (3, n, h, w) array
        As in `corrections`.
    picture : (n,) int array
        Number of each copy's picture.
    limit_mm : float
        The longest shift of one call, per axis.

    Notes
    -----
    The same Gauss-Newton step as between halves, of the mean copy of a picture onto the mean of all others.
    A picture with fewer than three copies stays where it is. The shifts of all copies have zero mean.
    """
    shifts = np.zeros((own.shape[1], 2))
    for number in np.unique(picture):
        members = picture == number
        if 3 <= members.sum() < len(members):
            shifts[members] = np.clip(_onto(own, members, ~members, mm_per_px), -limit_mm, limit_mm)
    return shifts - shifts.mean(axis=0)


def _towards_mean(own: Float32Array, cov_mm2: FloatArray, mm_per_px: float) -> FloatArray:
    mean = own.sum(1) / np.maximum(own.sum((0, 1)), 0.5)
    slopes = [np.gradient(mean[k], mm_per_px) for k in (METAL, SHADOW)]
    edge = sum(gy**2 + gx**2 for gy, gx in slopes) > 0.02
    seen, shown = own.sum(0), own[:, :, edge]
    whole = seen[:, edge]
    difference = [shown[k] - whole * mean[k][edge] for k in (METAL, SHADOW)]
    variance = np.mean([d**2 for d in difference]) * (PATCH_MM / mm_per_px) ** 2 / 2.0 + 1e-9
    slope = np.array([[gx[edge], -gy[edge]] for gy, gx in slopes])
    normal = (
        np.linalg.inv(cov_mm2) + np.tensordot(whole, (slope[:, :, None] * slope[:, None]).sum(0), (1, 2)) / variance
    )
    pull = -sum(d @ s.T for d, s in zip(difference, slope, strict=True)) / variance
    shifts = np.linalg.solve(normal, pull[..., None])[..., 0]
    limit = REACH_SD * np.sqrt(np.einsum("nii->ni", cov_mm2))
    shifts = np.clip(shifts, -limit, limit)
    return shifts - shifts.mean(axis=0)


def _onto(own: Float32Array, moved: NDArray[np.bool_], kept: NDArray[np.bool_], mm_per_px: float) -> FloatArray:
    """The one shift (2,) in mm of the mean of the copies `moved` onto the mean of those `kept`."""
    first, second = (own[:, m].sum(1) / np.maximum(own[:, m].sum((0, 1)), 0.5) for m in (kept, moved))
    normal, pull = 1e-9 * np.eye(2), np.zeros(2)
    for k in (METAL, SHADOW):
        gy, gx = np.gradient((first[k] + second[k]) / 2.0, mm_per_px)
        slope = np.stack([gx.ravel(), -gy.ravel()])
        normal += slope @ slope.T
        pull -= slope @ (second[k] - first[k]).ravel()
    return np.asarray(np.linalg.solve(normal, pull))
