"""Damage between the motifs, told from the ground by colour and texture together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.blurring import widely
from fragkit.motifs.mixture import DAMAGE_MM
from fragkit.motifs.strips import Strip
from fragkit.motifs.tones import OPPONENT, smoothed
from fragkit.opencv import cv2
from fragkit.threads import side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
CodeArray = NDArray[np.uint16]

BOXES = (20, 14, 12, 16)
"""Boxes along lightness, two opponent colours and roughness."""
SMOOTH_BOXES = 0.7
"""Width (sd) in boxes over which densities are smoothed."""
SMOOTH_PX = 1.0
TEXTURE_MM = 0.4
"""Width (sd) over which roughness is averaged."""
FLOOR_GROUND, FLOOR_FOREIGN = 0.002, 0.05
"""Even share of each density: a look that the ground never has is foreign."""
BAND_PX, BAND_EVERY, REACH_PX = 24, 4, 8
"""What range looks have is told by every fourth band of so many rows; a look reaches no further than so many pixels."""
ENOUGH_LOOKS = 50_000
N_STEPS = 5
ENOUGH_PIXELS = 400_000
"""Looks are learned from every second row and column of those that tell damage where there are more than these."""


@dataclass(frozen=True, eq=False)
class Odds:
    """How much likelier each look is on foreign surface than on ground.

    Attributes
    ----------
    codes : (h, w) uint16 array
        Box number of each pixel's colour and texture.
    ratios : (n_boxes,) float32 array
    """

    codes: CodeArray
    ratios: Float32Array

    def at(self, rows: slice, some: tuple[slice, slice] = np.s_[:, :]) -> Float32Array:
        """The odds (rows, w) of the pixels of some rows, or of some of these."""
        return np.asarray(self.ratios[self.codes[rows][some]])


def looks_of(ratio: Float32Array, on_ground: BoolArray, mm_per_px: float, strips: Sequence[Strip]) -> CodeArray:
    """Number (h, w) of the box of each pixel's look; boxes hold all but the outermost looks between the motifs, as some
    bands of the picture tell them."""
    told = on_ground if on_ground.any() else np.ones_like(on_ground)
    every = max(1, int(told.sum()) // (ENOUGH_LOOKS * BAND_EVERY))

    def sample(band: Strip) -> Float32Array:
        chosen = np.flatnonzero(told[band.inner])[::every]
        return np.stack([layer[band.own].ravel()[chosen] for layer in _look(ratio[band.outer], mm_per_px)])

    samples = side_by_side(sample, _bands(np.asarray(told.any(axis=1))))
    low, high = np.percentile(np.concatenate(samples, axis=1), [0.3, 99.7], axis=1)

    def sort(strip: Strip) -> CodeArray:
        return _sorted([layer[strip.own] for layer in _look(ratio[strip.outer], mm_per_px)], low, high)

    return np.concatenate(side_by_side(sort, strips))


def _bands(told: BoolArray) -> list[Strip]:
    """Every so many-th band of rows from the first that tells something (h,) on, and the few rows beside it that its
    looks reach."""
    height, first = len(told), int(told.argmax())
    inner = [slice(top, min(top + BAND_PX, height)) for top in range(first, height, BAND_PX * BAND_EVERY)]
    return [Strip(k, slice(max(k.start - REACH_PX, 0), min(k.stop + REACH_PX, height))) for k in inner]


def _look(ratio: Float32Array, mm_per_px: float) -> list[Float32Array]:
    """Lightness, two opponent colours and roughness (h, w) of each place."""
    axes = cv2.transform(cv2.GaussianBlur(ratio, (0, 0), SMOOTH_PX), OPPONENT)
    light = cv2.transform(ratio, OPPONENT[:1])
    fine = np.minimum(cv2.absdiff(light, cv2.GaussianBlur(light, (0, 0), 1.2)), np.float32(0.2))
    rough = cv2.log(widely(fine, TEXTURE_MM / mm_per_px) + np.float32(1e-4))
    return [*np.ascontiguousarray(np.moveaxis(np.asarray(axes, np.float32), 2, 0)), np.asarray(rough, np.float32)]


def _sorted(looks: Sequence[Float32Array], low: FloatArray, high: FloatArray) -> CodeArray:
    code = np.zeros(looks[0].shape, np.uint16)
    for layer, n, first, last in zip(looks, BOXES, low, high, strict=True):
        place = (layer - np.float32(first)) * np.float32(n / max(last - first, 1e-6))
        np.clip(place, 0, n - 1, out=place)
        code *= np.uint16(n)
        code += place.astype(np.uint16)
    return code


def thinning(mm_per_px: float) -> int:
    """Every how many-th row and column damage is learned from, and what lies about a place: it hangs together over
    twice as much."""
    return max(2, round(0.8 / mm_per_px))


def damage_odds(
    codes: CodeArray, foreign: Float32Array, on_ground: BoolArray, trusted: BoolArray, mm_per_px: float
) -> Odds:
    """How much likelier the look of each pixel is on foreign surface than on ground.

    Parameters
    ----------
    codes : (h, w) uint16 array
        From `looks_of`.
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
    step = thinning(mm_per_px)
    if foreign.size > ENOUGH_PIXELS:
        step, foreign = 2 * step, foreign[::2, ::2]
    thin = np.s_[::step, ::step]
    there, trust = (mask[thin].astype(np.float32) for mask in (on_ground, on_ground & trusted))
    some, now, width_px = codes[thin], foreign, DAMAGE_MM / (mm_per_px * step)
    around = np.maximum(widely(there, width_px), np.float32(1e-3))
    for _ in range(N_STEPS):
        here, sound = now * there, trust * (1.0 - now)
        of_foreign, of_ground = side_by_side(
            lambda weights, floor: _density(some, weights, floor), (here, sound), (FLOOR_FOREIGN, FLOOR_GROUND)
        )
        ratios = (of_foreign / of_ground).astype(np.float32)
        prior = np.clip(widely(here, width_px) / around, np.float32(0.01), np.float32(0.97))
        now = np.asarray(prior * ratios[some], np.float32)
        now /= now + 1.0 - prior
    return Odds(codes, ratios)


def _density(codes: CodeArray, weights: Float32Array, floor_ratio: float) -> FloatArray:
    """Density per box of some looks, smoothed by less than a box."""
    n = int(np.prod(BOXES))
    counts = np.bincount(codes.ravel(), weights.ravel(), minlength=n).reshape(BOXES)
    smooth = smoothed(counts, (SMOOTH_BOXES,) * len(BOXES)).ravel()
    return np.asarray((1.0 - floor_ratio) * smooth / max(float(smooth.sum()), 1e-9) + floor_ratio / n)
