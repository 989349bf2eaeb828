"""Plane to plane by a 3 × 3 matrix: the direct linear fit, its use and its local slope."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.errors import EstimationError

FloatArray = NDArray[np.float64]

MIN_THICKNESS_RATIO = 0.02
"""Points whose scatter across is less than this share of the scatter along count as lying on a line."""


def normaliser(xy: FloatArray) -> FloatArray:
    """Similarity (3, 3) that brings points (n, 2) to centroid 0 and mean distance √2.

    References
    ----------
    Hartley, R. (1997) In defense of the eight-point algorithm, IEEE TPAMI 19(6), 580–593.
    """
    centre = xy.mean(axis=0)
    scale = np.sqrt(2.0) / max(float(np.hypot(*(xy - centre).T).mean()), 1e-300)
    return np.array([[scale, 0.0, -scale * centre[0]], [0.0, scale, -scale * centre[1]], [0.0, 0.0, 1.0]])


def fit_homography(xy_from: FloatArray, xy_to: FloatArray) -> FloatArray:
    """Homography (3, 3) from four or more pairs of points by the normalised direct linear transform.

    Parameters
    ----------
    xy_from, xy_to : (n, 2) arrays
        Any units.

    Returns
    -------
    (3, 3) array
        Scaled so that its last entry is 1 at the centroid of `xy_from`; positive `w` is then the side of
        the horizon on which the points lie.

    Raises
    ------
    EstimationError
        Fewer than four points, or points that lie on one line (three of four on a line included).
    """
    _refuse_lines(xy_from)
    _refuse_lines(xy_to)
    from_unit, to_unit = normaliser(xy_from), normaliser(xy_to)
    x, y = apply_homography(from_unit, xy_from).T
    u, v = apply_homography(to_unit, xy_to).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    _, singular, right = np.linalg.svd(rows)
    unit = right[8].reshape(3, 3)
    if singular[7] < 1e-3 * singular[0] or abs(np.linalg.det(unit)) < 1e-6 * np.linalg.norm(unit) ** 3:
        raise EstimationError(
            "The control points do not fix a plane: all but one of them lie on one line.",
            found=f"{len(x)} points of which too many share a line",
            needed="four points of which no three share a line, near the corners of the area",
        )
    matrix = np.linalg.inv(to_unit) @ unit @ from_unit
    return matrix / (matrix[2] @ [*xy_from.mean(axis=0), 1.0])


def _refuse_lines(xy: FloatArray) -> None:
    if len(xy) < 4:
        raise EstimationError(
            "A plane in perspective needs at least four control points.",
            found=f"{len(xy)} points",
            needed="4 points, better 6 to 8, spread to the corners of the area",
        )
    along, across = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    if across < MIN_THICKNESS_RATIO * along:
        raise EstimationError(
            "The control points lie on one line, so the plane can turn about it.",
            found=f"a scatter across the line of {100 * across / max(along, 1e-300):.1f} % of that along it",
            needed=f"at least {100 * MIN_THICKNESS_RATIO:.0f} %, better points near the corners of the area",
        )


def apply_homography(matrix: FloatArray, xy: ArrayLike) -> FloatArray:
    """Points (n, 2) mapped by a homography (3, 3)."""
    mapped = np.asarray(xy, float) @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def slopes(matrix: FloatArray, xy: FloatArray) -> FloatArray:
    """Local Jacobians (n, 2, 2), d(to) / d(from), of a homography at points (n, 2)."""
    w = xy @ matrix[2, :2] + matrix[2, 2]
    mapped = apply_homography(matrix, xy)
    return np.asarray((matrix[None, :2, :2] - mapped[:, :, None] * matrix[2, :2]) / w[:, None, None])
