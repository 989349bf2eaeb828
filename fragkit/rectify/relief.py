"""The camera behind a homography, and how far relief moves a point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.rectify.plane import N_PLANE, Plane

FloatArray = NDArray[np.float64]

MAX_F_SD_RATIO = 0.1
"""A focal length out of one homography is used for the camera only when its relative sd is below this."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Camera:
    """Where the photograph was taken from.

    Attributes
    ----------
    foot_mm : (2,) array
        Foot of the perpendicular from the camera onto the plane.
    height_mm : float
        Distance of the camera from the plane.
    f_px : float
    basis : str
        Where the focal length comes from: "lens", "plane" or "assumed".
    """

    foot_mm: FloatArray
    height_mm: float
    f_px: float
    basis: str


def relief_shift_mm(off_axis_mm: ArrayLike, relief_mm: ArrayLike, height_mm: float) -> FloatArray:
    """Outward shift in the plane of points that stand `relief_mm` before it.

    Notes
    -----
    d = r h / (H − h): similar triangles at the camera.
    """
    relief = np.asarray(relief_mm, float)
    return np.asarray(np.asarray(off_axis_mm, float) * relief / (height_mm - relief))


def relief_sd_mm(flatness_mm: float) -> float:
    """Sd of a surface that may leave its plane by up to ± `flatness_mm`, evenly distributed."""
    return flatness_mm / np.sqrt(3.0)


def relief_covariance_mm2(camera: Camera, xy_mm: FloatArray, flatness_mm: float) -> FloatArray:
    """Covariance (n, 2, 2) in mm² that relief adds at plane points (n, 2): radial from the foot only."""
    lever = (xy_mm - camera.foot_mm) / camera.height_mm
    return np.asarray(relief_sd_mm(flatness_mm) ** 2 * lever[:, :, None] * lever[:, None, :])


def find_camera(plane: Plane) -> Camera:
    """The camera of a solved plane.

    Notes
    -----
    With a lens from boards or given, its focal length is used. Otherwise the two constraints that a
    homography puts on the focal length are used if they fix it to `MAX_F_SD_RATIO`, else the assumed one: a
    frontal view says nothing about it.

    References
    ----------
    Zhang, Z. (2000) A flexible new technique for camera calibration, IEEE TPAMI 22(11), section 2.3.
    """
    f_px, basis = plane.lens.f_px, "lens"
    if plane.lens.source in ("none", "solved with the plane"):
        found = focal_length_px(plane)
        f_px, basis = (found[0], "plane") if found and found[1] < MAX_F_SD_RATIO * found[0] else (f_px, "assumed")
    columns = _centred(plane) / np.array([[f_px], [f_px], [1.0]])
    columns = columns / np.mean(np.linalg.norm(columns[:, :2], axis=0))
    first, second, shift = columns.T
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    place = -(left @ right).T @ shift
    return Camera(foot_mm=place[:2], height_mm=abs(float(place[2])), f_px=f_px, basis=basis)


def focal_length_px(plane: Plane) -> tuple[float, float] | None:
    """Focal length and its sd out of one homography; None when the view cannot carry it."""
    value = _inverse_f2(_centred(plane))
    if value <= 0:
        return None
    slope = np.zeros(N_PLANE)
    for k in range(N_PLANE):
        step = np.zeros(9)
        step[k] = 1e-6
        slope[k] = (_inverse_f2(_centred(plane, step)) - _inverse_f2(_centred(plane, -step))) / 2e-6
    sd = float(np.sqrt(slope @ plane.cov[:N_PLANE, :N_PLANE] @ slope))
    return value**-0.5, 0.5 * sd * value**-1.5


def _centred(plane: Plane, step: FloatArray | None = None) -> FloatArray:
    """Homography from mm to ideal pixels about the centre of the lens; w positive at the points."""
    unit = plane.unit_homography + (0.0 if step is None else step.reshape(3, 3))
    shift = np.eye(3)
    shift[:2, 2] = -plane.lens.centre_px
    return shift @ plane.from_unit @ unit @ plane.to_unit


def _inverse_f2(columns: FloatArray) -> float:
    """1/f² by least squares from the two columns being perpendicular and of one length."""
    (ax, ay, aw), (bx, by, bw) = columns[:, 0], columns[:, 1]
    shape = np.array([ax * bx + ay * by, (ax * ax + ay * ay - bx * bx - by * by) / 2.0])
    tilt = -np.array([aw * bw, (aw * aw - bw * bw) / 2.0])
    return float(shape @ tilt / max(float(shape @ shape), 1e-300))
