"""Before anyone climbs: how good a photograph will be, and what would halve its error."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.rectify.budget import error_budget_mm
from fragkit.rectify.lens import K1_PRIOR_SD, Lens, given_lens
from fragkit.rectify.plane import Observations, solve_plane
from fragkit.rectify.relief import find_camera
from fragkit.sketch import sketch_bars

FloatArray = NDArray[np.float64]

PICKING_SD_PX = 0.5
"""Picking by eye, as a study assumes it."""

TILT_DEG = 8.0
"""Tilt about both axes of a photograph taken from where one can stand (common practice, no source)."""

FILM_DIAGONAL_MM = float(np.hypot(36.0, 24.0))

HALVED = 0.65
"""A change that brings the error below this share of itself counts as halving it."""


@dataclass(frozen=True, eq=False, kw_only=True)
class PhotoPlan:
    """What a photograph of a wall can be expected to give.

    Attributes
    ----------
    sd_mm : float
        Expected sd per coordinate over the area, all sources.
    budget : mapping of str to float
        Its parts in mm.
    mm_per_px : float
        Ground sampling in the middle.
    area_mm : (2,) tuple
        Width and height of the area that is to be measured.
    changes : mapping of str to float
        What could be done otherwise, and the sd in mm that it would give.
    notes : tuple of str
        The plan in words.
    """

    sd_mm: float
    budget: Mapping[str, float]
    mm_per_px: float
    area_mm: tuple[float, float]
    changes: Mapping[str, float]
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "budget", MappingProxyType(dict(self.budget)))
        object.__setattr__(self, "changes", MappingProxyType(dict(self.changes)))

    def __repr__(self) -> str:
        return f"PhotoPlan({self.sd_mm:.2g} mm per coordinate at {self.mm_per_px:.2g} mm per px)"

    def _repr_html_(self) -> str:
        rows = [
            ("expected", f"{self.sd_mm:.2g} mm per coordinate (one sd)"),
            *((f"from {source}", f"{sd:.2g} mm") for source, sd in self.budget.items()),
            ("sampling", f"{self.mm_per_px:.2g} mm per px"),
            *((change, f"{sd:.2g} mm") for change, sd in self.changes.items()),
        ]
        drawn = sketch_bars("What the uncertainty comes from, one sd", self.budget, unit="mm")
        return card("A photograph planned", rows, notes=self.notes, drawing=drawn)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Set:
    """One way to take the photograph."""

    lens: Lens
    distance_mm: float
    area_mm: tuple[float, float]
    n_control: int
    sd_mm: float
    flatness_mm: float
    sd_px: float = PICKING_SD_PX


def lens_35mm(f35_mm: float, *, width_px: int, height_px: int) -> Lens:
    """A lens of which only the equivalent focal length on 36 × 24 mm film is known, as phones state it.

    Notes
    -----
    Equivalence by the diagonal, as is usual (CIPA DCG-001); k1 from a weak prior, as where nothing is known.
    """
    if not f35_mm > 0:
        raise ValueError(f"f35_mm is {f35_mm}; an equivalent focal length is above 0, for phones 24 to 28 mm.")
    f_px = f35_mm / FILM_DIAGONAL_MM * float(np.hypot(width_px, height_px))
    centre = [(width_px - 1) / 2.0, (height_px - 1) / 2.0]
    lens = given_lens(f_px, centre, k1_sd=K1_PRIOR_SD)
    note = f"Focal length from {f35_mm:g} mm equivalent ({f_px:.0f} px); k1 starts from 0 ± {K1_PRIOR_SD:g}."
    return replace(lens, source="given", notes=(note,))


def plan_photograph(
    camera: Lens,
    *,
    distance_mm: float,
    flatness_mm: float = 0.0,
    n_control: int = 8,
    control_sd_mm: float = 0.5,
    area_mm: tuple[float, float] | None = None,
) -> PhotoPlan:
    """The error to expect of a photograph, and what would halve it.

    Parameters
    ----------
    camera : Lens
        From `solve_lens`, or from `lens_35mm` where only the equivalent focal length is known.
    distance_mm : float
        From the camera to the wall.
    flatness_mm : float
        How far the surface may leave its plane.
    n_control : int
        Control points, four or more, spread round the area.
    control_sd_mm : float
        How well each coordinate of a control point is measured.
    area_mm : (float, float), optional
        Width and height to be measured; default: 0.8 of what the photograph shows.

    Raises
    ------
    ValueError
        Values that make no photograph, or an area that the photograph does not show.

    Notes
    -----
    The covariance that `rectify` would state, for points in ideal places, a tilt of 8° about both axes and
    picking to 0.5 px. It is what the control can give; a blunder or a bent wall is not foreseen.
    """
    shown = _shown_mm(camera, distance_mm)
    if not (distance_mm > 0 and control_sd_mm > 0 and flatness_mm >= 0):
        raise ValueError("distance_mm and control_sd_mm must be above 0, flatness_mm 0 or more.")
    if n_control < 4:
        raise ValueError(f"n_control is {n_control}; a plane in perspective needs at least 4 control points.")
    area = area_mm or (0.8 * shown[0], 0.8 * shown[1])
    if area[0] > shown[0] or area[1] > shown[1]:
        raise ValueError(
            f"An area of {area[0]:.0f} × {area[1]:.0f} mm does not fit the photograph, which shows "
            f"{shown[0]:.0f} × {shown[1]:.0f} mm from {distance_mm:.0f} mm; stand farther away."
        )
    plan = _Set(
        lens=camera,
        distance_mm=distance_mm,
        area_mm=area,
        n_control=n_control,
        sd_mm=control_sd_mm,
        flatness_mm=flatness_mm,
    )
    budget = _budget(plan)
    total = _total(budget)
    changes = {name: _total(_budget(other)) for name, other in _changes(plan).items()}
    return PhotoPlan(
        sd_mm=total,
        budget=budget,
        mm_per_px=distance_mm / camera.f_px,
        area_mm=area,
        changes=changes,
        notes=(_in_words(total, budget, plan), _what_halves(total, changes)),
    )


def _shown_mm(lens: Lens, distance_mm: float) -> tuple[float, float]:
    """Width and height (mm) that the photograph shows; its size is twice the place of the centre."""
    width, height = 2.0 * lens.centre_px + 1.0
    return float(width * distance_mm / lens.f_px), float(height * distance_mm / lens.f_px)


def _changes(plan: _Set) -> dict[str, _Set]:
    changes = {
        "control measured twice as well": replace(plan, sd_mm=plan.sd_mm / 2.0),
        "twice as many control points": replace(plan, n_control=2 * plan.n_control),
        "marks refined to 0.1 px": replace(plan, sd_px=0.1),
        "half the distance": _nearer(plan),
    }
    if plan.lens.cov[3, 3] > 0.01**2:
        known = replace(plan.lens, cov=np.diag(np.square([0.0, 0.0, 0.0, 0.001, 0.0])))
        changes["the lens solved from ten board photographs"] = replace(plan, lens=known)
    if plan.flatness_mm > 0:
        changes["twice the distance, the same area"] = replace(plan, distance_mm=2.0 * plan.distance_mm)
    return changes


def _nearer(plan: _Set) -> _Set:
    """Half the distance; the area, where it no longer fits, in two photographs."""
    shown = _shown_mm(plan.lens, plan.distance_mm / 2.0)
    area = (min(plan.area_mm[0], 0.8 * shown[0]), min(plan.area_mm[1], 0.8 * shown[1]))
    return replace(plan, distance_mm=plan.distance_mm / 2.0, area_mm=area)


def _budget(plan: _Set) -> dict[str, float]:
    points = _ideal_points(plan)
    plane = solve_plane(points, plan.lens)
    width, height = plan.area_mm
    x, y = np.meshgrid(np.linspace(-width / 2, width / 2, 9), np.linspace(-height / 2, height / 2, 9))
    area = np.column_stack([x.ravel(), y.ravel()])
    camera = find_camera(replace(plane, lens=replace(plane.lens, source="given")))
    return error_budget_mm(plane, camera, area, flatness_mm=plan.flatness_mm)


def _ideal_points(plan: _Set) -> Observations:
    """Control round the rim of the area, first its corners, as the tilted camera sees it without error."""
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    rim = np.array([_on_rim(k, plan.n_control - 4) for k in range(plan.n_control - 4)]).reshape(-1, 2)
    xy = np.concatenate([corners, rim]) * np.array(plan.area_mm) / 2.0
    n = len(xy)
    return Observations(
        names=tuple(f"P{i + 1}" for i in range(n)),
        xy_px=_seen(plan, xy),
        xy_mm=xy,
        cov_mm2=np.tile(plan.sd_mm**2 * np.eye(2), (n, 1, 1)),
        sd_px=plan.sd_px,
    )


def _on_rim(k: int, n: int) -> tuple[float, float]:
    """Place of the k-th of n points on the sides of a square from −1 to 1, opposite sides in turn."""
    side, rank = k % 4, k // 4
    along = 2.0 * (rank + 1) / (len(range(side, n, 4)) + 1) - 1.0
    return [(along, -1.0), (along, 1.0), (-1.0, along), (1.0, along)][side]


def _seen(plan: _Set, xy_mm: FloatArray) -> FloatArray:
    c, s = np.cos(np.radians(TILT_DEG)), np.sin(np.radians(TILT_DEG))
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    about_y = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    turned = np.column_stack([xy_mm * [1.0, -1.0], np.zeros(len(xy_mm))]) @ (about_x @ about_y).T
    turned[:, 2] += plan.distance_mm
    if (turned[:, 2] <= 0).any():
        raise EstimationError(
            "The area is too wide for so near a camera.",
            found=f"{plan.area_mm[0]:.0f} mm at {plan.distance_mm:.0f} mm",
            needed="a camera farther away, or a smaller area",
        )
    return np.asarray(plan.lens.centre_px + plan.lens.f_px * turned[:, :2] / turned[:, 2:])


def _total(budget: Mapping[str, float]) -> float:
    return float(np.sqrt(sum(sd**2 for sd in budget.values())))


def _in_words(total: float, budget: Mapping[str, float], plan: _Set) -> str:
    largest = max(budget, key=lambda source: budget[source])
    parts = ", ".join(f"{source} {sd:.2g} mm" for source, sd in budget.items())
    return (
        f"From {plan.distance_mm / 1000:.2g} m with {plan.n_control} control points of {plan.sd_mm:.2g} mm, a "
        f"point on the wall will be good to about {total:.2g} mm per coordinate (one sd): {parts}. "
        f"The largest part is {largest}."
    )


def _what_halves(total: float, changes: Mapping[str, float]) -> str:
    order = sorted(changes, key=lambda change: changes[change])
    halving = [change for change in order if changes[change] < HALVED * total]
    if halving:
        listed = "; ".join(f"{change} ({changes[change]:.2g} mm)" for change in halving)
        return f"About halved by: {listed}."
    best = order[0]
    return f"No single change halves it; the best is {best} ({changes[best]:.2g} mm)."
