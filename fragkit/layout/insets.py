"""The free wall, and the places where a motif's centre may lie so that all of the motif stays inside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from fragkit.layout.scanning import Rings, rings_of
from fragkit.layout.shapes import Form
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

ON_OUTLINE_MM = 5.0
"""An edge line within this of the outline or of an opening is that boundary, not a line across the wall."""
CIRCLE_SEGMENTS = 8
N_REMEMBERED = 32
ROUND_BUFFER_RATIO = 1.01
"""A circle drawn with 8 segments a quarter is 0.5 % too small; a buffer that must hold all of it is made larger."""


def free_area(wall: WallEntry) -> Any:
    """The wall's outline less its clearance, its openings with theirs, and edge lines that cross it.

    Raises
    ------
    ValueError
        If the outline is no simple polygon, or nothing is left of the wall.
    """
    outline = Polygon(wall.outline_mm)
    if not outline.is_valid or outline.area <= 0:
        raise ValueError(
            f"The outline of wall {wall.name!r} crosses itself or has no area; check the order of its points."
        )
    openings = [Polygon(opening.outline_mm) for opening in wall.openings]
    taken = [
        shape.buffer(opening.clearance_mm, quad_segs=CIRCLE_SEGMENTS, join_style="mitre")
        for shape, opening in zip(openings, wall.openings, strict=True)
    ]
    area = outline.buffer(-wall.clearance_mm, join_style="mitre") if wall.clearance_mm > 0 else outline
    area = area.difference(shapely.union_all([*taken, *_crossing_lines(wall, outline, openings)]))
    if area.is_empty:
        raise ValueError(f"Nothing is left of wall {wall.name!r} once its openings and clearances are taken off.")
    return area


def _crossing_lines(wall: WallEntry, outline: Polygon, openings: list[Polygon]) -> list[Any]:
    boundaries = shapely.union_all([outline.boundary, *(shape.boundary for shape in openings)])
    lines = [LineString(edge.line_mm) for edge in wall.edges]
    return [
        line.buffer(0.01, cap_style="flat")
        for line in lines
        if not boundaries.buffer(ON_OUTLINE_MM).covers(line) and outline.covers(line.interpolate(0.5, normalized=True))
    ]


def inset(area: Any, bound_mm: FloatArray, *, scale_ratio: float = 1.0) -> Any:
    """Places for the centre of a convex shape so that the shape stays inside `area`.

    Parameters
    ----------
    area : shapely area
    bound_mm : (m, 2) array
        Convex polygon, relative to the centre.
    scale_ratio : float
        The shape is scaled about its centre by this.

    Notes
    -----
    Minkowski erosion: of all points of the area, those go at which the shape would touch the boundary,
    that is the
    boundary segments swept by the mirrored shape (each the convex hull of the shape at the two ends).
    """
    shape = bound_mm * scale_ratio
    middle = 0.5 * (shape.min(axis=0) + shape.max(axis=0))
    shape = middle - shape
    rings = rings_of(area)
    corners = np.concatenate([rings.starts[:, None] + shape, rings.ends[:, None] + shape], axis=1)
    owner = np.repeat(np.arange(len(rings.starts)), corners.shape[1])
    swept = shapely.convex_hull(shapely.multipoints(shapely.points(corners.reshape(-1, 2)), indices=owner))
    left = area.difference(shapely.union_all(swept))
    moved = shapely.transform(left, lambda xy: xy - middle)
    shapely.prepare(moved)
    return moved


@dataclass(frozen=True, eq=False)
class Insets:
    """Insets of one wall for each form and scale, made when first asked for."""

    area: Any
    known: dict[tuple[str, float], Any] = field(default_factory=dict)

    def of(self, form: Form, scale_ratio: float = 1.0) -> Any:
        """The inset for a form at a scale; empty where it fits nowhere."""
        key = (form.name, round(scale_ratio, 6))
        if key not in self.known:
            self.known[key] = inset(self.area, form.bound_mm, scale_ratio=scale_ratio)
        return self.known[key]

    @cached_property
    def boundary(self) -> Any:
        """The boundary of the free wall."""
        return shapely.boundary(self.area)

    @cached_property
    def rings(self) -> Rings:
        """The same as segments."""
        return rings_of(self.area)

    def rings_of(self, form: Form) -> Rings:
        """Segments of the inset for a form at its full size."""
        key = (f"rings of {form.name}", 1.0)
        if key not in self.known:
            self.known[key] = rings_of(self.of(form))
        return self.known[key]

    def rings_near(self, form: Form, within_mm: float) -> Rings:
        """Segments of the part of the free wall that is at most `within_mm` (and a hair more) from the inset."""
        key = (f"rings near {form.name}", within_mm)
        if key not in self.known:
            reach = within_mm * ROUND_BUFFER_RATIO + 1e-6
            self.known[key] = rings_of(self.area.intersection(self.of(form).buffer(reach, quad_segs=CIRCLE_SEGMENTS)))
        return self.known[key]


@dataclass(frozen=True)
class _Shape:
    """What the insets of a wall depend on: equal for walls and forms of equal numbers."""

    numbers: bytes
    wall: WallEntry = field(compare=False)


@lru_cache(maxsize=N_REMEMBERED)
def _insets_of(shape: _Shape) -> Insets:
    return Insets(free_area(shape.wall))


def insets_of(wall: WallEntry, forms: Sequence[Form]) -> Insets:
    """Insets of a wall; those of the last walls are remembered, so that one changed wall is soon fitted again.

    Raises
    ------
    ValueError
        As `free_area`.
    """
    arrays = [wall.outline_mm, *(opening.outline_mm for opening in wall.openings)]
    arrays += [*(edge.line_mm for edge in wall.edges), *(form.bound_mm for form in forms)]
    clearances = [wall.clearance_mm, *(opening.clearance_mm for opening in wall.openings)]
    parts = [np.ascontiguousarray(array, float) for array in (*arrays, np.array(clearances))]
    sizes = np.array([len(part) for part in parts], float)
    return _insets_of(_Shape(sizes.tobytes() + b"".join(part.tobytes() for part in parts), wall))
