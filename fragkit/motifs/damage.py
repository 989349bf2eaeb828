"""Damage between the motifs, told from the ground by colour and texture together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.mixture import DAMAGE_MM, widely
from fragkit.motifs.tones import OPPONENT
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
CodeArray = NDArray[np.uint16]

BOXES = (20, 14, 12, 16)
"""Boxes along lightness, two opponent colours and roughness."""
SMOOTH_PX = 1.0
TEXTURE_MM = 0.4
"""Width (sd) over which roughness is averaged."""
FLOOR_GROUND, FLOOR_FOREIGN = 0.002, 0.05
"""Even share of each density: a look that the ground never has is foreign."""
N_STEPS = 5


@dataclass(frozen=True, eq=False)
class Looks:
    """Box number (h, w) of each pixel's colour and texture."""

    codes: CodeArray

    def density(self, weights: Float32Array, step: int, floor_ratio: float) -> FloatArray:
        """Density per box of every `step`-th row and column, smoothed by less than a box."""
        n = int(np.prod(BOXES))
        counts = np.bincount(self.codes[::step, ::step].ravel(), weights.ravel(), minlength=n).reshape(BOXES)
        smooth = ndimage.gaussian_filter(counts, 0.7, mode="nearest").ravel()
        return np.asarray((1.0 - floor_ratio) * smooth / max(float(smooth.sum()), 1e-9) + floor_ratio / n)


def looks_of(ratio: Float32Array, on_ground: BoolArray, mm_per_px: float) -> Looks:
    """Boxes that hold all but the outermost looks of what lies between the motifs."""
    axes = cv2.transform(cv2.GaussianBlur(ratio, (0, 0), SMOOTH_PX), OPPONENT)
    light = cv2.transform(ratio, OPPONENT[:1])
    fine = np.minimum(np.abs(light - cv2.GaussianBlur(light, (0, 0), 1.2)), np.float32(0.2))
    rough = np.log(widely(fine, TEXTURE_MM / mm_per_px) + np.float32(1e-4))
    code = np.zeros(on_ground.shape, np.int32)
    for layer, n in zip((*np.moveaxis(axes, -1, 0), rough), BOXES, strict=True):
        sample = layer[on_ground][:: max(1, int(on_ground.sum()) // 50_000)]
        low, high = np.percentile(sample, [0.3, 99.7])
        place = (layer - np.float32(low)) * np.float32(n / max(high - low, 1e-6))
        code = code * n + np.clip(place, 0, n - 1).astype(np.int32)
    return Looks(code.astype(np.uint16))


def thinning(mm_per_px: float) -> int:
    """Every how many-th row and column damage is learned from: it hangs together over twice as much."""
    return max(1, round(0.8 / mm_per_px))


def damage_odds(
    ratio: Float32Array, foreign: Float32Array, on_ground: BoolArray, trusted: BoolArray, mm_per_px: float
) -> Float32Array:
    """How much likelier (h, w) the look of each pixel is on foreign surface than on ground.

    Parameters
    ----------
    ratio : (h, w, 3) array
        Ratios to the ground.
    foreign : (h / step, w / step) array
        First probability, by tone, at every `thinning(mm_per_px)`-th row and column.
    on_ground : (h, w) bool array
        Between the motifs, within the picture: only there is it learned.
    trusted : (h, w) bool array
        Around motifs that show well: only there is the ground learned, so that a large loss is not taken for it.

    Notes
    -----
    Two densities over colour and roughness and a probability that is smooth in space, by expectation and maximisation.
    """
    looks = looks_of(ratio, on_ground, mm_per_px)
    step = thinning(mm_per_px)
    there, trust = (mask[::step, ::step].astype(np.float32) for mask in (on_ground, on_ground & trusted))
    codes, now = looks.codes[::step, ::step], np.asarray(foreign, np.float32)
    around = np.maximum(widely(there, DAMAGE_MM / (mm_per_px * step)), 1e-3)
    for _ in range(N_STEPS):
        of_ground = looks.density(trust * (1.0 - now), step, FLOOR_GROUND)
        odds = (looks.density(now * there, step, FLOOR_FOREIGN) / of_ground).astype(np.float32)
        prior = np.clip(widely(now * there, DAMAGE_MM / (mm_per_px * step)) / around, 0.01, 0.97)
        now = np.asarray(prior * odds[codes] / (prior * odds[codes] + 1.0 - prior), np.float32)
    return np.asarray(odds[looks.codes])
