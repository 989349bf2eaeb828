"""A picture at a working scale, where a cell of the net has a handy size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Sheet, window_of
from fragkit.net import features
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]


@dataclass(frozen=True, eq=False, kw_only=True)
class View:
    """A picture at one working scale.

    Attributes
    ----------
    pixels : (h, w, c) float32 array
    believed : (h, w) bool array
    sheet : Sheet
        Its features.
    basis : (2, 2) array
        Net vectors, one a row, px, y down.
    scale : (2,) array
        Working px per full-scale px, x and y.
    """

    pixels: FloatImage
    believed: NDArray[np.bool_]
    sheet: Sheet
    basis: FloatArray
    scale: FloatArray

    @property
    def shortest_px(self) -> float:
        """Length of the shorter net vector."""
        return float(np.hypot(*self.basis.T).min())


def view_of(
    pixels: FloatImage, believed: NDArray[np.bool_], basis: FloatArray, *, cell_px: float, scale_px: float
) -> View:
    """The picture reduced until the root of a cell's area is `cell_px` (never enlarged), and its features.

    Parameters
    ----------
    pixels : (h, w, c) float32 array
    believed : (h, w) bool array
    basis : (2, 2) array
        Net vectors at full scale, one a row, px, y down.
    cell_px : float
    scale_px : float
        Radius of the gradient filter at the working scale.
    """
    height, width = believed.shape
    ratio = min(1.0, cell_px / cell_side_px(basis))
    size = (max(2, round(width * ratio)), max(2, round(height * ratio)))
    scale = np.array([size[0] / width, size[1] / height])
    if ratio < 1.0:
        share = cv2.resize(believed.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
        believed = share > 0.95
    reduced = basis * scale
    sheet = Sheet(
        values=features(pixels, scale_px=scale_px, mask=believed),
        share=believed.astype(np.float32),
        window=window_of(*reduced),
    )
    return View(pixels=pixels, believed=believed, sheet=sheet, basis=reduced, scale=scale)


def cell_side_px(basis: FloatArray) -> float:
    """Root of the area of a cell."""
    return float(np.sqrt(abs(np.linalg.det(basis))))


def moved(place_px: FloatArray, start: View, end: View) -> FloatArray:
    """Pixel positions on one working scale as positions on another; pixel centres lie at whole numbers."""
    return (place_px + 0.5) / start.scale * end.scale - 0.5
