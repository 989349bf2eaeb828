"""A picture at a working scale, where a cell of the net has a handy size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Sheet, window_of
from fragkit.net import features_of, pixels_and_mask, size_of
from fragkit.rectify import Picture

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

    def reduced(self, *, cell_px: float, scale_px: float) -> View:
        """The same picture at a coarser scale; see `view_of`."""
        coarse = view_of(self.pixels, self.believed, self.basis, cell_px=cell_px, scale_px=scale_px)
        return replace(coarse, scale=coarse.scale * self.scale)


def view_of(
    picture: Picture | NDArray[np.generic],
    mask: NDArray[np.bool_] | None,
    basis: FloatArray,
    *,
    cell_px: float,
    scale_px: float,
) -> View:
    """The picture reduced until the root of a cell's area is `cell_px` (never enlarged), and its features.

    Parameters
    ----------
    picture : Picture or (h, w) or (h, w, c) array
    mask : (h, w) bool array or None
    basis : (2, 2) array
        Net vectors at full scale, one a row, px, y down.
    cell_px : float
    scale_px : float
        Radius of the gradient filter at the working scale.
    """
    height, width = size_of(picture)
    ratio = min(1.0, cell_px / cell_side_px(basis))
    size = (max(2, round(width * ratio)), max(2, round(height * ratio)))
    scale = np.array([size[0] / width, size[1] / height])
    pixels, believed = pixels_and_mask(picture, mask, size_px=size)
    reduced = basis * scale
    sheet = Sheet(
        values=features_of(pixels, believed, scale_px=scale_px),
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
