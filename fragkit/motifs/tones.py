"""Tones: colours sorted into fine boxes, and the density of each surface over the boxes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
CodeArray = NDArray[np.uint16]

BOXES = (76, 30, 26)
"""Boxes along lightness, yellow-blue and green-purple; their product stays below 65536."""
ENOUGH_TONES = 30_000
"""About so many tones tell what range they have."""
BEYOND = 0.05
"""Empty room left beyond the tones seen, so that a tone never seen is not sorted with one that was."""
SMOOTH_BOXES = (1.0, 0.8, 0.8)
"""Widths (sd) in boxes over which densities are smoothed."""
OPPONENT = np.array([[1.0, 1.0, 1.0], [1.5, 0.0, -1.5], [-0.75, 1.5, -0.75]], np.float32) / 3.0


def summed(layers: NDArray[Any]) -> Float32Array:
    """Layers (h, w, 3) added up."""
    return np.asarray(cv2.transform(layers, np.ones((1, 3), np.float32)), np.float32)


@dataclass(frozen=True, eq=False)
class ToneBoxes:
    """Boxes over lightness and two opponent colours, made to fit the data.

    Attributes
    ----------
    low, width : (3,) arrays
        Lower edge of the first box, and the boxes' width, per axis; in ratios to the ground.
    """

    low: Float32Array
    width: Float32Array

    def sort(self, colours: Float32Array) -> CodeArray:
        """The box (...) of each colour (..., 3); colours beyond the ends go to the outermost boxes."""
        to_places = np.column_stack([OPPONENT / self.width[:, None], -self.low / self.width])
        places = cv2.transform(np.asarray(colours, np.float32).reshape(-1, 1, 3), to_places)
        code = np.zeros(places.shape[:2], np.uint16)
        for plane, n in zip(cv2.split(places), BOXES, strict=True):
            code *= np.uint16(n)
            code += np.clip(plane, 0.0, n - 1.0, out=plane).astype(np.uint16)
        return code.reshape(colours.shape[:-1])

    def middles(self) -> FloatArray:
        """The colour (n_boxes, 3) in the middle of every box."""
        steps = np.stack(np.unravel_index(np.arange(int(np.prod(BOXES))), BOXES), axis=1)
        return np.asarray((self.low + (steps + 0.5) * self.width) @ np.linalg.inv(OPPONENT).T, float)

    def density(self, codes: NDArray[Any], weights: Float32Array, *, floor_ratio: float) -> Float32Array:
        """Density per box of the weighted colours, smoothed by about a box; it sums to 1.

        `floor_ratio` of it is spread evenly, so that no colour is impossible.
        """
        n = int(np.prod(BOXES))
        counts = np.bincount(codes.ravel(), weights.ravel(), minlength=n).reshape(BOXES)
        total = counts.sum()
        if total <= 0.0:
            return np.full(n, 1.0 / n, np.float32)
        shape = smoothed(counts / total, SMOOTH_BOXES).ravel()
        return ((1.0 - floor_ratio) * shape / shape.sum() + floor_ratio / n).astype(np.float32)


def smoothed(counts: NDArray[Any], widths: Sequence[float]) -> Float32Array:
    """Counts per box smoothed along each axis by a bell of this width (sd) in boxes, the outermost carried on."""
    for width in widths:
        bell = cv2.getGaussianKernel(2 * int(4.0 * width + 0.5) + 1, width, cv2.CV_32F)
        rows = np.asarray(counts.reshape(len(counts), -1), np.float32)
        flat = cv2.sepFilter2D(rows, cv2.CV_32F, np.ones(1, np.float32), bell, borderType=cv2.BORDER_REPLICATE)
        counts = np.moveaxis(flat.reshape(counts.shape), 0, -1)  # the next axis comes first
    return np.ascontiguousarray(counts, np.float32)


def boxes_for(colours: Float32Array) -> ToneBoxes:
    """Boxes that hold all but the outermost colours (n, 3)."""
    axes = colours[:: max(1, len(colours) // ENOUGH_TONES)] @ OPPONENT.T
    low, high = np.percentile(axes, [0.1, 99.9], axis=0)
    margin = 0.03 * (high - low) + BEYOND
    width = (high - low + 2.0 * margin) / BOXES
    return ToneBoxes((low - margin).astype(np.float32), width.astype(np.float32))
