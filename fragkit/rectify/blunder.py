"""Leave-one-out residuals, and the control points that the others contradict."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from fragkit.errors import EstimationError
from fragkit.rectify.lens import Lens
from fragkit.rectify.plane import Observations, Plane, solve_plane
from fragkit.rectify.slips import MIN_SPARE_SHARE, weigh_slips

FloatArray = NDArray[np.float64]

REFUSE_RATE = 1e-5
"""Share of clean photographs that are refused for a point that the others contradict."""

MAX_RIVAL_RATIO = 20.0
"""Points whose slip is less than this many times less likely than the worst one's are named with it."""

MISFIT_RATE = 0.01
"""Share of clean photographs whose residuals are called larger than the stated errors."""

MAX_MISFIT_RATIO = 15.0
"""Residuals this many times larger than the stated errors mean wrong control, not modest errors."""

SLIP_SHARE = 0.06
"""How near a miss must come to a usual slip, as a share of itself, for that to be named."""

ROUND_SLIPS_MM = (1000.0, 500.0, 200.0, 100.0, 50.0)

MAX_SWAP_POINTS = 40


@dataclass(frozen=True, eq=False, kw_only=True)
class LeftOut:
    """What the other points say of each point.

    Attributes
    ----------
    residuals_mm : (n, 2) array or None
        Where the plane without the point puts it minus where it was measured; None if one cannot be spared.
    distances2 : (n,) array
        Squared distance in standard deviations; chi-square with 2 degrees of freedom for a good point.
    remaining_chi2 : (n,) array
        Weighted sum of squares without the point.
    evidence : (n,) array
        Log likelihood ratio of that point wrong against none, up to a constant; see `weigh_slips`.
    alarm : float
        What the largest evidence exceeds by chance on 1 % of clean photographs.
    unchecked : tuple of str
        Points without which the plane is not fixed.
    """

    residuals_mm: FloatArray | None
    distances2: FloatArray
    remaining_chi2: FloatArray
    evidence: FloatArray
    alarm: float
    unchecked: tuple[str, ...]


def chance(chi2: float, n_spare: int) -> float:
    """Probability of a larger weighted sum of squares with `n_spare` observations to spare."""
    return float(gammaincc(n_spare / 2.0, chi2 / 2.0)) if n_spare > 0 else 1.0


def leave_one_out(points: Observations, lens: Lens, plane: Plane) -> LeftOut:
    """Solve again without each point in turn.

    Parameters
    ----------
    points : Observations
    lens : Lens
        The prior with which `plane` was solved.
    plane : Plane
        The solution from all points.
    """
    n = len(points.names)
    spare = np.linalg.eigvalsh(np.eye(2) - plane.leverages(points))[:, 0]
    unchecked = np.flatnonzero(spare < MIN_SPARE_SHARE)
    residuals, distances2, remaining = np.zeros((n, 2)), np.zeros(n), np.full(n, plane.chi2)
    for i in np.setdiff1d(np.arange(n), unchecked):
        others = solve_plane(points.without(int(i)), lens, start=plane)
        residuals[i] = others.to_mm(points.xy_px[i : i + 1])[0] - points.xy_mm[i]
        distances2[i], remaining[i] = max(plane.chi2 - others.chi2, 0.0), others.chi2
    evidence, alarm = weigh_slips(plane, points, distances2)
    return LeftOut(
        residuals_mm=None if len(unchecked) else residuals,
        distances2=distances2,
        remaining_chi2=remaining,
        evidence=evidence,
        alarm=alarm,
        unchecked=tuple(points.names[i] for i in unchecked),
    )


def suspects(points: Observations, left_out: LeftOut) -> tuple[str, ...]:
    """Names of points farther from where the others put them than chance allows, worst first."""
    order = np.argsort(-left_out.evidence)
    return tuple(points.names[i] for i in order if left_out.evidence[i] > left_out.alarm)


def refuse_blunders(points: Observations, lens: Lens, plane: Plane, left_out: LeftOut) -> None:
    """Refuse control in which one point, or an exchange of two, is the evident error.

    Raises
    ------
    EstimationError
        Names the point or the pair, or says that the control contradicts itself.

    Notes
    -----
    A point is refused when leaving it out lowers the weighted sum of squares by more than chance would in
    `REFUSE_RATE` of photographs and the rest then agrees. Where leaving out another point helps nearly
    as much (a likelihood ratio under 20), both are named.
    """
    n, limit = len(points.names), -2.0 * np.log(REFUSE_RATE / len(points.names))
    if plane.n_spare <= 0 or chance(plane.chi2, plane.n_spare) > REFUSE_RATE:
        return
    worst = int(np.argmax(left_out.evidence))
    if left_out.distances2[worst] > limit and chance(left_out.remaining_chi2[worst], plane.n_spare - 2) > 1e-3:
        raise EstimationError(*_name_the_point(points, left_out, worst), needed=f"{max(n, 6)} points that agree")
    pair = _swapped_pair(points, lens, plane)
    if pair:
        raise EstimationError(
            f"Control points {pair[0]} and {pair[1]} look exchanged: swapped, all points agree.",
            found=f"residuals {np.sqrt(plane.chi2 / plane.n_spare):.0f} times the stated errors",
            needed="each point measured at the mark that was picked; swap the two rows and run again",
        )
    if plane.chi2 > MAX_MISFIT_RATIO**2 * plane.n_spare:
        raise EstimationError(
            "The control points contradict each other, and no single point explains it.",
            found=f"residuals {np.sqrt(plane.chi2 / plane.n_spare):.0f} times the stated errors",
            needed="control on one plane, each point measured at the mark that was picked, in mm",
        )


def _name_the_point(points: Observations, left_out: LeftOut, worst: int) -> tuple[str]:
    rivals = np.flatnonzero(left_out.evidence >= left_out.evidence[worst] - np.log(MAX_RIVAL_RATIO))
    if len(rivals) > 1 or left_out.residuals_mm is None:
        names = ", ".join(points.names[i] for i in rivals)
        return (f"One of the control points {names} is wrong; too few points are left to tell which.",)
    miss = left_out.residuals_mm[worst]
    return (
        f"Control point {points.names[worst]} contradicts the others: they put it "
        f"{np.hypot(*miss):.1f} mm ({np.sqrt(left_out.distances2[worst]):.0f} sd) away, "
        f"{miss[0]:+.1f} mm in x and {miss[1]:+.1f} mm in y. "
        f"{_likely_slip(points.xy_mm[worst], miss)}Measure it again, or check that it lies on the plane.",
    )


def _likely_slip(xy_mm: FloatArray, miss: FloatArray) -> str:
    """A usual slip that would explain the miss: x and y exchanged, a round number misread, a sign lost."""
    tolerance = SLIP_SHARE * float(np.hypot(*miss))
    if np.hypot(*(xy_mm[::-1] - xy_mm - miss)) < tolerance:
        return "Its x and y look exchanged. "
    for axis, name in enumerate("xy"):
        if abs(miss[1 - axis]) > tolerance:
            continue
        if abs(-2.0 * xy_mm[axis] - miss[axis]) < tolerance:
            return f"Its {name} seems to have lost its sign. "
        for slip in ROUND_SLIPS_MM:
            if abs(abs(miss[axis]) - slip) < tolerance:
                return f"Its {name} looks misread by {slip:g} mm. "
    return ""


def _swapped_pair(points: Observations, lens: Lens, plane: Plane) -> tuple[str, str] | None:
    """The one exchange of two points after which all agree, if there is one."""
    if len(points.names) > MAX_SWAP_POINTS:
        return None
    agreeing = []
    for i, j in combinations(range(len(points.names)), 2):
        try:
            chi2 = solve_plane(points.swapped(i, j), lens).chi2
        except EstimationError:  # this exchange does not even give a plane
            continue
        if chance(chi2, plane.n_spare) > 1e-3:
            agreeing.append((points.names[i], points.names[j]))
    return agreeing[0] if len(agreeing) == 1 else None
