"""How many equal pieces a knife gets out of one leaf: cuts from edge to edge, pieces in both turns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch

Size = tuple[float, float]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

_UNIT_MM = 1e-6
"""Sizes are whole numbers of this unit inside, so that sums of sides compare exactly."""

_SLACK_UNITS = 100
"""Added to the leaf: lets three pieces of 80/3 mm fit on 80 mm in spite of rounding; far below any knife."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Nesting:
    """The best cutting of one leaf into equal pieces.

    Attributes
    ----------
    n_pieces : int
    piece_mm, leaf_mm : (width, height)
    places_mm : (n_pieces, 4) array
        Left, bottom, width and height of every piece on the leaf.
    """

    n_pieces: int
    piece_mm: Size
    leaf_mm: Size
    places_mm: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "places_mm", frozen_array(self.places_mm, float).reshape(-1, 4))
        self.places_mm.setflags(write=False)

    def __repr__(self) -> str:
        return f"Nesting({self.n_pieces} pieces of {_size(self.piece_mm)} on a leaf of {_size(self.leaf_mm)})"

    def _repr_html_(self) -> str:
        used = self.n_pieces * self.piece_mm[0] * self.piece_mm[1] / (self.leaf_mm[0] * self.leaf_mm[1])
        rows = [("Piece", _size(self.piece_mm)), ("Leaf", _size(self.leaf_mm)), ("Leaf used", f"{used:.0%}")]
        corners = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
        pieces = [place[:2] + corners * place[2:] for place in self.places_mm]
        drawn = sketch(
            "The leaf and its cuts", rings_mm=pieces, lines_mm=[np.vstack([corners, corners[:1]]) * self.leaf_mm]
        )
        return card(f"{self.n_pieces} pieces from one leaf", rows, drawing=drawn)


def nest(piece_mm: Size, leaf_mm: Size) -> Nesting:
    """The most pieces of one size that straight edge-to-edge cuts get out of one leaf.

    Parameters
    ----------
    piece_mm, leaf_mm : (width, height)
        Sizes in mm; a piece may be turned by 90°.

    Raises
    ------
    ValueError
        If a size is not positive.

    Notes
    -----
    Exact. A best cutting exists whose cuts lie at sums of piece sides; the count of every sub-rectangle with
    such sides is the best over all its cuts, smaller rectangles first.

    References
    ----------
    Christofides, N., Whitlock, C. (1977) An algorithm for two-dimensional cutting problems, Operations
    Research 25(1), 30-44, doi:10.1287/opre.25.1.30.
    """
    piece, leaf = _checked(piece_mm, "piece"), _checked(leaf_mm, "leaf")
    points_x, points_y, counts = _counts(piece, leaf)
    places = _places(points_x, points_y, counts, piece)
    return Nesting(n_pieces=int(counts[-1, -1]), piece_mm=piece, leaf_mm=leaf, places_mm=places)


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of a staircase: up to `upto` a leaf gives `n_pieces`."""

    n_pieces: int
    upto: float


def staircase(size_of: Callable[[float], Size], leaf_mm: Size, *, low: float, high: float) -> tuple[Step, ...]:
    """Pieces per leaf as a piece grows: every step between `low` and `high`.

    Parameters
    ----------
    size_of : callable
        Width and height (mm) of the piece at a value of the margin, the scale or whatever grows; must not
        shrink as the value rises.
    low, high : float
        Where to begin and end.

    Notes
    -----
    The count never rises with size, so each step's end is found by halving, to a thousandth of the range
    between `low` and `high` divided by 50.
    """
    steps, begin = [], low
    while begin < high:
        n_pieces = pieces_per_leaf(size_of(begin), leaf_mm)
        if n_pieces == 0:
            break
        end = _last_with(n_pieces, size_of, leaf_mm, begin=begin, high=high)
        steps.append(Step(n_pieces=n_pieces, upto=end))
        begin = end + (high - low) * 4e-5
    return tuple(steps)


def pieces_per_leaf(piece_mm: Size, leaf_mm: Size) -> int:
    """The number of pieces of `nest`, without their places."""
    return int(_counts(_checked(piece_mm, "piece"), _checked(leaf_mm, "leaf"))[2][-1, -1])


def _last_with(n_pieces: int, size_of: Callable[[float], Size], leaf_mm: Size, *, begin: float, high: float) -> float:
    if pieces_per_leaf(size_of(high), leaf_mm) >= n_pieces:
        return high
    low, top, tolerance = begin, high, (high - begin) * 2e-5
    while top - low > tolerance:
        middle = (low + top) / 2
        low, top = (middle, top) if pieces_per_leaf(size_of(middle), leaf_mm) >= n_pieces else (low, middle)
    return low


@lru_cache(maxsize=512)
def _counts(piece: Size, leaf: Size) -> tuple[IntArray, IntArray, IntArray]:
    """Lengths that sums of piece sides can make, across and up (units), and the best count for each pair."""
    sides = _units(piece)
    points_x, points_y = (_points(sides, length + _SLACK_UNITS) for length in _units(leaf))
    cuts_x, cuts_y = _cuts(points_x), _cuts(points_y)
    counts = _fits(sides, points_x[:, None], points_y).astype(int)
    for column, (left, right) in enumerate(cuts_x):
        if len(left):
            counts[column] = np.maximum(counts[column], (counts[left] + counts[right]).max(axis=0))
        for row, (below, above) in enumerate(cuts_y):
            if len(below):
                split = (counts[column, below] + counts[column, above]).max()
                counts[column, row] = max(counts[column, row], split)
    return points_x, points_y, counts


def _units(size_mm: Size) -> tuple[int, int]:
    return round(size_mm[0] / _UNIT_MM), round(size_mm[1] / _UNIT_MM)


def _points(sides: tuple[int, int], length: int) -> IntArray:
    """Sums of piece sides from 0 up to `length`."""
    small, large = sorted(sides)
    sums = [i * large + j * small for i in range(length // large + 1) for j in range((length - i * large) // small + 1)]
    return np.unique(sums)


def _cuts(points: IntArray) -> list[tuple[IntArray, IntArray]]:
    """For every length: the first parts of its cuts (up to half of it) and what remains, as indices."""
    cuts = []
    for length in points:
        first = np.flatnonzero((points > 0) & (points <= length // 2))
        rest = np.searchsorted(points, length - points[first], side="right") - 1
        cuts.append((first, rest))
    return cuts


def _fits(sides: tuple[int, int], width: Any, height: Any) -> NDArray[np.bool_]:
    upright = (sides[0] <= width) & (sides[1] <= height)
    return np.asarray(upright | ((sides[1] <= width) & (sides[0] <= height)))


def _places(points_x: IntArray, points_y: IntArray, counts: IntArray, piece: Size) -> FloatArray:
    """Walk the best cuts down to single pieces."""
    cuts_x, cuts_y, sides = _cuts(points_x), _cuts(points_y), _units(piece)
    places, open_parts = [], [(counts.shape[0] - 1, counts.shape[1] - 1, 0, 0)]
    while open_parts:
        column, row, x, y = open_parts.pop()
        wanted = counts[column, row]
        if wanted == 1:
            upright = sides[0] <= points_x[column] and sides[1] <= points_y[row]
            places.append((x * _UNIT_MM, y * _UNIT_MM, *(piece if upright else piece[::-1])))
        if wanted <= 1:
            continue
        left, right = cuts_x[column]
        below, above = cuts_y[row]
        hit = np.flatnonzero(counts[left, row] + counts[right, row] == wanted)
        if len(hit):
            first, rest = left[hit[0]], right[hit[0]]
            open_parts += [(first, row, x, y), (rest, row, x + points_x[first], y)]
        else:
            hit = np.flatnonzero(counts[column, below] + counts[column, above] == wanted)
            first, rest = below[hit[0]], above[hit[0]]
            open_parts += [(column, first, x, y), (column, rest, x, y + points_y[first])]
    return np.array(places, float)


def _checked(size_mm: Size, what: str) -> Size:
    width, height = float(size_mm[0]), float(size_mm[1])
    if not (0 < width < np.inf and 0 < height < np.inf):
        raise ValueError(f"{what} of {width} × {height} mm: both sides must be above 0 mm. Give its size in mm.")
    return width, height


def _size(size_mm: Size) -> str:
    return f"{size_mm[0]:.4g} × {size_mm[1]:.4g} mm"
