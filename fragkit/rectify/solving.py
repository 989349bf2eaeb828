"""The plane that control fixes, and what it is worth, before any picture is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.rectify.adjust import Adjusted, adjust
from fragkit.rectify.bar import adjust_bar
from fragkit.rectify.budget import TILT, budget_notes, error_budget_mm
from fragkit.rectify.control import observe, refuse_outside
from fragkit.rectify.lens import Lens, assumed_lens
from fragkit.rectify.plane import Observations
from fragkit.rectify.resample import Box, grid, in_polygon, natural_area_mm, seen, stretched_hull
from fragkit.survey import BarControl, BoardControl, Control

FloatArray = NDArray[np.float64]

POINTS_REACH, BOARD_REACH = 1.25, 5.0
"""How far beyond the control the picture may reach: the hull of the points, or of the board, times this."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Solved:
    """The plane of a photograph and its errors.

    Attributes
    ----------
    points : Observations
        The control as observed.
    fit : Adjusted
        Plane and lens, camera, suspects.
    hull_mm : (m, 2) array
        How far the picture may reach.
    area_mm : (x0, y0, x1, y1)
        What the photograph shows of it, or as asked.
    probes_mm : (n, 2) array
        Places over the area for which the budget stands.
    budget : mapping of str to float
        Sd in mm per coordinate of each source of error.
    notes : tuple of str
    """

    points: Observations
    fit: Adjusted
    hull_mm: FloatArray
    area_mm: Box
    probes_mm: FloatArray
    budget: Mapping[str, float]
    notes: tuple[str, ...]

    @property
    def sd_mm(self) -> float:
        """All sources together."""
        return float(np.sqrt(sum(sd**2 for sd in self.budget.values())))


def solve(
    control: Control,
    *,
    size_px: tuple[int, int],
    pixels: NDArray[Any] | None = None,
    lens: Lens | None = None,
    flatness_mm: float = 0.0,
    area_mm: Box | None = None,
) -> Solved:
    """Plane, lens and error budget from the control of a photograph.

    Parameters
    ----------
    control : PointControl, BoardControl, TapeControl or BarControl
    size_px : (int, int)
        Width and height of the photograph.
    pixels : (h, w, 3) array, optional
        The photograph, in which a board is looked for; other control needs none.
    lens, flatness_mm, area_mm
        As in `fragkit.rectify.rectify`.

    Raises
    ------
    EstimationError
        Control that does not fix the plane or contradicts the photograph or itself; the point is named.
    ValueError
        A flatness below 0, or an area that the control does not reach or the photograph does not show.
    """
    if not flatness_mm >= 0:
        raise ValueError(f"flatness_mm is {flatness_mm}; it is a distance of 0 or more.")
    refuse_outside(control, size_px)
    points, fit, reach = _adjusted(pixels, control, lens or assumed_lens(*size_px), flatness_mm)
    hull = _reached_hull(points, fit, size_px, reach)
    area = natural_area_mm(fit.plane, hull, size_px) if area_mm is None else _within_reach(area_mm, hull, reach)
    probes = grid(area)
    probes = probes[seen(fit.plane, probes, size_px) & in_polygon(probes, hull)]
    if not len(probes):
        raise ValueError(f"area_mm {area_mm} lies outside the photograph; choose an area that it shows.")
    budget = error_budget_mm(fit.plane, fit.camera, probes, flatness_mm=flatness_mm)
    if isinstance(control, BarControl):
        budget = _with_tilt(budget, control, fit, probes)
    notes = budget_notes(budget, fit.plane, points, probes, flatness_mm=flatness_mm, reach=reach)
    return Solved(
        points=points, fit=fit, hull_mm=hull, area_mm=area, probes_mm=probes, budget=budget, notes=tuple(notes)
    )


def _adjusted(
    pixels: NDArray[Any] | None, control: Control, lens: Lens, flatness_mm: float
) -> tuple[Observations, Adjusted, float]:
    """Control as observed, the plane, and how far beyond the control the picture may reach."""
    if isinstance(control, BarControl):
        return *adjust_bar(control, lens), 1.0
    points = observe(np.empty((0, 0)) if pixels is None else pixels, control)
    reach = BOARD_REACH if isinstance(control, BoardControl) else POINTS_REACH
    return points, adjust(points, lens, flatness_mm=flatness_mm), reach


def _reached_hull(points: Observations, fit: Adjusted, size_px: tuple[int, int], reach: float) -> FloatArray:
    """Hull of the control, stretched; of the photograph's corners where two ends of a bar are all there is."""
    if len(points.names) > 2:
        return stretched_hull(points.xy_mm, factor=reach)
    right, bottom = size_px[0] - 1.0, size_px[1] - 1.0
    corners = fit.plane.to_mm(np.array([[0.0, 0.0], [right, 0.0], [right, bottom], [0.0, bottom]]))
    return stretched_hull(corners, factor=1.0)


def _with_tilt(budget: dict[str, float], control: BarControl, fit: Adjusted, probes: FloatArray) -> dict[str, float]:
    """The budget of a scale bar with the share of the unmeasured tilt set apart."""
    level = adjust_bar(control, fit.plane.lens, tilt_sd_deg=0.0)[1]
    known = error_budget_mm(level.plane, level.camera, probes, flatness_mm=0.0)
    whole, part = budget["control and picking"], known["control and picking"]
    return {**budget, "control and picking": part, TILT: float(np.sqrt(max(whole**2 - part**2, 0.0)))}


def _within_reach(area_mm: Box, hull: FloatArray, reach: float) -> Box:
    x0, y0, x1, y1 = (float(value) for value in area_mm)
    low, high = hull.min(axis=0), hull.max(axis=0)
    if not (x0 < x1 and y0 < y1):
        raise ValueError(f"area_mm {area_mm} is empty; give (x0, y0, x1, y1) with x0 < x1 and y0 < y1.")
    if x0 < low[0] or y0 < low[1] or x1 > high[0] or y1 > high[1]:
        raise ValueError(
            f"area_mm {area_mm} reaches beyond {reach:g} × the extent of the control "
            f"({low[0]:.0f}, {low[1]:.0f}, {high[0]:.0f}, {high[1]:.0f}); "
            "set control farther out or choose less."
        )
    return x0, y0, x1, y1
