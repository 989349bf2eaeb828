"""Forms of the motif: the whole, and what is left of it when lobes at one side are dropped whole."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.results import Outlines
from fragkit.motifs.parts import area_of, parts_of, rings_of

FloatArray = NDArray[np.float64]

WHOLE = "whole"
N_DIRECTIONS = 24
GUARD_MM = 1e-3
"""Outlines are held this much further inside, so that rounding never puts one outside."""

HAIR_MM = 1e-6
"""Keeps a motif that just fits on the inner side of its inset, whatever the rounding."""

SIDES: Mapping[str, tuple[float, float]] = {
    "left": (-1.0, 0.0),
    "right": (1.0, 0.0),
    "bottom": (0.0, -1.0),
    "top": (0.0, 1.0),
}
EDGE_POINTS_MM = 0.3
"""Spacing of the points along the outlines whose cells share out the shadow."""

ASTRAY_MM = 1e-3
"""How far these points are moved at random: four on one circle, as in a mirrored form, have no clean cells."""

MIN_KEPT_METAL_RATIO = 0.5
"""A form that keeps less of the metal than this is no longer the motif; an assumption."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Form:
    """One form of the motif: its outlines by layer, and a convex polygon (m, 2) that holds all of them."""

    name: str
    outlines: Outlines
    bound_mm: FloatArray

    @cached_property
    def metal_mm2(self) -> float:
        """Area of the metal at scale 1."""
        return float(area_of(self.outlines["metal"]).area)

    def reach_mm(self) -> tuple[float, float]:
        """How far the form reaches from its centre, across and up or down, at most, and a hair (1e-6 mm) more."""
        reach = np.abs(self.bound_mm).max(axis=0) + HAIR_MM
        return float(reach[0]), float(reach[1])


def bounding_polygon(points_mm: FloatArray) -> FloatArray:
    """Convex polygon (m, 2) around points (n, 2) with at most 24 sides, `GUARD_MM` outside them.

    Notes
    -----
    The intersection of the half-planes x·u ≤ max x·u for 24 directions u: never smaller than the convex
    hull, and exact for an upright rectangle. Few sides keep the insets of the wall cheap.
    """
    angles = 2.0 * np.pi * np.arange(N_DIRECTIONS) / N_DIRECTIONS
    u = np.column_stack([np.cos(angles), np.sin(angles)])
    support = (points_mm @ u.T).max(axis=0) + GUARD_MM
    v, next_support = np.roll(u, -1, axis=0), np.roll(support, -1)
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    corners = np.column_stack([support * v[:, 1] - next_support * u[:, 1], next_support * u[:, 0] - support * v[:, 0]])
    hull = shapely.convex_hull(shapely.multipoints(corners / det[:, None]))
    return np.asarray(hull.exterior.coords)[:-1]


def make_form(name: str, outlines: Outlines) -> Form:
    """A form from its outlines by layer.

    Raises
    ------
    ValueError
        If there is no metal outline, or an outline has fewer than three points.
    """
    metal, shadow = tuple(outlines.get("metal", ())), tuple(outlines.get("shadow", ()))
    if not metal:
        raise ValueError(f"The form {name!r} has no metal outline; a motif needs at least one to be laid out.")
    rings = [np.asarray(ring, float) for ring in (*metal, *shadow)]
    short = [len(ring) for ring in rings if ring.ndim != 2 or len(ring) < 3]
    if short:
        raise ValueError(f"An outline of the form {name!r} has {short[0]} points; an outline needs three or more.")
    return Form(name=name, outlines={"metal": metal, "shadow": shadow}, bound_mm=bounding_polygon(np.vstack(rings)))


def reshaped_forms(whole: Form) -> tuple[Form, ...]:
    """Forms with metal parts of one side dropped whole, mildest first.

    Notes
    -----
    Parts are dropped from a side one after the other, outermost first, while at least half of the metal is
    kept. The shadow that lies nearer to the metal that stays is kept with it. A motif of a single metal part
    has no such forms.
    """
    parts = parts_of(area_of(whole.outlines["metal"]))
    shadow, cells = area_of(whole.outlines["shadow"]), _cells(parts)
    forms = [form for side in SIDES for form in _drop_from(side, parts, cells, shadow, whole)]
    return tuple(sorted(forms, key=lambda form: -form.metal_mm2))


def _drop_from(side: str, parts: Sequence[Any], cells: Sequence[Any], shadow: Any, whole: Form) -> Iterator[Form]:
    direction = np.array(SIDES[side])
    reach = [float((np.asarray(part.exterior.coords) @ direction).max()) for part in parts]
    innermost_first = sorted(range(len(parts)), key=lambda k: reach[k])
    total = sum(part.area for part in parts)
    cells_kept = list(accumulate((cells[k] for k in innermost_first), shapely.union))
    for n_dropped in range(1, len(parts)):
        kept = innermost_first[: len(parts) - n_dropped]
        metal = shapely.multipolygons([parts[k] for k in kept])
        if metal.area < MIN_KEPT_METAL_RATIO * total:
            return
        nearer = shadow.intersection(cells_kept[len(kept) - 1]).difference(metal)
        form = make_form(f"without {side} {n_dropped}", {"metal": rings_of(metal), "shadow": rings_of(nearer)})
        if float((form.bound_mm @ direction).max()) < 0.95 * float((whole.bound_mm @ direction).max()):
            yield form


def _cells(parts: Sequence[Any]) -> list[Any]:
    """Of each part, all that lies nearer to it than to the others: the Voronoi cells of points along its outline."""
    rings = [np.asarray(shapely.segmentize(part.exterior, EDGE_POINTS_MM).coords)[:-1] for part in parts]
    reach = shapely.box(*shapely.total_bounds(list(parts))).buffer(np.ptp(np.vstack(rings)))
    points = np.vstack(rings) + np.random.default_rng(0).uniform(-ASTRAY_MM, ASTRAY_MM, (sum(map(len, rings)), 2))
    cells = shapely.voronoi_polygons(shapely.multipoints(points), extend_to=reach, ordered=True)
    starts = np.cumsum([len(ring) for ring in rings])[:-1]
    return [shapely.union_all(own) for own in np.split(shapely.get_parts(cells), starts)]
