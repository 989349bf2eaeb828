"""The ground's own brightness over a picture, so that every copy is seen in the same light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.motifs.blurring import widely
from fragkit.motifs.centres import Centres
from fragkit.motifs.tones import summed
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import by_rows, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

COARSE_MM = 2.0
LOCAL_MM = (25.0, 12.0)
"""Widths (sd) over which light and stains are followed; much wider than a motif's parts."""
GOOD_RATIO = 0.6
STRIP_PX = 500_000
"""Whole numbers are averaged by strips of about so many pixels, so that no second picture is held."""
POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
"""Of x and y, in the terms of a light of low order."""
ENOUGH_CELLS, ENOUGH_PIXELS = 96, 20_000
"""About so many cells, and pixels, tell a light of low order; as many pixels, how the ground's tones spread."""
GONE_RATIO = 0.3
"""Where less than this of the motifs around is left, what looks like ground is not trusted to be it."""


@dataclass(frozen=True, eq=False)
class Light:
    """What makes a picture's pixel values ratios to its ground.

    Attributes
    ----------
    gain : (rows, columns, 3) float32 array
        One over the ground's pixel value, in the middles of blocks.
    frame : Picture
        Where these blocks lie.
    step_px : int
        Side of a block, in pixels of the picture the light was read from.
    """

    gain: Float32Array
    frame: Picture
    step_px: int

    def ratios(self, pixels: NDArray[Any]) -> Float32Array:
        """Ratios (h, w, 3) of the picture that the light was read from."""
        step, out = self.step_px, np.empty(pixels.shape, np.float32)
        gain = cv2.copyMakeBorder(self.gain, 1, 2, 1, 2, cv2.BORDER_REPLICATE)

        def divide(blocks: slice) -> None:
            rows = slice(blocks.start * step, min(blocks.stop * step, len(pixels)))
            part = gain[blocks.start : blocks.stop + 2]
            large = cv2.resize(part, (part.shape[1] * step, len(part) * step), interpolation=cv2.INTER_LINEAR)
            own = large[step : step + rows.stop - rows.start, step : step + pixels.shape[1]]
            cv2.multiply(pixels[rows], own, dst=out[rows], dtype=cv2.CV_32F)

        by_rows(divide, -(-len(pixels) // step))
        return out


def light_of(picture: Picture, centres: Centres) -> Light:
    """The value of the sound ground all over a picture, by which its pixels become ratios: 1 is ground.

    Notes
    -----
    The ground's value is the mode of each cell that shows its motif well, where ground is the largest
    surface. One tone under a light of low order is fitted to the modes (Tukey weights, so that a cell lost
    for the greater part does not count) and refined by the ground pixels around each place. Ratios of sRGB
    values are used: a factor on light is close to a factor on them, since their coding is nearly a power
    law.

    Raises
    ------
    EstimationError
        If no found centre has readable pixels around it.
    """
    step = max(1, round(COARSE_MM / picture.mm_per_px))
    scale = 255.0 if picture.pixels.dtype == np.uint8 else 65535.0
    coarse = _block_means(picture.pixels, step) * np.float32(1.0 / scale)
    read = shrink(picture.coverage.astype(np.float32), step) > 0.99
    places, modes = _cell_modes(coarse, read, picture, centres, step)
    field = _surface(places, modes, coarse.shape[:2])
    field *= _light_of_pixels(coarse / field, read)
    sound = np.where(read, _sound(picture, centres, coarse.shape[:2], step), np.float32(0.0))
    for width_mm in LOCAL_MM:
        field *= _local_gain(coarse / field, sound, width_mm / (step * picture.mm_per_px))
    gain = np.asarray(np.float32(1.0 / scale) / np.maximum(field, np.float32(1e-3)), np.float32)
    return Light(gain, in_blocks(picture, step, gain, read), step)


def in_blocks(picture: Picture, step: int, pixels: NDArray[Any], coverage: NDArray[np.bool_]) -> Picture:
    """A picture whose pixels are the blocks of `step` by `step` pixels of another."""
    shift_mm = (step - 1) / 2.0 * picture.mm_per_px * np.array([1.0, -1.0])
    return Picture(
        pixels=pixels,
        mm_per_px=picture.mm_per_px * step,
        origin_mm=picture.origin_mm + shift_mm,
        coverage=coverage,
    )


def _block_means(pixels: NDArray[Any], step: int) -> Float32Array:
    """Means over blocks of whole numbers, a strip at a time."""
    rows = max(1, STRIP_PX // (step * pixels.shape[1])) * step
    tops = range(0, pixels.shape[0] - step + 1, rows)
    return np.concatenate(side_by_side(lambda k: shrink(pixels[k : k + rows].astype(np.float32), step), tops))


def shrink(image: Float32Array, step: int) -> Float32Array:
    """Means over blocks of `step` by `step` pixels; a rest at the right and below is dropped."""
    if step == 1:
        return image
    high, wide = image.shape[0] // step, image.shape[1] // step
    return np.asarray(cv2.resize(image[: high * step, : wide * step], (wide, high), interpolation=cv2.INTER_AREA))


def _cell_modes(
    coarse: Float32Array, read: NDArray[np.bool_], picture: Picture, centres: Centres, step: int
) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) in coarse pixels and ground values (n, 3) of the cells that show their motif."""
    good = centres.found & (centres.visible_ratio >= GOOD_RATIO)
    used = good if good.sum() >= 6 else centres.found
    some = centres.xy_mm[used][:: max(1, int(used.sum()) // ENOUGH_CELLS)]
    px = (picture.to_px(some) - (step - 1) / 2.0) / step
    half = 0.5 * np.sqrt(centres.net.cell_area_mm2) / (step * picture.mm_per_px)
    places, modes, light = [], [], summed(coarse) / np.float32(3.0)
    for x, y in px:
        window = (
            slice(max(0, int(y - half)), max(0, int(y + half) + 1)),
            slice(max(0, int(x - half)), max(0, int(x + half) + 1)),
        )
        inside = read[window]
        if inside.sum() >= 30:
            places.append((x, y))
            modes.append(_mode(coarse[window][inside], light[window][inside]))
    if not places:
        raise EstimationError(
            "The ground around the motifs cannot be read.",
            found=f"{int(centres.found.sum())} found centres, none with readable pixels around it",
            needed="at least one motif with ground around it",
        )
    return np.array(places), np.array(modes)


def _mode(colours: Float32Array, light: Float32Array) -> FloatArray:
    """The commonest colour: the half-sample mode of lightness, then the mean of the pixels near it."""
    rest = np.sort(light)
    while len(rest) > 8:
        n = len(rest) // 2
        start = int(np.argmin(rest[n:] - rest[: len(rest) - n]))
        rest = rest[start : start + n]
    middle = rest.mean()
    near = colours.compress(np.abs(light - middle) < 0.03 * middle, axis=0)
    return np.asarray(np.median(near.T.copy(), axis=1), float)


def _surface(places: FloatArray, modes: FloatArray, shape: tuple[int, int]) -> Float32Array:
    """One tone times a light that is quadratic over the picture with 12 or more cells, a plane with 5."""
    n_terms = 6 if len(places) >= 12 else 3 if len(places) >= 5 else 1
    design, logs = _terms(places, shape, n_terms), np.log(modes)
    tone, weights = np.median(logs - logs.mean(axis=1, keepdims=True), axis=0), np.ones(len(places))
    for _ in range(15):
        light = _fit(design, (logs - tone).mean(axis=1), weights)
        away = logs - (design @ light)[:, None]
        residual = np.abs(away - tone).max(axis=1)
        weights = _tukey(residual, 4.0 * (1.4826 * np.median(residual) + 0.004))
        tone = np.average(away, axis=0, weights=weights)
    return np.exp(_everywhere(light, shape) + tone.astype(np.float32))


def _light_of_pixels(ratio: Float32Array, read: NDArray[np.bool_]) -> Float32Array:
    """What is left of uneven light (h, w, 1): a cubic through the pixels of the ground, limits closing in."""
    shape = ratio.shape[:2]
    used = np.flatnonzero(read)[:: max(1, int(read.sum()) // ENOUGH_PIXELS)]
    logs = np.log(np.maximum(ratio.reshape(-1, 3)[used].T, 1e-3)).astype(float, order="C")
    mean = logs.mean(axis=0)
    within, light = _terms(np.column_stack([used % shape[1], used // shape[1]]), shape, 10), np.zeros(10)
    for limit in (0.15, 0.12, 0.09, 0.07, 0.06, 0.06):
        away = np.abs(logs - within @ light).max(axis=0)
        light = _fit(within, mean, _tukey(away, limit))
    return np.exp(_everywhere(light, shape))


def _everywhere(light: FloatArray, shape: tuple[int, int]) -> Float32Array:
    """Powers of x and y with some weights (n_terms,), all over a picture (h, w, 1)."""
    table = np.zeros((4, 4))
    for (of_x, of_y), weight in zip(POWERS, light, strict=False):
        table[of_y, of_x] = weight
    x, y = (np.vander(2.0 * np.arange(side) / side - 1.0, 4, increasing=True) for side in shape[::-1])
    return np.asarray((y @ table @ x.T)[..., None], np.float32)


def _terms(xy: FloatArray, shape: tuple[int, int], n_terms: int) -> FloatArray:
    """Powers of x and y up to degree 0, 1, 2 or 3 (1, 3, 6 or 10 terms), the picture spanning -1 to 1."""
    x, y = (2.0 * xy / np.array(shape[::-1], float) - 1.0).T
    return np.stack([x**of_x * y**of_y for of_x, of_y in POWERS[:n_terms]], axis=1)


def _fit(design: FloatArray, values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted least squares, slopes and curves drawn a little towards even light."""
    ridge = np.diag([0.0, *[0.2] * (design.shape[1] - 1)])
    weighted = design * weights[:, None]
    return np.asarray(np.linalg.solve(weighted.T @ design + ridge, weighted.T @ values))


def _tukey(residual: FloatArray, limit: float) -> FloatArray:
    return np.clip(1.0 - (residual / limit) ** 2, 1e-6, None) ** 2


def _sound(picture: Picture, centres: Centres, shape: tuple[int, int], step: int) -> Float32Array:
    """How far (h, w), 0 to 1, the motifs around each place are left: where they are gone, so is the ground."""
    x, y = np.round((picture.to_px(centres.xy_mm) - (step - 1) / 2.0) / step).astype(int).T
    known = np.array(centres.status) != "outside"
    known &= (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
    marks = np.zeros((2, *shape), np.float32)
    marks[0, y[known], x[known]] = 1.0
    marks[1, y[known], x[known]] = (centres.visible_ratio * centres.found)[known]
    width = 0.35 * float(np.sqrt(centres.net.cell_area_mm2)) / (step * picture.mm_per_px)
    total, shown = side_by_side(lambda layer: widely(layer, width), list(marks))
    left = shown / np.maximum(total, 1e-9 * max(float(total.max()), 1e-9))
    return np.asarray(np.clip((left - GONE_RATIO) / GONE_RATIO, 0.0, 1.0), np.float32)


def _local_gain(ratio: Float32Array, sound: Float32Array, width_px: float) -> Float32Array:
    """Mean ratio of the ground pixels around each place, drawn towards 1 where there are few."""
    away = np.maximum.reduce([np.abs(plane - np.float32(1.0)) for plane in cv2.split(ratio)])
    near = (sound > 0.0) & (away < 0.08)
    seen = away[near]
    spread = np.median(seen[:: max(1, len(seen) // ENOUGH_PIXELS)]) if len(seen) else 0.02
    weight = np.where(away < np.clip(4.0 * spread, 0.04, 0.10), sound, np.float32(0.0))
    layers = [weight, *((plane - np.float32(1.0)) * weight for plane in cv2.split(ratio))]
    near_by, *pulled = side_by_side(lambda layer: widely(layer, width_px), layers)
    total = near_by + np.float32(0.03)
    return np.asarray(cv2.merge([np.add(1.0, layer / total, dtype=np.float32) for layer in pulled]))
