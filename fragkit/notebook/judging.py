"""What marked points are worth: the plane they fix, what is left over at each, and the error budget in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.rectify import Lens, Plane, Solved, solve
from fragkit.rectify.blunder import LeftOut, leave_one_out
from fragkit.rectify.control import observe, refuse_outside
from fragkit.rectify.lens import assumed_lens
from fragkit.rectify.plane import Observations, solve_plane
from fragkit.survey import PointControl, TapeControl
from fragkit.survey.marked import MarkedPoint, TapedDistance
from fragkit.units import decimals_for

FloatArray = NDArray[np.float64]

FEWEST_POINTS = 4
LONGEST_LINE_RATIO = 0.06
"""The largest residual is drawn no longer than this share of the photograph's longer side."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Judgement:
    """What the control says of itself.

    Attributes
    ----------
    names : tuple of str
        Points that took part.
    offsets_px : (n, 2) array
        Where the plane puts the measured place of each, minus where it was picked; empty before there is a plane.
    residuals_mm : (n, 2) array
        Where the picked pixel falls on the plane minus what was measured.
    sd_mm : float or None
        Error of a place in the picture, per coordinate.
    worst : str or None
        The point that the others contradict most; None where nothing checks them.
    magnified : int
        How many times the residuals are drawn their size.
    words : tuple of str
    """

    names: tuple[str, ...]
    offsets_px: FloatArray
    residuals_mm: FloatArray
    sd_mm: float | None
    worst: str | None
    magnified: int
    words: tuple[str, ...]

    def plain(self) -> dict[str, Any]:
        """The same as plain values for the browser."""
        residuals = [
            {"name": name, "dx_px": float(dx), "dy_px": float(dy), "mm": float(np.hypot(*mm))}
            for name, (dx, dy), mm in zip(self.names, self.offsets_px, self.residuals_mm, strict=False)
        ]
        return {
            "residuals": residuals,
            "worst": self.worst or "",
            "magnified": self.magnified,
            "lines": list(self.words),
        }


def control_by_points(points: Sequence[MarkedPoint], *, sd_px: float) -> PointControl:
    """The points that are measured, as control."""
    measured = [point for point in points if point.is_measured]
    return PointControl(
        names=tuple(point.name for point in measured),
        xy_px=_array([(point.x_px, point.y_px) for point in measured]),
        xy_mm=_array([(point.x_mm, point.y_mm) for point in measured]),
        sd_mm=np.array([point.sd_mm for point in measured], float),
        sd_px=sd_px,
    )


def control_by_tape(points: Sequence[MarkedPoint], distances: Sequence[TapedDistance], *, sd_px: float) -> TapeControl:
    """All points and the distances between them, as control.

    Raises
    ------
    ValueError
        A distance to a point that is not marked.
    """
    number = {point.name: k for k, point in enumerate(points)}
    unknown = sorted({end for taped in distances for end in (taped.start, taped.end)} - set(number))
    if unknown:
        raise ValueError(f"No point is marked {', '.join(unknown)}: mark it, or correct the name in the distances.")
    pairs = [(number[taped.start], number[taped.end]) for taped in distances]
    return TapeControl(
        names=tuple(number),
        xy_px=_array([(point.x_px, point.y_px) for point in points]),
        pairs=np.array(pairs, np.int64).reshape(-1, 2),
        distance_mm=np.array([taped.distance_mm for taped in distances], float),
        sd_mm=np.array([taped.sd_mm for taped in distances], float),
        sd_px=sd_px,
    )


def judge(
    control: PointControl | TapeControl, *, size_px: tuple[int, int], lens: Lens | None, flatness_mm: float
) -> Judgement:
    """The plane that the control fixes, judged without making the picture.

    Parameters
    ----------
    control : PointControl or TapeControl
    size_px : (int, int)
        Width and height of the photograph.
    lens : Lens or None
    flatness_mm : float

    Notes
    -----
    The same solution and the same budget as `fragkit.rectify.rectify` gives. What cannot be solved is said in
    words, with the worst point where the points suffice to tell it.
    """
    if len(control.names) < FEWEST_POINTS:
        return unsolved(control.names, (_too_few(len(control.names), control),))
    try:
        return _solved(solve(control, size_px=size_px, lens=lens, flatness_mm=flatness_mm), size_px)
    except (EstimationError, ValueError) as error:
        return _refused(control, lens or assumed_lens(*size_px), size_px, str(error))


def _solved(solved: Solved, size_px: tuple[int, int]) -> Judgement:
    points, fit = solved.points, solved.fit
    headline = (
        f"Good to {solved.sd_mm:.{decimals_for(solved.sd_mm)}f} mm per coordinate (one sd), "
        f"from {len(points.names)} points."
    )
    words = (headline, *points.notes, *solved.notes, *fit.notes)
    return _judgement(points, fit.plane, fit.left_out, size_px=size_px, words=words, sd_mm=solved.sd_mm)


def _refused(control: PointControl | TapeControl, lens: Lens, size_px: tuple[int, int], why: str) -> Judgement:
    """What is left over although the control is refused, so that the culprit can be seen on the picture."""
    try:
        refuse_outside(control, size_px)
        points = observe(np.empty((0, 0)), control)
        plane = solve_plane(points, lens)
        left_out = leave_one_out(points, lens, plane)
    except (EstimationError, ValueError):
        return unsolved(control.names, (why,))
    words = (f"Not usable yet. {why}", *points.notes)
    return _judgement(points, plane, left_out, size_px=size_px, words=words, sd_mm=None)


def _judgement(
    points: Observations,
    plane: Plane,
    left_out: LeftOut,
    *,
    size_px: tuple[int, int],
    words: tuple[str, ...],
    sd_mm: float | None,
) -> Judgement:
    """What is left over; the worst point is named after the first of the words."""
    offsets = plane.to_px(points.xy_mm) - points.xy_px
    residuals = plane.to_mm(points.xy_px) - points.xy_mm
    is_checked = plane.n_spare > 0 and len(left_out.unchecked) < len(points.names)
    worst = int(np.argmax(left_out.distances2)) if is_checked else None
    magnified = _magnification(offsets, size_px)
    about_worst = []
    if worst is not None:
        about_worst = [
            _worst_words(points.names[worst], residuals[worst], left_out, worst),
            f"The line at each point, drawn {magnified} times its length, ends where the plane puts what was measured.",
        ]
    return Judgement(
        names=points.names,
        offsets_px=offsets,
        residuals_mm=residuals,
        sd_mm=sd_mm,
        worst=None if worst is None else points.names[worst],
        magnified=magnified,
        words=(words[0], *about_worst, *words[1:]),
    )


def _worst_words(name: str, residual_mm: FloatArray, left_out: LeftOut, worst: int) -> str:
    text = f"Worst point, each against its own error: {name}, {np.hypot(*residual_mm):.2f} mm from what was measured"
    if left_out.residuals_mm is not None:
        away, n_sd = np.hypot(*left_out.residuals_mm[worst]), np.sqrt(left_out.distances2[worst])
        text += f"; the others alone put it {away:.2f} mm ({n_sd:.1f} sd) away"
    return f"{text}."


def _magnification(offsets_px: FloatArray, size_px: tuple[int, int]) -> int:
    """1, 2, 5, 10 … so that the largest offset stays within its share of the picture."""
    limit = LONGEST_LINE_RATIO * max(size_px) / max(float(np.hypot(*offsets_px.T).max()), 1e-3)
    steps = [digit * 10**power for power in range(4) for digit in (1, 2, 5)]
    return max([step for step in steps if step <= limit], default=1)


def _too_few(n: int, control: PointControl | TapeControl) -> str:
    what = "marked" if isinstance(control, TapeControl) else "measured"
    return f"{n} of at least {FEWEST_POINTS} points {what}; 6 to 8 well spread ones give a check."


def unsolved(names: tuple[str, ...], words: tuple[str, ...]) -> Judgement:
    """No plane yet, and why."""
    nothing = np.empty((0, 2))
    return Judgement(
        names=names, offsets_px=nothing, residuals_mm=nothing, sd_mm=None, worst=None, magnified=1, words=words
    )


def _array(pairs: Sequence[tuple[float | None, float | None]]) -> FloatArray:
    return np.array(pairs, float).reshape(-1, 2)
