"""Control as the adjustment takes it, and the refusal of control that contradicts the photograph."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.rectify.board import board_points_mm, find_board, find_coded_board
from fragkit.rectify.plane import Observations
from fragkit.rectify.tape import observe_tape
from fragkit.survey import BarControl, BoardControl, Control, PointControl, TapeControl

FloatArray = NDArray[np.float64]

BOARD_SD_MM = 0.05
"""How well a printed board keeps its squares (common practice, no source)."""

MIN_EXTENT_MM, MAX_SD_SHARE = 20.0, 0.1
"""Control smaller than this, or no larger than this many times its errors, is not in mm."""

MIN_TRIANGLE_RATIO = 0.05
"""Triangles smaller than this share of the largest are too flat to tell their orientation."""

N_TRIANGLE_POINTS = 40


def observe(pixels: NDArray[Any], control: PointControl | BoardControl | TapeControl) -> Observations:
    """The control points of a photograph, checked.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) array
        Searched when the control is a board.
    control : PointControl, BoardControl or TapeControl

    Raises
    ------
    ValueError
        Coordinates or standard deviations that are not finite numbers, or of the wrong shape.
    EstimationError
        A board that is not found, or points whose orientation contradicts the photograph.
    """
    if isinstance(control, BoardControl):
        return _board(pixels, control)
    if isinstance(control, TapeControl):
        return observe_tape(control)
    points = _points(control)
    _refuse_other_units(points)
    _refuse_mirrors(points)
    return points


def refuse_outside(control: Control, size_px: tuple[int, int]) -> None:
    """Refuse control that was picked outside the photograph, as in one that is turned the other way.

    Raises
    ------
    EstimationError
        Names the first point that lies outside, and says whether a turned photograph would explain it.
    """
    if isinstance(control, BoardControl):
        return
    xy = np.asarray(control.ends_px if isinstance(control, BarControl) else control.xy_px, float)
    names = ("first end", "second end") if isinstance(control, BarControl) else control.names
    size = np.array(size_px, float)
    outside = np.flatnonzero((np.abs(xy - (size - 1) / 2) > size / 2).any(axis=1))
    if not len(outside):
        return
    first = int(outside[0])
    fits_turned = bool((np.abs(xy - (size[::-1] - 1) / 2) <= size[::-1] / 2).all())
    turned = (
        f" All points fit a photograph of {size_px[1]} × {size_px[0]} px: they were picked in the picture "
        "turned by 90°. Pick them in the picture as it is displayed, or turn the file back."
    )
    raise EstimationError(
        f"Control point {names[first]} was picked outside the photograph." + turned * fits_turned,
        found=f"({xy[first, 0]:.0f}, {xy[first, 1]:.0f}) px in a picture of {size_px[0]} × {size_px[1]} px",
        needed="x to the right and y down from the top-left corner of the picture as displayed",
    )


def _refuse_other_units(points: Observations) -> None:
    """Refuse plane coordinates that span no more than a coin or are no larger than their own errors."""
    extent = float(np.ptp(points.xy_mm, axis=0).max())
    sd = float(np.sqrt(points.cov_mm2[:, 0, 0].max()))
    if extent >= MIN_EXTENT_MM and sd < MAX_SD_SHARE * extent:
        return
    raise EstimationError(
        "The control cannot be in millimetres.",
        found=f"control {extent:.3g} mm across with errors of {sd:.2g} mm",
        needed=f"more than {MIN_EXTENT_MM:g} mm; a wall given in metres must be multiplied by 1000: "
        "give the coordinates in mm, not m",
    )


def _board(pixels: NDArray[Any], control: BoardControl) -> Observations:
    size = {"columns": control.columns, "rows": control.rows}
    xy_mm = board_points_mm(**size, square_mm=control.square_mm)
    names = tuple(f"c{i + 1}r{j + 1}" for j in range(control.rows) for i in range(control.columns))
    if control.markers is None:
        xy_px = find_board(pixels, **size)
    else:
        seen, xy_px = find_coded_board(pixels, **size, markers=control.markers, square_mm=control.square_mm)
        xy_mm, names = xy_mm[seen], tuple(names[i] for i in seen)
    cov = np.broadcast_to(np.eye(2) * BOARD_SD_MM**2, (len(names), 2, 2))
    return Observations(names=names, xy_px=xy_px, xy_mm=xy_mm, cov_mm2=cov, sd_px=control.sd_px)


def _points(control: PointControl) -> Observations:
    xy_px, xy_mm = np.asarray(control.xy_px, float), np.asarray(control.xy_mm, float)
    sd_mm = np.broadcast_to(np.asarray(control.sd_mm, float), (len(control.names),))
    if xy_px.shape != (len(control.names), 2) or xy_mm.shape != xy_px.shape:
        raise ValueError(
            f"{len(control.names)} names, pixels of shape {xy_px.shape} and mm of shape {xy_mm.shape}; "
            "each control point needs one name, x_px, y_px, x_mm and y_mm."
        )
    for name, values in (("x_px, y_px", xy_px), ("x_mm, y_mm", xy_mm), ("sd_mm", sd_mm[:, None])):
        bad = np.flatnonzero(~np.isfinite(values).all(axis=1))
        if len(bad):
            raise ValueError(
                f"Control point {control.names[bad[0]]}: {name} is not a number; measure it or leave it out."
            )
    if not (control.sd_px > 0 and (sd_mm > 0).all()):
        raise ValueError("sd_px and sd_mm must be above 0: no point is picked or measured without error.")
    cov = sd_mm[:, None, None] ** 2 * np.eye(2)
    return Observations(names=tuple(control.names), xy_px=xy_px, xy_mm=xy_mm, cov_mm2=cov, sd_px=control.sd_px)


def _refuse_mirrors(points: Observations) -> None:
    """Refuse control whose triangles turn the other way round than in the photograph.

    Notes
    -----
    A photograph of a plane keeps the orientation of every triangle on it. Pixels run downwards and the plane
    upwards, so the signed areas of all triangles must have opposite signs.
    """
    if len(points.names) < 3:
        return
    turned = _same_turn(points)
    if not turned.any():
        return
    if turned.mean() > 0.8:
        raise EstimationError(
            f"The control is a mirror image of the photograph: {_name_the_mirror(points)}.",
            found="control points that run round the other way than in the photograph",
            needed="x to the right and y upwards in mm: look for y measured downwards, x and y exchanged, "
            "two opposite points exchanged, or a photograph that was flipped",
        )
    culprits = _explain_turns(points)
    raise EstimationError(
        "The control points contradict the photograph: some run round the other way." + culprits,
        found=f"{100 * turned.mean():.0f} % of the triangles turned over",
        needed="each point named once and measured at the mark that was picked in the photograph",
    )


def _name_the_mirror(points: Observations) -> str:
    """Which exchange of axes is the likely one, judged by where x and y run in the photograph."""
    centred_px, centred_mm = (xy - xy.mean(axis=0) for xy in (points.xy_px, points.xy_mm))
    (x_by_x, x_by_y), (y_by_x, y_by_y) = np.linalg.lstsq(centred_px, centred_mm, rcond=None)[0].T
    if abs(x_by_y) + abs(y_by_x) > abs(x_by_x) + abs(y_by_y):
        return "x and y look exchanged"
    return "y looks measured downwards" if x_by_x > 0 else "x looks measured leftwards, or the wall mirrored"


def _same_turn(points: Observations) -> NDArray[np.bool_]:
    """Of the triangles that are not too flat: whether it turns the same way in pixels (down) and mm (up)."""
    corners = np.array(list(combinations(range(min(len(points.names), N_TRIANGLE_POINTS)), 3)))
    areas = []
    for xy in (points.xy_px, points.xy_mm):
        first, second, third = xy[corners].transpose(1, 2, 0)
        (ux, uy), (vx, vy) = second - first, third - first
        area = ux * vy - uy * vx
        areas.append(area / max(float(np.abs(area).max()), 1e-300))
    solid = np.minimum(np.abs(areas[0]), np.abs(areas[1])) > MIN_TRIANGLE_RATIO
    return np.asarray((np.sign(areas[0]) == np.sign(areas[1]))[solid])


def _explain_turns(points: Observations) -> str:
    """Which exchange of two points, or which one point, would put all triangles right."""
    names, n = points.names, len(points.names)
    swaps = [
        f"{names[i]} and {names[j]}" for i, j in combinations(range(n), 2) if not _same_turn(points.swapped(i, j)).any()
    ]
    singles = [names[i] for i in range(n) if n > 4 and not _same_turn(points.without(i)).any()]
    ways = []
    if swaps and len(swaps) <= 3:
        ways.append(f"when {' or '.join(swaps)} are exchanged")
    if singles and len(singles) <= 3:
        ways.append(f"without {' or '.join(singles)}")
    return f" They agree {', or '.join(ways)}." if ways else ""
