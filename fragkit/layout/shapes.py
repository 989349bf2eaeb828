"""Forms of the motif: the whole, and what is left of it when lobes at one side are dropped whole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
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
N_SHADOW_RINGS = 12
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
    metal = area_of(whole.outlines["metal"])
    parts = list(parts_of(metal))
    shadow = area_of(whole.outlines["shadow"])
    forms = [form for side in SIDES for form in _drop_from(side, parts, shadow, whole)]
    return tuple(sorted(forms, key=lambda form: -area_of(form.outlines["metal"]).area))


def _drop_from(side: str, parts: list[Any], shadow: Any, whole: Form) -> list[Form]:
    direction = np.array(SIDES[side])
    outermost_first = sorted(parts, key=lambda part: -float((np.asarray(part.exterior.coords) @ direction).max()))
    total = sum(part.area for part in parts)
    forms, reach = [], float((whole.bound_mm @ direction).max())
    for n_dropped in range(1, len(parts)):
        kept = shapely.union_all(outermost_first[n_dropped:])
        if kept.area < MIN_KEPT_METAL_RATIO * total:
            break
        rest = _shadow_of(kept, shadow, shapely.union_all(parts))
        outlines = {"metal": rings_of(kept), "shadow": rings_of(rest)}
        form = make_form(f"without {side} {n_dropped}", outlines)
        if float((form.bound_mm @ direction).max()) < 0.95 * reach:
            forms.append(form)
    return forms


def _shadow_of(kept: Any, shadow: Any, metal: Any) -> Any:
    if shadow.is_empty:
        return shadow
    """Shadow that lies nearer to the kept metal than to the dropped, found in rings around both."""
    dropped = metal.difference(kept)
    width = float(shapely.distance(shapely.points(shapely.get_coordinates(shadow)), metal).max())
    radii = width * (1.0 + np.arange(N_SHADOW_RINGS)) / N_SHADOW_RINGS
    nearer = shapely.union_all([kept.buffer(r).difference(dropped.buffer(r)) for r in radii])
    return shadow.intersection(nearer).difference(kept)
