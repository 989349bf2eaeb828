"""The whole adjustment of one photograph: plane, lens, camera, left-out points, and what to doubt."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.rectify.blunder import (
    MISFIT_RATE,
    LeftOut,
    chance,
    leave_one_out,
    refuse_blunders,
    suspects,
)
from fragkit.rectify.lens import Lens
from fragkit.rectify.plane import Observations, Plane, solve_plane
from fragkit.rectify.relief import Camera, find_camera, relief_covariance_mm2

FloatArray = NDArray[np.float64]

K2_PRIOR_SD = 0.03
"""Weak prior of k2 where nothing is known: what the camera's own correction leaves (common practice)."""

MIN_K2_POINTS = 14
"""With fewer points k2 is taken as 0: solving it would leave the corners too little checked."""

MAX_SD_RATIO = 0.05
"""Control that leaves its centroid uncertain by more than this share of its extent fixes no plane."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Adjusted:
    """A solved plane with its checks.

    Attributes
    ----------
    plane : Plane
        Its covariance is widened where the residuals are larger than the stated errors.
    camera : Camera
    left_out : LeftOut
    suspects : tuple of str
    notes : tuple of str
    """

    plane: Plane
    camera: Camera
    left_out: LeftOut
    suspects: tuple[str, ...]
    notes: tuple[str, ...]


def adjust(points: Observations, lens: Lens, *, flatness_mm: float = 0.0) -> Adjusted:
    """Plane and lens from control, checked point by point.

    Parameters
    ----------
    points : Observations
    lens : Lens
        The prior.
    flatness_mm : float
        Control points may stand off the plane by this much; their weight allows for it.

    Raises
    ------
    EstimationError
        Control that does not fix a plane, or a point that the others contradict.
    """
    plane = _solve(points, lens)
    if flatness_mm > 0:
        relief = relief_covariance_mm2(find_camera(plane), points.xy_mm, flatness_mm)
        points = points.spread(relief)
        plane = _solve(points, lens)
    prior = replace(lens, cov=np.diag(np.square([0, 0, 0, lens.sd[3], K2_PRIOR_SD]))) if _k2_free(plane, lens) else lens
    left_out = leave_one_out(points, prior, plane)
    refuse_blunders(points, prior, plane, left_out)
    _refuse_loose(points, plane)
    plane, misfit = _widened(plane)
    camera = find_camera(plane)
    doubtful = suspects(points, left_out)
    notes = (*lens.notes, *misfit, *_notes(points, plane, lens, camera, left_out, doubtful))
    if lens.source == "none":
        plane = replace(plane, lens=replace(plane.lens, source="solved with the plane"))
    return Adjusted(plane=plane, camera=camera, left_out=left_out, suspects=doubtful, notes=notes)


def _k2_free(plane: Plane, lens: Lens) -> bool:
    return bool(plane.lens.cov[4, 4] > 0 and lens.cov[4, 4] == 0)


def _solve(points: Observations, lens: Lens) -> Plane:
    """Solve with k2 as the lens has it; with no lens given, with k2 free if the points are many."""
    if lens.source != "none" or len(points.names) < MIN_K2_POINTS:
        return solve_plane(points, lens)
    free = replace(lens, cov=np.diag(np.square([0, 0, 0, lens.sd[3], K2_PRIOR_SD])))
    return solve_plane(points, free)


def _refuse_loose(points: Observations, plane: Plane) -> None:
    extent = float(np.linalg.norm(np.ptp(points.xy_mm, axis=0)))
    sd = float(np.sqrt(np.linalg.eigvalsh(plane.covariance_mm2(points.xy_mm.mean(axis=0)[None]))[0, 1]))
    if sd > MAX_SD_RATIO * extent:
        raise EstimationError(
            "The control points do not fix the plane.",
            found=f"an sd of {sd:.2g} mm at their centre, with control {extent:.2g} mm across",
            needed="points spread to the corners of the area, no three of four on a line",
        )


def _widened(plane: Plane) -> tuple[Plane, tuple[str, ...]]:
    """The plane, its covariance scaled to the residuals where these exceed the stated errors."""
    if chance(plane.chi2, plane.n_spare) > MISFIT_RATE:
        return plane, ()
    ratio = plane.chi2 / plane.n_spare
    note = (
        f"The residuals are {np.sqrt(ratio):.1f} times larger than the stated errors of control and picking; "
        "all errors given here are widened by that."
    )
    lens = replace(plane.lens, cov=plane.lens.cov * ratio)
    return replace(plane, cov=plane.cov * ratio, lens=lens), (note,)


def _notes(
    points: Observations,
    plane: Plane,
    prior: Lens,
    camera: Camera,
    left_out: LeftOut,
    doubtful: tuple[str, ...],
) -> list[str]:
    notes = []
    if prior.source == "none":
        k2 = f"k2 = {plane.lens.k2:.3f} ± {plane.lens.sd[4]:.3f}" if plane.lens.sd[4] else "k2 is taken as 0"
        notes.append(f"Solved with the plane: k1 = {plane.lens.k1:.3f} ± {plane.lens.sd[3]:.3f}; {k2}.")
    if camera.basis == "assumed":
        notes.append(
            "Relief is reckoned with the assumed focal length, which puts the camera "
            f"{camera.height_mm / 1000:.1f} m from the wall."
        )
    if plane.n_spare == 0:
        notes.append("Four points leave nothing over to check them: a wrong one would not be noticed.")
    elif left_out.unchecked:
        notes.append(f"Not checked by the others: {', '.join(left_out.unchecked)}; without it the plane is not fixed.")
    if doubtful:
        notes.append(f"Farther off than chance allows: {', '.join(doubtful)}; measure again.")
    return notes
