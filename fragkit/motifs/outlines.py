"""Outlines in millimetres, their area and its uncertainty, and how far copies stray from them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from skimage import measure

from fragkit.frozen import frozen_array
from fragkit.motifs.copies import Grid
from fragkit.motifs.parts import rings_of
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SIMPLIFY_MM = 0.05
SMALLEST_MM2 = 1.5
STEP_MM = 0.5
"""Spacing of the points at which copies are compared with the outline."""
REACH_MM = 2.0
NUGGET_STEPS = 3
"""Measurement noise is gone between points this many steps apart; the hand's own wandering is not."""
EDGE_SD_PX = 0.15
"""What remains unknown of where an edge lies in a blurred pixel: one sd, common to the whole outline.

From simulated walls of 0.25 to 0.5 mm per pixel, whose outlines came out 0.1 to 0.25 px too far in."""


def outlines_of(probability: Float32Array, grid: Grid, *, smallest_mm2: float = SMALLEST_MM2) -> tuple[FloatArray, ...]:
    """Closed outlines (m, 2) in mm about the grid's centre, y up, where the probability is one half.

    Notes
    -----
    Outer outlines run counter-clockwise, holes clockwise; the last point is not repeated. Marching squares
    find the line, simplified within 0.05 mm. Parts below `smallest_mm2` are left out.
    """
    padded = np.pad(probability, 1)
    found = []
    for line in measure.find_contours(padded, 0.5, positive_orientation="high"):
        x = (line[:, 1] - 1.0 - grid.centre_px[0]) * grid.mm_per_px
        y = (grid.centre_px[1] - line[:, 0] + 1.0) * grid.mm_per_px
        if len(line) < 5 or not np.allclose(line[0], line[-1]):
            continue
        smooth = _smoothed(np.column_stack([x, y])[:-1], grid.mm_per_px)
        ring = shapely.LinearRing(smooth).simplify(SIMPLIFY_MM)
        points = np.asarray(ring.coords)[:-1]
        if len(points) >= 4 and abs(signed_area(points)) >= smallest_mm2:
            found.append(frozen_array(points))
    return tuple(sorted(found, key=lambda p: -abs(signed_area(p))))


def signed_area(points: FloatArray) -> float:
    """Area of a closed outline, positive when it runs counter-clockwise."""
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def total_area(outlines: Sequence[FloatArray]) -> float:
    """Area in mm² of outlines, holes taken off."""
    return float(sum(signed_area(points) for points in outlines))


def total_length(outlines: Sequence[FloatArray]) -> float:
    """Length in mm of outlines, holes counted."""
    return float(sum(np.hypot(*(np.roll(p, -1, 0) - p).T).sum() for p in outlines))


def centroid(outlines: Sequence[FloatArray]) -> FloatArray:
    """Centre of area (2,) of outlines, holes taken off."""
    moment, area = np.zeros(2), 0.0
    for points in outlines:
        following = np.roll(points, -1, axis=0)
        cross = points[:, 0] * following[:, 1] - following[:, 0] * points[:, 1]
        moment += ((points + following) * cross[:, None]).sum(0) / 6.0
        area += 0.5 * cross.sum()
    return moment / area


def area_sd_mm2(
    shares: Float32Array,
    weights: Float32Array,
    outlines: Sequence[FloatArray],
    mm_per_px: float,
    rng: np.random.Generator,
) -> float:
    """Standard deviation of the outlines' area: copies drawn anew, and the blur of an edge pixel.

    Parameters
    ----------
    shares, weights : (n, h, w) arrays
        Share of metal in each copy, and how far the copy shows the place.
    """
    mean = (shares * weights).sum(0) / np.maximum(weights.sum(0), 1e-6)
    band = (mean > 0.02) & (mean < 0.98)
    sure = float((mean >= 0.98).sum())
    n = len(shares)
    draws = rng.multinomial(n, np.full(n, 1.0 / n), size=200).astype(np.float32)
    below = draws @ weights[:, band]
    mixed = draws @ (shares * weights)[:, band] / np.maximum(below, 1e-6)
    areas = (sure + _soft_step(np.where(below > 0.0, mixed, mean[band])).sum(1)) * mm_per_px**2
    return float(np.hypot(areas.std(), EDGE_SD_PX * mm_per_px * total_length(outlines)))


def band_of(outline: FloatArray, half_mm: FloatArray) -> tuple[FloatArray, ...]:
    """Rings (m, 2) round all that lies within `half_mm` (m,) of an outline, for even-odd filling."""
    discs = shapely.buffer(shapely.points(outline), half_mm, quad_segs=4)
    pairs = shapely.geometrycollections(np.column_stack([discs, np.roll(discs, -1)]))
    return rings_of(shapely.union_all(shapely.convex_hull(pairs)))


def strays_mm(shares: Float32Array, weights: Float32Array, outline: FloatArray, grid: Grid) -> FloatArray:
    """How far each copy's edge lies outside the outline, (n, points) in mm; NaN where it is not seen.

    Notes
    -----
    Along each normal the copy's share of metal is summed against that of the outline itself: the difference
    is the displacement, whatever the blur.
    """
    points, normals = stations(outline)
    s = np.arange(-REACH_MM, REACH_MM + 1e-9, grid.mm_per_px / 2.0)
    xy = points[:, None] + s[None, :, None] * normals[:, None]
    rows = (grid.centre_px[1] - xy[..., 1] / grid.mm_per_px).astype(np.float32)
    columns = (xy[..., 0] / grid.mm_per_px + grid.centre_px[0]).astype(np.float32)
    step = s[1] - s[0]
    out = np.full((len(shares), len(points)), np.nan)
    for n in range(len(shares)):
        share = cv2.remap(shares[n], columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        seen = cv2.remap(weights[n], columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).min(axis=1)
        straight = (share[:, 0] > 0.7) & (share[:, -1] < 0.3) & (seen > 0.5)
        out[n, straight] = (share[straight].sum(1) - 0.5) * step - REACH_MM
    return out


def _smoothed(points: FloatArray, mm_per_px: float) -> FloatArray:
    """The ring with the staircase of its pixels smoothed away, its area kept."""
    length = np.hypot(*(np.roll(points, -1, 0) - points).T).sum()
    width = 0.5 * mm_per_px / max(length / len(points), 1e-9)
    smooth = ndimage.gaussian_filter1d(points, width, axis=0, mode="wrap")
    return np.asarray(2.0 * smooth - ndimage.gaussian_filter1d(smooth, width, axis=0, mode="wrap"))


def stations(outline: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Evenly spaced points on a counter-clockwise outline and their outward normals."""
    ring = shapely.LinearRing(outline)
    n = max(12, round(ring.length / STEP_MM))
    at = np.arange(n) * ring.length / n
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    chord = np.roll(points, -2, 0) - np.roll(points, 2, 0)
    normals = np.column_stack([chord[:, 1], -chord[:, 0]])
    return points, normals / np.maximum(np.hypot(*chord.T), 1e-9)[:, None]


def _soft_step(share: Float32Array) -> Float32Array:
    """Share of a pixel within the one-half line, from its own share: a step two tenths wide."""
    return np.clip((share - 0.5) / 0.4 + 0.5, 0.0, 1.0)
