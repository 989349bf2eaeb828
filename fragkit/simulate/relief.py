"""The wall out of its plane: a few broad bulges and hollows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Relief:
    """Height towards the camera as a sum of round bulges.

    Attributes
    ----------
    centres_mm : (k, 2) array
    radius_mm, height_mm : (k,) arrays
        One standard deviation of each bulge's Gaussian profile, and its height.
    """

    centres_mm: FloatArray
    radius_mm: FloatArray
    height_mm: FloatArray

    def at(self, xy_mm: ArrayLike) -> FloatArray:
        """Height (…) in mm at places (…, 2)."""
        away = np.asarray(xy_mm, float)[..., None, :] - self.centres_mm
        return np.sum(self.height_mm * np.exp(-0.5 * (away**2).sum(-1) / self.radius_mm**2), axis=-1)


FLAT = Relief(centres_mm=np.zeros((0, 2)), radius_mm=np.ones(0), height_mm=np.zeros(0))
"""No relief."""


def draw_relief(box_mm: tuple[float, float, float, float], *, relief_mm: float, rng: np.random.Generator) -> Relief:
    """Three bulges or hollows in a box whose heights have a standard deviation of `relief_mm` / 2."""
    x0, y0, x1, y1 = box_mm
    return Relief(
        centres_mm=rng.uniform([x0, y0], [x1, y1], (3, 2)),
        radius_mm=rng.uniform(0.18, 0.4, 3) * (x1 - x0),
        height_mm=rng.normal(0.0, relief_mm / 2.0, 3),
    )
