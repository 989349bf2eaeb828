"""The raster on which a surface is painted, and the smooth random fields and shapes laid on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Map = NDArray[np.float32]
Patch = tuple[tuple[slice, slice], Map]
"""Where a shape lies on a raster, and its coverage 0..1 there."""

SUPERSAMPLING = 8
_SHIFT_BITS = 4

CUBIC_SD = 0.922
"""Standard deviation, along one axis, of unit noise that OpenCV interpolates by cubics."""


@dataclass(frozen=True, kw_only=True)
class Canvas:
    """A raster over a box of the plane; row 0 is the top (largest y).

    Attributes
    ----------
    box_mm : (float, float, float, float)
        x0, y0, x1, y1 of the outermost pixel centres.
    mm_per_px : float
    """

    box_mm: tuple[float, float, float, float]
    mm_per_px: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        x0, y0, x1, y1 = self.box_mm
        return int(np.ceil((y1 - y0) / self.mm_per_px)) + 1, int(np.ceil((x1 - x0) / self.mm_per_px)) + 1

    @property
    def origin_mm(self) -> FloatArray:
        """Place of the centre of the top-left pixel."""
        return np.array([self.box_mm[0], self.box_mm[3]])

    def to_px(self, xy_mm: ArrayLike) -> FloatArray:
        """Pixels (…, 2), x right, y down, of places (…, 2) in mm."""
        return (np.asarray(xy_mm, float) - self.origin_mm) / [self.mm_per_px, -self.mm_per_px]

    def smooth_field(self, scale_mm: float, rng: np.random.Generator, *, aspect: float = 1.0) -> Map:
        """A random field of mean 0 and sd about 1 whose features are `scale_mm` high and `aspect` × as wide.

        Normal noise on nodes `scale_mm` apart, interpolated by cubics.
        """
        steps = np.maximum(np.round(np.array([1.0, aspect]) * scale_mm / self.mm_per_px), 1.0).astype(int)
        nodes = -(-np.array(self.shape) // steps) + 2
        noise = rng.standard_normal(tuple(nodes), dtype=np.float32)
        noise /= np.float32(CUBIC_SD ** np.count_nonzero(steps > 1))
        size = nodes * steps
        field = np.empty(tuple(size), np.float32)
        cv2.resize(noise, (int(size[1]), int(size[0])), dst=field, interpolation=cv2.INTER_CUBIC)
        return field[steps[0] : steps[0] + self.shape[0], steps[1] : steps[1] + self.shape[1]]

    def smooth_sum(
        self,
        *terms: tuple[float, float] | tuple[float, float, float],
        rng: np.random.Generator,
        mean: float = 0.0,
    ) -> Map:
        """`mean` plus independent smooth fields, each given as (scale_mm, sd) or (scale_mm, sd, aspect)."""
        total = np.full(self.shape, mean, np.float32)
        for scale_mm, sd, *aspect in terms:
            field = self.smooth_field(scale_mm, rng, aspect=aspect[0] if aspect else 1.0)
            cv2.scaleAdd(field, sd, total, total)
        return total

    def enlarge(self, coarse: Map) -> Map:
        """A map given on a coarser raster over the same box, interpolated to this one."""
        fine = np.empty(self.shape, np.float32)
        cv2.resize(coarse, self.shape[::-1], dst=fine, interpolation=cv2.INTER_LINEAR)
        return fine

    def stamp(self, shape: BaseGeometry) -> Patch:
        """Coverage 0..1 of a shape in mm on the pixels of its bounding box, and where that box lies.

        Notes
        -----
        Drawn at 8 × the resolution. OpenCV paints every pixel the outline touches, so the shape is first
        shrunk by half a fine pixel; the area then agrees with the polygon's to about 0.1 %.
        """
        fine_mm = self.mm_per_px / SUPERSAMPLING
        rings = [
            self.to_px(ring.coords)
            for part in shapely.get_parts(shape.buffer(-fine_mm / 2.0, quad_segs=2))
            for ring in (part.exterior, *part.interiors)
            if not ring.is_empty
        ]
        if not rings:
            return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), np.float32)
        low, high = _bounds(rings, self.shape)
        if (high <= low).any():
            return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), np.float32)
        fine = np.zeros(((high - low)[::-1]) * SUPERSAMPLING, np.uint8)
        points = [((ring - low + 0.5) * SUPERSAMPLING - 0.5) * 2**_SHIFT_BITS for ring in rings]
        cv2.fillPoly(fine, [np.round(p).astype(np.int32) for p in points], 255, cv2.LINE_8, _SHIFT_BITS)
        size = tuple(int(n) for n in high - low)
        mask = cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32) / np.float32(255.0)
        return (slice(low[1], high[1]), slice(low[0], high[0])), mask

    def cover(self, shapes: Iterable[BaseGeometry]) -> Map:
        """Coverage 0..1 of several shapes in mm over the whole raster."""
        cover = np.zeros(self.shape, np.float32)
        for shape in shapes:
            where, mask = self.stamp(shape)
            np.maximum(cover[where], mask, out=cover[where])
        return cover


def _bounds(rings: list[FloatArray], shape: tuple[int, int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    points = np.vstack(rings)
    low = np.maximum(np.floor(points.min(0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(points.max(0)).astype(int) + 2, shape[::-1])
    return low, high


def soft_step(values: Map, width: float) -> Map:
    """0 below −width/2, 1 above +width/2, straight between."""
    step = values * np.float32(1.0 / width)
    step += np.float32(0.5)
    return np.clip(step, 0.0, 1.0, out=step)


def bands(shape: tuple[int, int], n_rows: int = 96) -> Iterator[slice]:
    """Slices of rows small enough for the processor's cache."""
    for start in range(0, shape[0], n_rows):
        yield slice(start, min(start + n_rows, shape[0]))


def blend(albedo: Map, colour: ArrayLike, cover: Map, tone: Map | None = None) -> None:
    """Lay a colour (3,), times `tone` if given, over `albedo` (3, h, w) in place where `cover` is above 0."""
    for band in bands(cover.shape):
        laid = cover[band]
        if not laid.any():
            continue
        for channel, value in zip(albedo, np.asarray(colour, np.float32), strict=True):
            target = value if tone is None else value * tone[band]
            channel[band] += laid * (target - channel[band])
