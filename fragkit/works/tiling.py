"""Motifs larger than one leaf: how many leaves, laid edge over edge, touch the metal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.works.nesting import Size


@dataclass(frozen=True, kw_only=True)
class Tiling:
    """Whole leaves over one motif.

    Attributes
    ----------
    n_leaves : int
        Leaves that touch the metal or its margin.
    n_columns, n_rows : int
        The full grid.
    leaf_mm : (width, height)
        As laid (a leaf that is not square may be turned).
    """

    n_leaves: int
    n_columns: int
    n_rows: int
    leaf_mm: Size


def tile(outlines_mm: Sequence[NDArray[Any]], leaf_mm: Size, *, margin_mm: float = 0.0, lap_mm: float = 2.0) -> Tiling:
    """The fewest leaves that cover outlines and margin, from a grid centred on them.

    Parameters
    ----------
    outlines_mm : sequence of (m, 2) arrays
        Outlines of the metal.
    lap_mm : float
        How far a leaf lies over its neighbour.

    Notes
    -----
    `ceil((w - lap) / (side - lap))` leaves across a width w, likewise up; leaves that touch no metal are left
    out.
    """
    width, height = leaf_mm
    if not 0 <= lap_mm < min(leaf_mm):
        raise ValueError(f"A lap of {lap_mm} mm on a leaf of {width} × {height} mm: use 0 up to the leaf's side.")
    shapes = [shapely.Polygon(outline).buffer(0) for outline in outlines_mm if len(outline) >= 3]
    covered = shapely.union_all(shapes).buffer(margin_mm, join_style="mitre", mitre_limit=2.0)
    if covered.is_empty:
        raise ValueError("Outlines without any area: give closed outlines of at least three points.")
    turns = {(width, height), (height, width)}
    return min((_grid(covered, turn, lap_mm) for turn in sorted(turns)), key=lambda tiling: tiling.n_leaves)


def _grid(covered: Any, leaf_mm: Size, lap_mm: float) -> Tiling:
    left, bottom, right, top = covered.bounds
    (n_columns, x0), (n_rows, y0) = (
        _line_up(low, high, side, lap_mm) for low, high, side in ((left, right, leaf_mm[0]), (bottom, top, leaf_mm[1]))
    )
    x = x0 + np.arange(n_columns) * (leaf_mm[0] - lap_mm)
    y = y0 + np.arange(n_rows) * (leaf_mm[1] - lap_mm)
    xx, yy = (grid.ravel() for grid in np.meshgrid(x, y))
    touched = shapely.area(shapely.intersection(shapely.box(xx, yy, xx + leaf_mm[0], yy + leaf_mm[1]), covered)) > 0
    return Tiling(n_leaves=int(touched.sum()), n_columns=n_columns, n_rows=n_rows, leaf_mm=leaf_mm)


def _line_up(low: float, high: float, side: float, lap_mm: float) -> tuple[int, float]:
    """How many leaves in a line, and where the first one begins."""
    count = max(1, math.ceil((high - low - lap_mm) / (side - lap_mm) - 1e-9))
    return count, (low + high - count * side + (count - 1) * lap_mm) / 2
