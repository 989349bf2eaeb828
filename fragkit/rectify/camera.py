"""Cameras out of several views of known planes: bundle adjustment with one or two focal lengths and skew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from fragkit.errors import EstimationError
from fragkit.rectify.homography import fit_homography

FloatArray = NDArray[np.float64]

N_CAMERA = 7
N_POSE = 6


@dataclass(frozen=True, eq=False, kw_only=True)
class PinholeCamera:
    """A camera with radial distortion, in the terms of Zhang (2000).

    Attributes
    ----------
    fx_px, fy_px, skew_px : float
        Focal lengths along x and y, and skew.
    centre_px : (2,) array
    k1, k2 : float
        Radius in focal lengths.
    """

    fx_px: float
    fy_px: float
    skew_px: float
    centre_px: FloatArray
    k1: float
    k2: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Bundle:
    """A camera and the poses of its views.

    Attributes
    ----------
    camera : PinholeCamera
    camera_cov : (7, 7) array
        Covariance of (fx, fy, skew, centre x, y, k1, k2), scaled by the residuals and by `spread_ratio`.
    spread_ratio : float
        How much more the views disagree than independent errors of the points explain; at least 1.
    views : (v, 6) array
        Rotation vector and shift (units of the plane) of each view.
    rms_px : float
        Rms residual per coordinate.
    rms_point_px : float
        Rms distance of a point from its prediction.
    """

    camera: PinholeCamera
    camera_cov: FloatArray
    spread_ratio: float
    views: FloatArray
    rms_px: float
    rms_point_px: float


def solve_cameras(
    plane_xy: Sequence[FloatArray],
    image_px: Sequence[FloatArray],
    *,
    size_px: tuple[int, int],
    square_pixels: bool = True,
) -> Bundle:
    """Camera and poses from points of a plane seen in several views.

    Parameters
    ----------
    plane_xy, image_px : sequences of (n, 2) arrays
        Plane coordinates, y up as seen from the camera, and their pixels, y down.
    size_px : (int, int)
        Width and height of the photographs; the centre starts in their middle.
    square_pixels : bool
        One focal length and no skew; otherwise two and skew.

    Raises
    ------
    EstimationError
        Views that do not fix a focal length (all of them square on).

    Notes
    -----
    Least squares on the distances in pixels, started from a focal length out of the homographies. The
    covariance is s² (JᵀJ)⁻¹ with s² from the residuals, widened to what leaving out one view after the other
    shows: errors within a view (a bent board, terms the lens model lacks) are not independent.

    References
    ----------
    Zhang, Z. (2000) A flexible new technique for camera calibration, IEEE TPAMI 22(11), 1330–1334.
    """
    plane = [np.column_stack([xy, np.zeros(len(xy))]) for xy in plane_xy]
    observed = np.concatenate(image_px)
    free = np.array([0, 3, 4, 5, 6] if square_pixels else [0, 1, 2, 3, 4, 5, 6])
    start = _start(plane_xy, image_px, size_px)

    found = least_squares(
        lambda values: (_project(*_unpack(values, free), plane)[0] - observed).ravel(),
        start[np.r_[free, N_CAMERA : len(start)]],
        jac=lambda values: _slopes(values, free, plane),
        method="lm",
        x_scale="jac",
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    camera, poses = _unpack(found.x, free)
    sum_squares, n_spare = 2.0 * found.cost, observed.size - len(found.x)
    normals, scores = _by_view(found.jac, found.fun, [len(xy) for xy in plane_xy], len(free))
    cov_free = np.linalg.inv(normals.sum(axis=0)) * sum_squares / n_spare
    spread_ratio = _spread_ratio(normals, scores, cov_free)
    cov = np.zeros((N_CAMERA, N_CAMERA))
    cov[np.ix_(free, free)] = cov_free * spread_ratio**2
    return Bundle(
        camera=PinholeCamera(
            fx_px=camera[0],
            fy_px=camera[1],
            skew_px=camera[2],
            centre_px=camera[3:5],
            k1=camera[5],
            k2=camera[6],
        ),
        camera_cov=cov,
        spread_ratio=spread_ratio,
        views=poses,
        rms_px=float(np.sqrt(sum_squares / observed.size)),
        rms_point_px=float(np.sqrt(2.0 * sum_squares / observed.size)),
    )


def _by_view(
    jacobian: FloatArray, misfit: FloatArray, n_points: Sequence[int], n_free: int
) -> tuple[FloatArray, FloatArray]:
    """Normal matrices (v, p, p) and gradients (v, p) of the camera by view, poses eliminated."""
    normals, scores, row = [], [], 0
    for view, n in enumerate(n_points):
        rows, column = slice(row, row + 2 * n), n_free + N_POSE * view
        pose = np.linalg.qr(jacobian[rows, column : column + N_POSE])[0]
        camera = jacobian[rows, :n_free]
        camera = camera - pose @ (pose.T @ camera)
        normals.append(camera.T @ camera)
        scores.append(camera.T @ misfit[rows])
        row += 2 * n
    return np.array(normals), np.array(scores)


def _spread_ratio(normals: FloatArray, scores: FloatArray, cov: FloatArray) -> float:
    """Sd of the camera by leaving out views (linearised jackknife) over the stated sd; at least 1."""
    n_views, size = scores.shape
    if n_views < size:
        return 1.0
    changes = np.array(
        [np.linalg.solve(normals.sum(axis=0) - own, score) for own, score in zip(normals, scores, strict=True)]
    )
    jackknife = (n_views - 1) / n_views * changes.T @ changes
    return float(np.sqrt(max(1.0, np.trace(np.linalg.solve(cov, jackknife)) / size)))


def _unpack(values: FloatArray, free: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    camera = np.zeros(N_CAMERA)
    camera[free] = values[: len(free)]
    if 1 not in free:
        camera[1] = camera[0]
    return camera, values[len(free) :].reshape(-1, N_POSE)


def _project(camera: FloatArray, poses: FloatArray, plane: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Pixels (n, 2) of all points of all views, and the points (n, 3) as the camera sees them."""
    fx, fy, skew, cx, cy, k1, k2 = camera
    seen = np.concatenate([xyz @ _rotation(pose[:3]).T + pose[3:] for pose, xyz in zip(poses, plane, strict=True)])
    ideal = seen[:, :2] / seen[:, 2:]
    r2 = np.square(ideal).sum(axis=1)
    x, y = (ideal * (1.0 + r2 * (k1 + r2 * k2))[:, None]).T
    return np.column_stack([cx + fx * x + skew * y, cy + fy * y]), seen


def _slopes(values: FloatArray, free: NDArray[np.intp], plane: Sequence[FloatArray]) -> FloatArray:
    """Jacobian (2n, unknowns) of the pixels."""
    camera, poses = _unpack(values, free)
    fx, fy, skew, _, _, k1, k2 = camera
    seen = _project(camera, poses, plane)[1]
    ideal = seen[:, :2] / seen[:, 2:]
    r2 = np.square(ideal).sum(axis=1)[:, None]
    gain = 1.0 + r2 * (k1 + r2 * k2)
    bent = ideal * gain
    to_px = np.array([[fx, skew], [0.0, fy]])
    one, zero = np.ones(len(ideal)), np.zeros(len(ideal))
    by_x = np.column_stack([bent[:, 0], zero, bent[:, 1], one, zero])
    by_y = np.column_stack([zero, bent[:, 1], zero, zero, one])
    by_k = np.stack([(ideal * r2) @ to_px.T, (ideal * r2**2) @ to_px.T], axis=2)
    by_camera = np.concatenate([np.stack([by_x, by_y], axis=1), by_k], axis=2)
    if 1 not in free:
        by_camera[:, :, 0] += by_camera[:, :, 1]
    by_ideal = to_px @ (
        gain[:, :, None] * np.eye(2) + (2.0 * (k1 + 2.0 * k2 * r2))[:, :, None] * ideal[:, :, None] * ideal[:, None, :]
    )
    by_seen = np.concatenate([np.broadcast_to(np.eye(2), (len(ideal), 2, 2)), -ideal[:, :, None]], axis=2)
    by_seen = by_ideal @ by_seen / seen[:, 2][:, None, None]
    jacobian = np.zeros((len(ideal), 2, len(values)))
    jacobian[:, :, : len(free)] = by_camera[:, :, free]
    row = 0
    for view, (pose, xyz) in enumerate(zip(poses, plane, strict=True)):
        rows, column = slice(row, row + len(xyz)), len(free) + N_POSE * view
        jacobian[rows, :, column : column + 3] = by_seen[rows] @ _turn_slopes(pose[:3], xyz)
        jacobian[rows, :, column + 3 : column + 6] = by_seen[rows]
        row += len(xyz)
    return jacobian.reshape(-1, len(values))


def _turn_slopes(vector: FloatArray, xyz: FloatArray) -> FloatArray:
    """Slopes (n, 3, 3) of turned points by the rotation vector (right Jacobian of the rotation group)."""
    angle = max(float(np.linalg.norm(vector)), 1e-9)
    cross = _cross(vector)
    right = np.eye(3) - (1.0 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * cross @ cross
    swept = np.cross(right.T[None], xyz[:, None, :]) @ _rotation(vector).T
    return np.asarray(swept.transpose(0, 2, 1))


def _cross(vector: FloatArray) -> FloatArray:
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _rotation(vector: FloatArray) -> FloatArray:
    """Rotation matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    cross = _cross(vector / angle)
    return np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross


def _rotation_vector(matrix: FloatArray) -> FloatArray:
    """Rotation vector of a rotation matrix, by its quaternion."""
    diagonal = np.diag(matrix)
    sizes = np.array([1.0 + diagonal.sum(), *(1.0 + 2.0 * diagonal - diagonal.sum())])
    largest = int(np.argmax(sizes))
    skew = np.array([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]])
    quaternion = np.empty(4)
    if largest == 0:
        quaternion[0], quaternion[1:] = sizes[0], skew
    else:
        axis = largest - 1
        quaternion[0] = skew[axis]
        quaternion[1:] = matrix[axis] + matrix[:, axis]
        quaternion[largest] = sizes[largest]
    quaternion /= np.linalg.norm(quaternion) * (1.0 if quaternion[0] >= 0 else -1.0)
    size = float(np.linalg.norm(quaternion[1:]))
    return np.zeros(3) if size < 1e-15 else quaternion[1:] / size * 2.0 * np.arctan2(size, quaternion[0])


def _start(plane_xy: Sequence[FloatArray], image_px: Sequence[FloatArray], size_px: tuple[int, int]) -> FloatArray:
    """Camera (7) and poses (6 each) to start from: square pixels, centred, no distortion."""
    centre = (np.array(size_px, float) - 1.0) / 2.0
    matrices = [fit_homography(xy, px - centre) for xy, px in zip(plane_xy, image_px, strict=True)]
    shape, tilt = [], []
    for (ax, ay, aw), (bx, by, bw) in (matrix[:, :2].T for matrix in matrices):
        size = ax * ax + ay * ay + bx * bx + by * by
        shape += [(ax * bx + ay * by) / size, (ax * ax + ay * ay - bx * bx - by * by) / 2.0 / size]
        tilt += [-aw * bw / size, -(aw * aw - bw * bw) / 2.0 / size]
    inverse_f2 = float(np.dot(shape, tilt) / max(np.dot(shape, shape), 1e-300))
    if not inverse_f2 > 0:
        raise EstimationError(
            "The board photographs do not fix a focal length.",
            found="views that are all nearly square on",
            needed="views in which the board is tilted by 20 to 40 degrees, in different directions",
        )
    f_px = inverse_f2**-0.5
    poses = [_pose(matrix, f_px) for matrix in matrices]
    return np.concatenate([[f_px, f_px, 0.0, *centre, 0.0, 0.0], *poses])


def _pose(matrix: FloatArray, f_px: float) -> FloatArray:
    """Rotation vector and shift of a plane from its homography to centred pixels."""
    columns = matrix / np.array([[f_px], [f_px], [1.0]])
    first, second, shift = columns.T / np.mean(np.linalg.norm(columns[:, :2], axis=0))
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    return np.concatenate([_rotation_vector(left @ right), shift])
