"""The motif's silhouette, bare lines closed, and how the copies stray from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs import outlines as lines
from fragkit.motifs.copies import Grid
from fragkit.motifs.procrustes import Shapes, align_shapes
from fragkit.motifs.spread import Spread, spread_of
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

CLOSED_MM = 1.2
"""Bare lines up to about this wide belong to the inside of a silhouette."""
WELL_SEEN_RATIO = 0.85
FEWEST_SHAPES = 4


@dataclass(frozen=True, eq=False)
class Strays:
    """How the copies stray from the largest silhouette.

    Attributes
    ----------
    outline_mm : (m, 2) array
        The silhouette, from the grid's centre, y up.
    strays_mm : (n, points) array
        How far each copy's edge lies outside it; NaN where that is not seen.
    spread : Spread or None
        How far copies stray; None with fewer than three that show enough of it.
    shapes : Shapes or None
        Copies seen nearly all round, brought onto each other; None with fewer than four.
    """

    outline_mm: FloatArray
    strays_mm: FloatArray
    spread: Spread | None
    shapes: Shapes | None


def stray_from_silhouette(
    typical: Float32Array, shares: Float32Array, weights: Float32Array, grid: Grid
) -> Strays | None:
    """How copies stray from the silhouette of the typical copy; None if it has none.

    Parameters
    ----------
    typical : (h, w) array
        Share of metal in a typical copy.
    shares, weights : (n, h, w) arrays
        Share of metal in each copy, and how far the copy shows the place.
    """
    found = lines.outlines_of(closed(typical, grid), grid)
    if not found:
        return None
    copies = np.stack([closed(share, grid) for share in shares])
    strays = lines.strays_mm(copies, weights, found[0], grid)
    return Strays(found[0], strays, _spread(strays, found[0]), _shapes(strays, found[0]))


def closed(share: Float32Array, grid: Grid) -> Float32Array:
    """The map (h, w) with bare lines up to about 1.2 mm wide filled."""
    side = 2 * max(1, round(CLOSED_MM / (2.0 * grid.mm_per_px))) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(cv2.morphologyEx(share, cv2.MORPH_CLOSE, disc), np.float32)


def _spread(strays: FloatArray, outline: FloatArray) -> Spread | None:
    apart = slice(None, None, lines.NUGGET_STEPS)
    points, normals = lines.stations(outline)
    return spread_of(strays[:, apart], points[apart], normals[apart])


def _shapes(strays: FloatArray, outline: FloatArray) -> Shapes | None:
    """Outlines of the copies that are seen nearly all round; what is not seen is bridged between its neighbours."""
    whole = np.isfinite(strays).mean(axis=1) >= WELL_SEEN_RATIO
    if whole.sum() < FEWEST_SHAPES:
        return None
    points, normals = lines.stations(outline)
    at = np.arange(len(points))
    filled = [np.interp(at, at[np.isfinite(r)], r[np.isfinite(r)], period=len(at)) for r in strays[whole]]
    return align_shapes(points + np.array(filled)[..., None] * normals)
