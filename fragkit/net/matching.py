"""How well a template agrees with the features round every pixel."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.threads import side_by_side

FloatImage = NDArray[Any]


def window_energy(values: FloatImage, weight: FloatImage) -> FloatImage:
    """Σ w (f - f̄)² over a window of weights w round every pixel, all channels together; never 0."""
    total = float(weight.sum())
    planes = cv2.split(values)
    spread, *means = side_by_side(lambda plane: _filtered(plane, weight), [sum(p * p for p in planes), *planes])
    for mean in means:
        spread -= mean * mean / total
    floor = 1e-3 * float(np.mean(np.maximum(spread, 0.0))) + 1e-12
    return np.maximum(spread, floor)


def score_map(values: FloatImage, template: FloatImage, weight: FloatImage, energy: FloatImage) -> FloatImage:
    """Correlation coefficient in [-1, 1] of the template with the picture at every pixel.

    Parameters
    ----------
    values : (h, w, c) float32 array
    template : (m, n, c) array
    weight : (m, n) array
        How much each place of the template counts.
    energy : (h, w) array
        The `window_energy` of the picture.

    Notes
    -----
    ρ = Σ w t (f - f̄) / √(Σ w t² Σ w (f - f̄)²), t less its weighted mean, all channels together. Where the picture has
    next to no energy the score is 0.
    """
    centred = template - (template * weight[..., None]).sum((0, 1)) / float(weight.sum())
    energy_t = float((weight[..., None] * centred**2).sum())
    kernels = weight * np.moveaxis(centred, 2, 0)
    cross = sum(side_by_side(_filtered, cv2.split(values), list(kernels)))
    return np.clip(cross / np.sqrt(max(energy_t, 1e-12) * energy), -1.0, 1.0)


def _filtered(plane: FloatImage, kernel: FloatImage) -> FloatImage:
    kernel = np.ascontiguousarray(kernel, np.float32)
    plane = np.ascontiguousarray(plane)
    return np.asarray(cv2.filter2D(plane, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT))
