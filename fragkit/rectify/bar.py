"""A scale bar alone: a frontal view is assumed, and what that may be wrong by is carried along."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.rectify.adjust import Adjusted
from fragkit.rectify.blunder import LeftOut
from fragkit.rectify.homography import normaliser
from fragkit.rectify.lens import Lens, undistort
from fragkit.rectify.plane import N_PLANE, Observations, Plane
from fragkit.rectify.relief import find_camera
from fragkit.survey import BarControl

FloatArray = NDArray[np.float64]

TILT_SD_DEG = 3.0
"""How far a view that is meant to be frontal is tilted, about either axis (common practice, no source)."""

F_SD_RATIO = 0.15
"""How far the assumed focal length may be off (24 to 35 mm equivalent)."""

MIN_BAR_PX = 50.0


def adjust_bar(control: BarControl, lens: Lens, *, tilt_sd_deg: float = TILT_SD_DEG) -> tuple[Observations, Adjusted]:
    """The plane under a scale bar seen square on, its unmeasured tilt in the covariance.

    Parameters
    ----------
    control : BarControl
    lens : Lens
        Its focal length carries the correction for the bar's stand-off from the wall.
    tilt_sd_deg : float
        How far the view may be tilted, about either axis.

    Returns
    -------
    Observations, Adjusted
        The two ends, and the plane. Frame: the foot of the first end is (0, 0), x runs as the rows of the
        photograph, y up.

    Raises
    ------
    ValueError, EstimationError
        Values that are no bar; a bar too short in the picture.

    Notes
    -----
    A bar at distance H − h from the camera and a wall at H: mm per px of the wall is that of the bar plus
    h / f. Tilt about both axes (0 ± 3°), focal length, distortion, length, stand-off and picking go through
    numerical slopes of the exact perspective of a tilted wall.
    """
    _check(control)
    values, cov = _values(control, lens), _prior_cov(control, lens, tilt_sd_deg)
    size_mm = control.length_mm * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    to_unit = normaliser(size_mm)
    from_unit = np.array([[lens.f_px, 0, lens.centre_px[0]], [0, lens.f_px, lens.centre_px[1]], [0, 0, 1.0]])

    def unknowns(at: FloatArray) -> FloatArray:
        unit = np.linalg.inv(from_unit) @ _wall(at, lens) @ np.linalg.inv(to_unit)
        return np.concatenate([(unit / unit[2, 2]).ravel()[:N_PLANE], at[6:11]])

    steps = 1e-3 * np.where(np.diag(cov) > 0, np.sqrt(np.diag(cov)), 0.0)
    slope = np.zeros((N_PLANE + 5, len(values)))
    for k in np.flatnonzero(steps):
        step = steps[k] * np.eye(len(values))[k]
        slope[:, k] = (unknowns(values + step) - unknowns(values - step)) / (2.0 * steps[k])
    joint = slope @ cov @ slope.T
    plane = Plane(
        unit_homography=np.append(unknowns(values)[:N_PLANE], 1.0).reshape(3, 3),
        to_unit=to_unit,
        from_unit=from_unit,
        lens=replace(lens, cov=joint[N_PLANE:, N_PLANE:]),
        cov=joint,
        chi2=0.0,
        n_spare=0,
    )
    return _observed(control, plane), _as_adjusted(plane, _notes(control, lens, values))


def _observed(control: BarControl, plane: Plane) -> Observations:
    ends = np.asarray(control.ends_px, float)
    return Observations(
        names=("first end", "second end"),
        xy_px=ends,
        xy_mm=plane.to_mm(ends),
        cov_mm2=np.tile(control.length_sd_mm**2 / 2.0 * np.eye(2), (2, 1, 1)),
        sd_px=control.sd_px,
    )


def _as_adjusted(plane: Plane, notes: tuple[str, ...]) -> Adjusted:
    nothing = LeftOut(
        residuals_mm=None,
        distances2=np.zeros(2),
        remaining_chi2=np.zeros(2),
        evidence=np.full(2, -np.inf),
        alarm=np.inf,
        unchecked=("first end", "second end"),
    )
    camera = find_camera(replace(plane, lens=replace(plane.lens, source="given")))
    basis = "assumed" if plane.lens.source == "none" else "lens"
    camera = replace(camera, basis=basis)
    return Adjusted(plane=plane, camera=camera, left_out=nothing, suspects=(), notes=notes)


def _check(control: BarControl) -> None:
    if not control.length_mm > 0:
        raise ValueError(f"length_mm is {control.length_mm}; the length of a bar is above 0.")
    ends = np.asarray(control.ends_px, float)
    if ends.shape != (2, 2) or not np.isfinite(ends).all():
        raise ValueError(f"ends_px has shape {ends.shape}; give [[x, y], [x, y]], the two ends of the bar.")
    length_px = float(np.hypot(*(ends[1] - ends[0])))
    if length_px < MIN_BAR_PX:
        raise EstimationError(
            "The scale bar is too short in the picture to carry a scale.",
            found=f"{length_px:.0f} px",
            needed=f"{MIN_BAR_PX:.0f} px or more between its ends",
        )


def _values(control: BarControl, lens: Lens) -> FloatArray:
    """Ends in px, length, stand-off, the lens's five numbers, and two tilts in radians."""
    ends = np.asarray(control.ends_px, float).ravel()
    numbers = [lens.f_px, *lens.centre_px, lens.k1, lens.k2]
    return np.array([*ends, control.length_mm, control.stand_off_mm, *numbers, 0.0, 0.0])


def _prior_cov(control: BarControl, lens: Lens, tilt_sd_deg: float) -> FloatArray:
    picked = [control.sd_px**2] * 4
    bar = [control.length_sd_mm**2, control.stand_off_sd_mm**2]
    cov = np.diag([*picked, *bar, *np.zeros(5), *[np.radians(tilt_sd_deg) ** 2] * 2])
    cov[6:11, 6:11] = lens.cov
    if lens.source == "none":
        cov[6, 6] = (F_SD_RATIO * lens.f_px) ** 2
    return cov


def _wall(values: FloatArray, lens: Lens) -> FloatArray:
    """Homography (3, 3) from the wall in mm to ideal pixels, for given tilts."""
    f_px, x, y, k1, k2 = values[6:11]
    length_mm, stand_off_mm, (about_x, about_y) = values[4], values[5], values[11:13]
    lens = replace(lens, f_px=f_px, centre_px=np.array([x, y]), k1=k1, k2=k2)
    rays = np.column_stack([(undistort(lens, values[:4].reshape(2, 2)) - [x, y]) / f_px, [1.0, 1.0]])
    normal = np.array([np.sin(about_y), -np.sin(about_x) * np.cos(about_y), np.cos(about_x) * np.cos(about_y)])
    at_unit = rays / (rays @ normal)[:, None]
    to_bar_mm = length_mm / np.linalg.norm(at_unit[1] - at_unit[0])
    origin = to_bar_mm * at_unit[0] + stand_off_mm * normal
    across = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
    across = across / np.linalg.norm(across)
    up = np.cross(across, normal)
    camera = np.array([[f_px, 0, x], [0, f_px, y], [0, 0, 1.0]])
    return np.asarray(camera @ np.column_stack([across, up, origin]))


def _notes(control: BarControl, lens: Lens, values: FloatArray) -> tuple[str, ...]:
    height = _wall(values, lens)[2, 2]
    notes = [
        "Perspective is unmeasured: a scale bar alone does not tell how the camera was tilted. The view is "
        f"taken as frontal within {TILT_SD_DEG:g}° (one sd) about both axes, and all errors allow for that; "
        "four marked points or taped distances would measure it."
    ]
    if control.stand_off_mm or control.stand_off_sd_mm:
        share = 100.0 * control.stand_off_mm / height
        notes.append(
            f"The bar stands {control.stand_off_mm:g} mm off the wall, the camera {height / 1000:.2g} m: "
            f"lengths on the wall are {share:.1f} % larger than by the bar alone."
        )
    if lens.source == "none":
        notes.append("The focal length behind that distance is assumed; give the lens to make it sure.")
    return tuple(notes)
