"""A picture at a working scale, where a cell of the net has a handy size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Sheet, window_of
from fragkit.net import features_of, pixels_and_mask, size_of
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_ROW_HEIGHT = 1.5
"""Height of what belongs to a site of a single row, in steps."""


@dataclass(frozen=True, eq=False, kw_only=True)
class View:
    """A picture at one working scale.

    Attributes
    ----------
    pixels : (h, w, c) float32 array
    believed : (h, w) bool array
    gradient_px : float
        Radius of the gradient filter of its features.
    basis : (2, 2) array
        Net vectors, one a row, px, y down.
    cell : (2, 2) array
        What belongs to a site: the net vectors, or the step of a single row and a second vector not much longer.
    scale : (2,) array
        Working px per full-scale px, x and y.
    """

    pixels: FloatImage
    believed: NDArray[np.bool_]
    gradient_px: float
    basis: FloatArray
    cell: FloatArray
    scale: FloatArray

    @cached_property
    def sheet(self) -> Sheet:
        """Its features."""
        return Sheet(
            values=features_of(self.pixels, self.believed, scale_px=self.gradient_px),
            share=self.believed.astype(np.float32),
            window=window_of(*self.cell),
        )

    @property
    def shortest_px(self) -> float:
        """Length of the shorter net vector."""
        return float(np.hypot(*self.basis.T).min())

    def reduced(self, *, cell_px: float, scale_px: float) -> View:
        """The same picture at a coarser scale; see `view_of`."""
        coarse = view_of(self.pixels, self.believed, self.cell, cell_px=cell_px, scale_px=scale_px)
        return replace(coarse, basis=self.basis * coarse.scale, scale=coarse.scale * self.scale)


def view_of(
    picture: Picture | NDArray[np.generic],
    mask: NDArray[np.bool_] | None,
    basis: FloatArray,
    *,
    cell_px: float,
    scale_px: float,
    is_row: bool = False,
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
    is_row : bool
        Whether the motif repeats along the first vector alone.
    """
    height, width = size_of(picture)
    cell = cell_of(basis) if is_row else basis
    ratio = min(1.0, cell_px / cell_side_px(cell))
    size = (max(2, round(width * ratio)), max(2, round(height * ratio)))
    scale = np.array([size[0] / width, size[1] / height])
    pixels, believed = pixels_and_mask(picture, mask, size_px=size)
    basis, cell = basis * scale, cell * scale
    return View(pixels=pixels, believed=believed, gradient_px=scale_px, basis=basis, cell=cell, scale=scale)


def cell_of(row: FloatArray) -> FloatArray:
    """What belongs to a site of a single row: its step, and across it no more than one and a half steps."""
    step, across = np.hypot(*row.T)
    return np.array([row[0], row[1] * min(1.0, _ROW_HEIGHT * step / across)])


def cell_side_px(basis: FloatArray) -> float:
    """Root of the area of a cell."""
    return float(np.sqrt(abs(np.linalg.det(basis))))


def moved(place_px: FloatArray, start: View, end: View) -> FloatArray:
    """Pixel positions on one working scale as positions on another; pixel centres lie at whole numbers."""
    return (place_px + 0.5) / start.scale * end.scale - 0.5
