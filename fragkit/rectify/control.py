"""Control as the adjustment takes it, and the refusal of control that contradicts the photograph."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.rectify.board import board_points_mm, find_board
from fragkit.rectify.plane import Observations
from fragkit.survey import BoardControl, Control, PointControl

FloatArray = NDArray[np.float64]

BOARD_SD_MM = 0.05
"""How well a printed board keeps its squares (common practice, no source)."""

MIN_TRIANGLE_RATIO = 0.05
"""Triangles smaller than this share of the largest are too flat to tell their orientation."""

N_TRIANGLE_POINTS = 40


def observe(pixels: NDArray[Any], control: Control) -> Observations:
    """The control points of a photograph, checked.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) array
        Searched when the control is a board.
    control : PointControl or BoardControl

    Raises
    ------
    ValueError
        Coordinates or standard deviations that are not finite numbers, or of the wrong shape.
    EstimationError
        A board that is not found, or points whose orientation contradicts the photograph.
    """
    if isinstance(control, BoardControl):
        return _board(pixels, control)
    points = _points(control)
    _refuse_mirrors(points)
    return points


def _board(pixels: NDArray[Any], control: BoardControl) -> Observations:
    xy_px = find_board(pixels, columns=control.columns, rows=control.rows)
    xy_mm = board_points_mm(columns=control.columns, rows=control.rows, square_mm=control.square_mm)
    names = tuple(f"c{i + 1}r{j + 1}" for j in range(control.rows) for i in range(control.columns))
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
    return Observations(
        names=tuple(control.names), xy_px=xy_px, xy_mm=xy_mm, cov_mm2=cov, sd_px=control.sd_px
    )


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
            "The control is a mirror image of the photograph.",
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
        f"{names[i]} and {names[j]}"
        for i, j in combinations(range(n), 2)
        if not _same_turn(points.swapped(i, j)).any()
    ]
    singles = [names[i] for i in range(n) if n > 4 and not _same_turn(points.without(i)).any()]
    if swaps and len(swaps) <= 3:
        return f" They agree when {' or '.join(swaps)} are exchanged."
    if singles and len(singles) <= 3:
        return f" They agree without {' or '.join(singles)}."
    return ""
