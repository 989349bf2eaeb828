"""Areas between outlines, and the parts of a motif: lobes, stem, dots."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

FloatArray = NDArray[np.float64]

LEAST_PART_RATIO = 0.01
"""What is smaller than this share of the whole is no part of its own."""


def area_of(rings: Iterable[FloatArray]) -> Polygon | MultiPolygon:
    """Area enclosed by rings under the even-odd rule: a ring inside another is a hole."""
    area: Any = Polygon()
    for ring in sorted(rings, key=lambda r: -Polygon(r).area):
        area = area.symmetric_difference(Polygon(ring).buffer(0))
    return area


def rings_of(area: Any) -> tuple[FloatArray, ...]:
    """Rings (m, 2) of a shapely area, holes included, for even-odd filling."""
    rings: list[FloatArray] = []
    for part in shapely.get_parts(area):
        if isinstance(part, Polygon) and not part.is_empty:
            rings += [np.asarray(r.coords)[:-1] for r in (part.exterior, *part.interiors)]
    return tuple(rings)


def parts_of(area: Polygon | MultiPolygon) -> tuple[Polygon, ...]:
    """The connected parts of an area, the largest first, without crumbs of less than a hundredth of it."""
    parts = [part for part in shapely.get_parts(area) if part.area > LEAST_PART_RATIO * area.area]
    return tuple(sorted(parts, key=lambda part: -part.area))
