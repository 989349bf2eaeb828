"""Copies of the motif cut from the pictures on one common grid about their centres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import in_groups

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]


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
        scale = picture.mm_per_px / self.mm_per_px
        centre = picture.to_px(xy_mm)
        x, y = np.array(self.centre_px) - scale * centre
        return np.array([[scale, 0.0, x], [0.0, scale, y]])


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

    def fill(n: int) -> None:
        bend = None if bends is None else bends[n]
        stack[n] = _cut_one(image, grid.to_grid(picture, xy_mm[n]), grid, beyond=beyond, bend=bend)

    in_groups(fill, len(xy_mm))
    return stack


def cut_light(image: Float32Array, picture: Picture, xy_mm: FloatArray, grid: Grid, *, beyond: float) -> Float32Array:
    """Copies (n, rows, columns, 3) of what hardly varies from pixel to pixel, as light does, linearly."""
    stack, size, edge = np.empty((len(xy_mm), *grid.shape, 3), np.float32), grid.shape[::-1], (beyond,) * 3

    def fill(n: int) -> None:
        matrix = grid.to_grid(picture, xy_mm[n])
        cv2.warpAffine(image, matrix, size, stack[n], cv2.INTER_LINEAR, cv2.BORDER_CONSTANT, edge)

    in_groups(fill, len(xy_mm))
    return stack


def _cut_one(
    image: NDArray[Any], matrix: FloatArray, grid: Grid, *, beyond: float, bend: Float32Array | None
) -> NDArray[Any]:
    plain = cv2.INTER_LINEAR if image.dtype == np.float32 else cv2.INTER_NEAREST
    flag = cv2.INTER_CUBIC if image.ndim == 3 else plain
    edge, size = (beyond,) * 3, grid.shape[::-1]
    if bend is None:
        return np.asarray(
            cv2.warpAffine(image, matrix, size, flags=flag, borderMode=cv2.BORDER_CONSTANT, borderValue=edge)
        )
    x, y = _bent_places(matrix, bend)
    return np.asarray(cv2.remap(image, x, y, flag, borderMode=cv2.BORDER_CONSTANT, borderValue=edge))


def covered(picture: Picture, xy_mm: FloatArray, grid: Grid, *, bends: Float32Array | None = None) -> NDArray[np.bool_]:
    """Where (n, rows, columns) copies lie within the covered part of the picture; `bends` as for `cut`."""
    inside = np.ones((len(xy_mm), *grid.shape), bool)
    ends = np.array([[0, grid.shape[1] - 1], [0, grid.shape[0] - 1], [1, 1]])
    for n, centre in enumerate(xy_mm):
        matrix, bend = grid.to_grid(picture, centre), None if bends is None else bends[n]
        reach = 2.0 + (0.0 if bend is None else float(np.abs(bend).max())) / matrix[0, 0]
        corners = cv2.invertAffineTransform(matrix) @ ends
        low, high = np.floor(corners[:, 0] - reach).astype(int), np.ceil(corners[:, 1] + reach).astype(int) + 1
        left, top = np.maximum(low, 0)
        part = picture.coverage[top : max(high[1], 0), left : max(high[0], 0)]
        if part.shape == tuple((high - low)[::-1]) and part.all():
            continue
        matrix[:, 2] += matrix[0, 0] * np.array([left, top])
        seen = _cut_one(part.astype(np.float32), matrix, grid, beyond=0.0, bend=bend) if part.size else np.zeros(1)
        inside[n] = seen > 0.999
    return inside


def _bent_places(to_grid: FloatArray, bend: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Columns and rows in the picture of every place of the grid, bent."""
    scale, away = to_grid[0, 0], to_grid[:, 2].astype(np.float32)
    rows, columns = places_of(bend.shape[1:])
    return (columns + bend[0] - away[0]) / np.float32(scale), (rows + bend[1] - away[1]) / np.float32(scale)


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
