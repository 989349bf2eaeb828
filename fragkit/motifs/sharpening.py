"""The typical copy behind a mean of many: a mean over copies that wander is soft, each copy is sharp.

A bare line as narrow as the wandering stays below one half in the mean and would be lost from an outline drawn there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

N_STEPS = 12
"""Few steps: noise grows with each."""
CAUTION = 0.9
"""The blur taken off is this share of the one measured, so that no detail is invented."""


def edge_width_px(share: Float32Array) -> float | None:
    """Blur (sd, px) of the edges of a share map (h, w), or None without an edge.

    Notes
    -----
    An edge blurred by a Gaussian of sd w has the slope 1 / (w √(2π)) half-way; the median over the places near one
    half that have full share on one side and none on the other.
    """
    rows, columns = np.gradient(share.astype(float))
    slope = np.hypot(rows, columns)
    reach = np.ones((11, 11), np.uint8)
    whole = (cv2.dilate(share, reach) > 0.9) & (cv2.erode(share, reach) < 0.1)
    there = whole & (np.abs(share - 0.5) < 0.12)
    if there.sum() < 20:
        return None
    return float(1.0 / (np.median(slope[there]) * np.sqrt(2.0 * np.pi)))


def sharpen(share: Float32Array, width_px: float) -> Float32Array:
    """The map (h, w) from 0 to 1 that gives `share` when blurred by `width_px` (sd).

    References
    ----------
    Van Cittert, P. H. (1931) Z. Phys. 69, 298-308; with the bounds 0 and 1 as in Jansson, P. A. (1970)
    J. Opt. Soc. Am. 60, 184-191 (in spirit: clipped instead of weighted).
    """
    sharp = share.copy()
    for _ in range(N_STEPS):
        sharp = np.clip(sharp + share - cv2.GaussianBlur(sharp, (0, 0), width_px), 0.0, 1.0)
    return np.asarray(sharp, np.float32)
