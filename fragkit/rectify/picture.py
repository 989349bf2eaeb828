"""A true-scale picture of a plane: the exchange type from `rectify` to `net`, `motifs` and `colour`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.frozen import frozen_array

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Picture:
    """A true-scale picture of a plane.

    Attributes
    ----------
    pixels : (h, w, 3) array of uint8 or uint16
        sRGB-encoded unless `rectify` says otherwise. Row 0 is the top (largest y).
        Read-only views, not copies: pictures are large.
    mm_per_px : float
    origin_mm : (2,) array
        Plane coordinates (x right, y up) of the centre of the top-left pixel.
    coverage : (h, w) bool array
        Where the photograph shows the plane and nothing foreign (boards, stickers) lies on it.
    icc : bytes or None
        Colour profile of the photograph, to be written with the picture; None means sRGB.
    """

    pixels: NDArray[Any]
    mm_per_px: float
    origin_mm: FloatArray
    coverage: NDArray[np.bool_]
    icc: bytes | None = None

    def __post_init__(self) -> None:
        for name in ("pixels", "coverage"):
            view = getattr(self, name).view()
            view.setflags(write=False)
            object.__setattr__(self, name, view)
        object.__setattr__(self, "origin_mm", frozen_array(self.origin_mm, float))

    def __repr__(self) -> str:
        height, width = self.pixels.shape[:2]
        return f"Picture({width} × {height} px at {self.mm_per_px:g} mm, {self.pixels.dtype})"

    def to_mm(self, xy_px: FloatArray) -> FloatArray:
        """Plane coordinates (n, 2) in mm of picture pixels (n, 2), x right, y down."""
        return self.origin_mm + np.asarray(xy_px, float) * [self.mm_per_px, -self.mm_per_px]

    def to_px(self, xy_mm: FloatArray) -> FloatArray:
        """Picture pixels (n, 2) of plane coordinates (n, 2) in mm."""
        return (np.asarray(xy_mm, float) - self.origin_mm) / [self.mm_per_px, -self.mm_per_px]
