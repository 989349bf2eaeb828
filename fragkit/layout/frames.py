"""A wall straightened to a rectangle: its clear run and height, and the lean of its four edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

FOLLOWS = ("level", "edges", "fan")
"""Rows true to level, all lines to the visible edges, or rows that fan from a level foot to the top edge."""

N_SIGHTS = 33
"""Level and plumb sections through a wall from which its edges are read."""


@dataclass(frozen=True, kw_only=True)
class Edge:
    """One straightened edge: its place at the middle of the wall, and its lean in mm per mm along it."""

    at_mm: float
    lean: float
    middle_mm: float

    def off_mm(self, along_mm: FloatArray) -> FloatArray:
        """How far the edge is from its middle place at points along it."""
        return self.lean * (along_mm - self.middle_mm)


@dataclass(frozen=True, kw_only=True)
class Frame:
    """The straightened wall.

    Attributes
    ----------
    left, right, bottom, top : Edge
        Left and right run up the wall, bottom and top along it.
    axis_x_mm : float
        The stated axis, or the middle of the clear run.
    """

    left: Edge
    right: Edge
    bottom: Edge
    top: Edge
    axis_x_mm: float

    @property
    def run_mm(self) -> float:
        """Clear run at middle height."""
        return self.right.at_mm - self.left.at_mm

    @property
    def height_mm(self) -> float:
        """Clear height at the middle of the run."""
        return self.top.at_mm - self.bottom.at_mm

    def bend(self, xy_mm: FloatArray, *, follow: str = "edges") -> FloatArray:
        """Displacement (n, 2) of points of the true net when it follows the edges of the wall.

        Notes
        -----
        At an edge a point moves with the edge; between two edges the movement is shared out in proportion
        to the distance. A net bent this way keeps its distance to all four edges, and no interval changes by
        a step. When rows fan, only the top edge counts and plumb lines stay plumb.
        """
        if follow == "level":
            return np.zeros_like(xy_mm)
        x, y = xy_mm[:, 0], xy_mm[:, 1]
        up = (y - self.bottom.at_mm) / self.height_mm
        if follow == "fan":
            return np.column_stack([np.zeros_like(x), np.maximum(up, 0.0) * self.top.off_mm(x)])
        across = (x - self.left.at_mm) / self.run_mm
        dx = (1 - across) * self.left.off_mm(y) + across * self.right.off_mm(y)
        dy = (1 - up) * self.bottom.off_mm(x) + up * self.top.off_mm(x)
        return np.column_stack([dx, dy])

    def unbend(self, xy_mm: FloatArray, *, follow: str = "edges") -> FloatArray:
        """Points (n, 2) of the true net that `bend` moves to the given ones."""
        straight = np.array(xy_mm, float)
        for _ in range(20 if follow != "level" else 0):
            straight = xy_mm - self.bend(straight, follow=follow)
        return straight

    @property
    def steepest(self) -> float:
        """Largest lean of an edge, in mm per mm."""
        return max(abs(edge.lean) for edge in (self.left, self.right, self.bottom, self.top))


def straighten(wall: WallEntry) -> Frame:
    """The frame of a wall, from its outline.

    Notes
    -----
    The wall is read along 33 level and 33 plumb sections; an edge's place is the median of its readings
    and its lean the
    median of the leans between neighbours, so that a niche or an arch over less than half of the edge does
    not tilt it.
    """
    outline = shapely.Polygon(wall.outline_mm)
    x0, y0, x1, y1 = outline.bounds
    levels = y0 + (y1 - y0) * (np.arange(N_SIGHTS) + 0.5) / N_SIGHTS
    plumbs = x0 + (x1 - x0) * (np.arange(N_SIGHTS) + 0.5) / N_SIGHTS
    sections = shapely.linestrings([[(x0 - 1, y), (x1 + 1, y)] for y in levels])
    across = shapely.bounds(shapely.intersection(outline, sections))
    uprights = shapely.linestrings([[(x, y0 - 1), (x, y1 + 1)] for x in plumbs])
    along = shapely.bounds(shapely.intersection(outline, uprights))
    left, right = _edge(levels, across[:, 0]), _edge(levels, across[:, 2])
    axis = wall.axis_x_mm if wall.axis_x_mm is not None else 0.5 * (left.at_mm + right.at_mm)
    bottom, top = _edge(plumbs, along[:, 1]), _edge(plumbs, along[:, 3])
    return Frame(left=left, right=right, bottom=bottom, top=top, axis_x_mm=float(axis))


def _edge(along_mm: FloatArray, reading_mm: FloatArray) -> Edge:
    lean = float(np.median(np.diff(reading_mm) / np.diff(along_mm)))
    middle = float(0.5 * (along_mm[0] + along_mm[-1]))
    lean = 0.0 if abs(lean) < 1e-9 else lean
    at = float(np.median(reading_mm - lean * (along_mm - middle)))
    return Edge(at_mm=at, lean=lean, middle_mm=middle)
