"""How far from an outline the true one may lie: few copies, tips rounded by blur, and thin paint beside leaf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.frozen import frozen_array
from fragkit.motifs import outlines as lines
from fragkit.motifs.copies import Grid
from fragkit.motifs.mixture import METAL, SHADOW
from fragkit.motifs.parts import area_of, parts_of, rings_of
from fragkit.motifs.sharpening import CAUTION, sharpen
from fragkit.motifs.silhouette import closed
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PLACE_SD_PX = 0.25
"""What remains unknown of where an edge lies in a blurred pixel, at a single place of it: one sd."""
THIN_MM = 1.0
"""Shadow narrower than this beside leaf may be the leaf's own edge, whose mixed tones look like shadow."""
FURTHEST_MM = 2.0
"""No other course of an outline is looked for further away than this."""
SPACING_MM = 1.0
UNCLEAR_SHARE = 0.2
"""Where the mean differs by this share from what the outline explains, there is a part too fine to be drawn."""
LEAST_UNCLEAR_MM2 = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawn:
    """What the outlines were drawn from.

    Attributes
    ----------
    atlas, typical : (3, h, w) arrays
        Shares of metal, shadow and ground in the mean of all copies and in a typical, sharp one.
    width_px : float or None
        Blur of the mean's edges (sd).
    support : (h, w) array
        How many copies show each place.
    spread_mm : float
        Sd of a copy's edge about the outline.
    origin_cov_mm2 : (2, 2) array
        Of the metal's centroid, from which outlines are measured; see `origin_cov_mm2`.
    grid : Grid
    """

    atlas: Float32Array
    typical: Float32Array
    width_px: float | None
    support: Float32Array
    spread_mm: float
    origin_cov_mm2: FloatArray
    grid: Grid


@dataclass(frozen=True, eq=False)
class Doubt:
    """The other courses a layer's outlines could take, and what is too fine to have one."""

    drawn: Drawn
    others: tuple[Any, ...]
    unclear: Any

    def half_mm(self, points: FloatArray) -> FloatArray:
        """Half the width (m,) in mm that holds the true outline with 95 %, at points (m, 2) in turn round it."""
        drawn, grid = self.drawn, self.drawn.grid
        at = (grid.centre_px[1] - points[:, 1] / grid.mm_per_px, points[:, 0] / grid.mm_per_px + grid.centre_px[0])
        n = np.maximum(ndimage.map_coordinates(drawn.support, at, order=1, mode="nearest"), 1.0)
        across = _across(points)
        common = (PLACE_SD_PX * grid.mm_per_px) ** 2 + lines.SIMPLIFY_MM**2 / 3.0
        common += np.einsum("ma,ab,mb->m", across, drawn.origin_cov_mm2, across)
        away = [shapely.distance(shapely.points(points), other) for other in self.others]
        bias = np.max([np.zeros(len(points)), *away], axis=0)
        return np.asarray(np.minimum(bias, FURTHEST_MM) + 1.96 * np.sqrt(drawn.spread_mm**2 / n + common))

    def band(self, outline: FloatArray) -> tuple[FloatArray, ...]:
        """Rings (m, 2) of the band about an outline (m, 2), for even-odd filling."""
        ring = shapely.segmentize(shapely.LinearRing(outline), SPACING_MM)
        points = np.asarray(ring.coords)[:-1]
        return lines.band_of(points, self.half_mm(points))

    def bands(self, outlines: Sequence[FloatArray]) -> tuple[tuple[FloatArray, ...], ...]:
        """The band of each outline; after them the parts too fine to be drawn, those that lie in no band."""
        found = tuple(self.band(points) for points in outlines)
        rest = self.unclear.difference(shapely.union_all([area_of(rings) for rings in found]))
        fine = [part for part in shapely.get_parts(rest) if part.area >= LEAST_UNCLEAR_MM2]
        return found + tuple(tuple(frozen_array(r) for r in rings_of(part)) for part in fine)


def doubt_of(layer: int, outlines: Sequence[FloatArray], drawn: Drawn) -> Doubt:
    """How far the outlines of a layer (METAL or SHADOW) may be off.

    Notes
    -----
    Half the width is bias + 1.96 √(spread²/n + place² + origin²). The spread over the n copies that show a place, the
    place in a blurred pixel and the centroid from which all is measured are random; the bias is not, its sign is known,
    so it is added. It is the larger of two:

    * Blur. The outline, blurred as the mean is and sharpened as the mean was, comes back with its tips shortened and
      its notches filled. It was drawn that way from the true one, so that it lies by about as much beside it.
    * Thin shadow. The tones of a leaf's edge lie between leaf and ground, where those of shadow lie too. Shadow
      narrower than 1 mm round the silhouette may be leaf: the outline could run on its other side.

    Where the mean differs from the blurred outline by more than a fifth, something is there that is too fine for an
    outline, as a bare line of half a millimetre between two leaves. The scale of the pictures is not in it.
    """
    area = area_of(outlines)
    if drawn.width_px is None or area.is_empty:
        return Doubt(drawn, (), shapely.Polygon())
    seen = _blurred(area, drawn.width_px, drawn.grid)
    again = lines.outlines_of(sharpen(seen, CAUTION * drawn.width_px), drawn.grid)
    other = lines.outlines_of(_with_thin_shadow(layer, drawn), drawn.grid)
    others = tuple(area_of(rings).boundary for rings in (again, other) if rings)
    return Doubt(drawn, others, _unclear(drawn.atlas[layer] - seen, drawn))


def origin_cov_mm2(outlines: Sequence[FloatArray], mm_per_px: float) -> FloatArray:
    """Covariance (2, 2) of the centroid of what outlines enclose.

    Notes
    -----
    If the edge of a part lies outside its place by d all along, the centroid c moves by d ∮ (x - c) ds / A: much, where
    a motif has long thin parts on one side. d is what remains unknown of a place in a blurred pixel; parts are of
    different widths, so that each errs by itself.
    """
    area = area_of(outlines)
    edges = [part.boundary for part in parts_of(area)]
    away = np.array([np.subtract(edge.centroid.coords[0], area.centroid.coords[0]) for edge in edges])
    pulls = away * np.array([[edge.length / area.area] for edge in edges])
    return np.asarray((PLACE_SD_PX * mm_per_px) ** 2 * pulls.T @ pulls)


def _across(points: FloatArray) -> FloatArray:
    """Unit vectors (m, 2) across an outline at its points in turn; 0 where these do not tell."""
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    size = np.hypot(*along.T)[:, None]
    return np.divide(along[:, ::-1] * [1.0, -1.0], size, out=np.zeros_like(along), where=size > 0.0)


def _blurred(area: Any, width_px: float, grid: Grid) -> Float32Array:
    """Share (h, w) of the area in each pixel, blurred by `width_px` (sd)."""
    return np.asarray(cv2.GaussianBlur(_cover(area, grid), (0, 0), width_px), np.float32)


def _cover(area: Any, grid: Grid) -> Float32Array:
    """Share (h, w) of each pixel inside an area, by the distance of its centre from the edge."""
    x, y = np.meshgrid(*grid.offsets_mm())
    shapely.prepare(area)
    inside = shapely.contains_xy(area, x, y)
    kernel = np.ones((5, 5), np.uint8)
    whole = inside.astype(np.uint8)
    near = cv2.dilate(whole, kernel) != cv2.erode(whole, kernel)
    away = np.full(x.shape, 1.0)
    away[near] = shapely.distance(shapely.points(x[near], y[near]), area.boundary) / grid.mm_per_px
    return np.clip(np.where(inside, away, -away) + 0.5, 0.0, 1.0).astype(np.float32)


def _with_thin_shadow(layer: int, drawn: Drawn) -> Float32Array:
    """The layer (h, w) if thin shadow round the metal's silhouette were leaf."""
    metal, shadow = drawn.typical[METAL], drawn.typical[SHADOW]
    side = 2 * max(1, round(THIN_MM / (2.0 * drawn.grid.mm_per_px))) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    thin = (shadow - cv2.morphologyEx(shadow, cv2.MORPH_OPEN, disc)) * (1.0 - closed(metal, drawn.grid))
    return np.clip(metal + thin if layer == METAL else shadow - thin, 0.0, 1.0).astype(np.float32)


def _unclear(rest: Float32Array, drawn: Drawn) -> Any:
    """Where the mean is not what the outline explains, with the width that any edge leaves open."""
    level = np.clip(0.5 * np.abs(rest) / UNCLEAR_SHARE, 0.0, 1.0).astype(np.float32)
    rings = lines.outlines_of(level, drawn.grid, smallest_mm2=LEAST_UNCLEAR_MM2)
    return area_of(rings).buffer(1.96 * PLACE_SD_PX * drawn.grid.mm_per_px)
