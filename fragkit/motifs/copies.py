"""Copies of the motif cut from the pictures on one common grid about their centres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import GROUP, groups_of, in_groups, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

TALLEST_PX = 8_000
"""Copies one below the other are read as one picture of up to about so many rows: single precision tells places in it
to a thousandth of a pixel, and OpenCV takes four times as many."""


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A grid about a motif's centre.

    Attributes
    ----------
    mm_per_px : float
    shape : (rows, columns)
    centre_px : (column, row)
        Where the centre lies on the grid.
    """

    mm_per_px: float
    shape: tuple[int, int]
    centre_px: tuple[float, float]

    def offsets_mm(self) -> tuple[FloatArray, FloatArray]:
        """x (columns,) and y (rows,) of the grid relative to the centre, y up."""
        x = (np.arange(self.shape[1]) - self.centre_px[0]) * self.mm_per_px
        y = (self.centre_px[1] - np.arange(self.shape[0])) * self.mm_per_px
        return np.asarray(x, float), np.asarray(y, float)

    def to_grid(self, picture: Picture, xy_mm: FloatArray) -> FloatArray:
        """Affine matrix (2, 3) from picture pixels to grid pixels for a copy centred at `xy_mm`."""
        scale, (x, y) = self.onto(picture, xy_mm)
        return np.array([[scale, 0.0, x], [0.0, scale, y]])

    def onto(self, picture: Picture, xy_mm: FloatArray) -> tuple[float, FloatArray]:
        """Pixels of the grid in one of the picture, and where (..., 2) on the grid the picture begins, for copies
        centred at `xy_mm` (..., 2)."""
        scale = picture.mm_per_px / self.mm_per_px
        return scale, np.array(self.centre_px) - scale * picture.to_px(xy_mm)


def near(picture: Picture, xy_mm: FloatArray, grid: Grid) -> NDArray[np.int64]:
    """Numbers of the copies centred at `xy_mm` that may reach the rows of a picture."""
    reach_px = float(np.hypot(*grid.shape)) * grid.mm_per_px / picture.mm_per_px + 2.0
    rows = picture.to_px(xy_mm)[:, 1]
    return np.flatnonzero((rows > -reach_px) & (rows < len(picture.coverage) + reach_px))


@dataclass(frozen=True, eq=False, kw_only=True)
class Copies:
    """Copies of the motif on one grid.

    Attributes
    ----------
    colours : (n, h, w, 3) float32 array
        Ratios to the ground; 1 where nothing is seen.
    inside : (n, h, w) bool array
        Within the picture, and nearer to the copy's own centre than to any other site.
    given : (n, h, w) uint8 array
        The user's labels; 0 where there are none.
    mm_per_px : float
    """

    colours: Float32Array
    inside: NDArray[np.bool_]
    given: NDArray[np.uint8]
    mm_per_px: float


def grid_over(mm_per_px: float, low_mm: FloatArray, high_mm: FloatArray) -> Grid:
    """The grid from `low_mm` to `high_mm` (x, y relative to the centre)."""
    left, up = np.ceil(-low_mm[0] / mm_per_px), np.ceil(high_mm[1] / mm_per_px)
    right, down = np.ceil(high_mm[0] / mm_per_px), np.ceil(-low_mm[1] / mm_per_px)
    return Grid(
        mm_per_px=mm_per_px,
        shape=(int(up + down) + 1, int(left + right) + 1),
        centre_px=(float(left), float(up)),
    )


def finer(grid: Grid, mm_per_px: float) -> Grid:
    """The same extent with other pixels."""
    x, y = grid.offsets_mm()
    return grid_over(mm_per_px, np.array([x[0], y[-1]]), np.array([x[-1], y[0]]))


def cut(
    image: NDArray[Any],
    picture: Picture,
    xy_mm: FloatArray,
    grid: Grid,
    *,
    beyond: float,
    bends: Float32Array | None = None,
) -> NDArray[Any]:
    """Copies (n, rows, columns[, 3]) of `image`, which has the picture's pixels; `beyond` outside the picture.

    Colours are interpolated by cubics, shares (h, w) linearly; of whole numbers the nearest is taken. `bends`
    (n, 2, rows, columns) in px of the grid lead from places of the straight motif to those of each copy.
    """
    stack = np.empty((len(xy_mm), *grid.shape, *image.shape[2:]), image.dtype)
    plain = cv2.INTER_LINEAR if image.dtype == np.float32 else cv2.INTER_NEAREST
    kind, edge = cv2.INTER_CUBIC if image.ndim == 3 else plain, (beyond,) * 3

    def fill(k: slice) -> None:
        x, y = _places_in(picture, xy_mm[k], grid, None if bends is None else bends[k])
        cv2.remap(image, tall(x), tall(y), kind, tall(stack[k]), cv2.BORDER_CONSTANT, edge)

    side_by_side(fill, groups_of(len(xy_mm), size=max(1, min(GROUP, TALLEST_PX // grid.shape[0]))))
    return stack


def tall(layers: NDArray[Any]) -> NDArray[Any]:
    """Layers (n, h, w[, k]) one below the other (n × h, w[, k]): so OpenCV does them all in one call."""
    return layers.reshape(-1, *layers.shape[2:])


def cut_light(image: Float32Array, picture: Picture, xy_mm: FloatArray, grid: Grid, *, beyond: float) -> Float32Array:
    """Copies (n, rows, columns, 3) of what hardly varies from pixel to pixel, as light does, linearly."""
    stack, size, edge = np.empty((len(xy_mm), *grid.shape, 3), np.float32), grid.shape[::-1], (beyond,) * 3

    def fill(n: int) -> None:
        matrix = grid.to_grid(picture, xy_mm[n])
        cv2.warpAffine(image, matrix, size, stack[n], cv2.INTER_LINEAR, cv2.BORDER_CONSTANT, edge)

    in_groups(fill, len(xy_mm))
    return stack


def covered(picture: Picture, xy_mm: FloatArray, grid: Grid, *, bends: Float32Array | None = None) -> NDArray[np.bool_]:
    """Where (n, rows, columns) copies lie within the covered part of the picture; `bends` as for `cut`."""
    inside, furthest = np.ones((len(xy_mm), *grid.shape), bool), np.zeros(len(xy_mm))
    if bends is not None:
        furthest = np.abs(bends).max(axis=(1, 2, 3), initial=0.0)
    scale, away = grid.onto(picture, xy_mm)
    reach = (2.0 + furthest / scale)[:, None]
    low = np.floor(-away / scale - reach).astype(int)
    high = np.ceil((np.array(grid.shape[::-1]) - 1 - away) / scale + reach).astype(int) + 1
    beyond = np.any((low < 0) | (high > picture.coverage.shape[::-1]), axis=1, keepdims=True)
    for n, (left, top) in enumerate(np.maximum(low, 0).tolist()):
        right, bottom = np.maximum(high[n], 0)
        part, own = picture.coverage[top:bottom, left:right], slice(n, n + 1)
        if beyond[n, 0] or not part.all():
            places = _places_in(picture, xy_mm[own], grid, None if bends is None else bends[own])
            inside[n] = _share_in(part, (left, top), places) > 0.999
    return inside


def _share_in(part: NDArray[np.bool_], first: tuple[int, int], places: Sequence[Float32Array]) -> NDArray[Any]:
    """Share (h, w) of places, columns and rows (1, h, w) in a picture, inside a part that begins at `first`."""
    if part.size == 0:
        return np.zeros(1)
    x, y = (place[0] - np.float32(start) for place, start in zip(places, first, strict=True))
    return np.asarray(cv2.remap(part.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))


def _places_in(
    picture: Picture, xy_mm: FloatArray, grid: Grid, bends: Float32Array | None
) -> tuple[Float32Array, Float32Array]:
    """Columns and rows (n, h, w) in the picture of every place of the grid about each centre, bent."""
    scale, away = grid.onto(picture, xy_mm)
    rows, columns = places_of(grid.shape)
    x, y = (np.empty((len(xy_mm), *grid.shape), np.float32) for _ in range(2))
    for axis, (out, place) in enumerate(((x, columns), (y, rows))):
        start = away[:, axis, None, None].astype(np.float32)
        if bends is None:
            np.subtract(place, start, out=out)
        else:
            np.add(place, bends[:, axis], out=out)
            out -= start
        out /= np.float32(scale)
    return x, y


@lru_cache(maxsize=8)
def places_of(shape: tuple[int, int]) -> Float32Array:
    """Row and column (2, h, w) of every place of a grid."""
    places = np.indices(shape, np.float32)
    places.setflags(write=False)
    return places


def regrid(atlas: Float32Array, old: Grid, new: Grid) -> Float32Array:
    """The atlas on another grid, linearly."""
    scale = new.mm_per_px / old.mm_per_px
    shift = np.array(old.centre_px) - scale * np.array(new.centre_px)
    matrix = np.column_stack([np.eye(2) * scale, shift])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    layers = [cv2.warpAffine(k, matrix, new.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE) for k in atlas]
    return np.stack(layers)
