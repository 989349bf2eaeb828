"""Layers blurred by many pixels, as what hangs together over millimetres is: one, or many to a call."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.copies import tall
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]

MOST_TAPS = 5
"""Up to this side, a running mean taken three times is quicker as one filter."""


def widely(layer: Float32Array, width_px: float) -> Float32Array:
    """The layer (h, w) or layers (h, w, k) blurred by about `width_px` (sd).

    Notes
    -----
    A running mean taken three times; a wide one in means over blocks, whose side is half its width (two pixels for
    one of three), by a bell of the same variance less that of the blocks and of the lines between their middles.
    """
    side, step = _side(width_px), block_side_px(width_px, layer.shape[:2])
    if step > 1:
        return _in_blocks(layer, step, _sd_blocks(width_px, step))
    if side <= MOST_TAPS:
        return np.asarray(cv2.sepFilter2D(layer, cv2.CV_32F, _thrice(side), _thrice(side)))
    for _ in range(3):
        layer = np.asarray(cv2.blur(layer, (side, side)), np.float32)
    return layer


def _in_blocks(layer: Float32Array, step: int, sd_blocks: float) -> Float32Array:
    height, width = layer.shape[:2]
    below, right = -height % step, -width % step
    full = cv2.copyMakeBorder(layer, 0, below, 0, right, cv2.BORDER_REFLECT_101) if below or right else layer
    small = cv2.resize(full, (full.shape[1] // step, full.shape[0] // step), interpolation=cv2.INTER_AREA)
    bell = _bell(sd_blocks)
    small = cv2.sepFilter2D(small, cv2.CV_32F, bell, bell, borderType=cv2.BORDER_REFLECT)
    return np.asarray(cv2.resize(small, full.shape[1::-1], interpolation=cv2.INTER_LINEAR)[:height, :width])


def each_widely(layers: Float32Array, width_px: float) -> Float32Array:
    """Layers (n, h, w), each as by `widely`, in few calls for all of them."""
    shape = layers.shape[1:]
    step = block_side_px(width_px, shape)
    return enlarged(blurred(shrunk(layers, step), width_px, step), step, shape)


def _side(width_px: float) -> int:
    """Pixels of the running mean that, taken three times, blurs by about `width_px` (sd)."""
    return max(1, round(float(np.sqrt(4.0 * width_px**2 + 1.0)) / 2.0 - 0.5)) * 2 + 1


def block_side_px(width_px: float, shape: tuple[int, ...]) -> int:
    """Side of the blocks in whose means layers (h, w) of a shape are blurred by `width_px` (sd); 1 for none."""
    step = max(2, int(width_px / 2.0))
    return step if _side(width_px) > MOST_TAPS and 4 * step <= min(shape) else 1


def shrunk(layers: Float32Array, step: int) -> Float32Array:
    """Means (n, rows, columns) over blocks of layers (n, h, w), which are carried on by their mirror image."""
    if step == 1:
        return layers
    n, height, width = layers.shape
    below, right = -height % step, -width % step
    if below or right:
        full = np.empty((n, height + below, width + right), np.float32)
        full[:, :height, :width] = layers
        for k in range(below):
            full[:, height + k] = full[:, height - 2 - k]
        for k in range(right):
            full[:, :, width + k] = full[:, :, width - 2 - k]
        layers = full
    size = layers.shape[2] // step, n * layers.shape[1] // step
    small = cv2.resize(tall(layers), size, interpolation=cv2.INTER_AREA)
    return np.asarray(small.reshape(n, -1, size[0]))


def blurred(small: Float32Array, width_px: float, step: int) -> Float32Array:
    """Means (n, rows, columns) over blocks of `step` pixels, blurred to be as by `widely` once enlarged."""
    side = _side(width_px)
    if step > 1:
        return _filtered(small, _bell(_sd_blocks(width_px, step)), cv2.BORDER_REFLECT)
    if side <= MOST_TAPS:
        return _filtered(small, _thrice(side), cv2.BORDER_REFLECT_101)
    return np.stack([widely(layer, width_px) for layer in small])


def _sd_blocks(width_px: float, step: int) -> float:
    """Width (sd) in blocks of the bell that blurs means over blocks."""
    return float(np.sqrt((_side(width_px) ** 2 - 1) / 4.0 - step**2 / 4.0 + 1.0 / 12.0)) / step


def enlarged(small: Float32Array, step: int, shape: tuple[int, ...], *, straight: bool = False) -> Float32Array:
    """Layers (n, h, w) of a shape from means over blocks, linearly; beyond the outermost middles even, or `straight`
    on."""
    if step == 1:
        return small
    n, rows, columns = small.shape
    wider = np.empty((n, rows + 2, columns + 2), np.float32)
    wider[:, 1:-1, 1:-1] = small
    for sides in (wider[:, :, 1:-1].swapaxes(0, 1), wider.transpose(2, 0, 1)):
        for end, last, before in ((0, 1, 2), (-1, -2, -3)):
            sides[end] = 2.0 * sides[last] - sides[before] if straight else sides[last]
    large = cv2.resize(tall(wider), None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR)
    return np.asarray(large.reshape(n, (rows + 2) * step, -1)[:, step : step + shape[0], step : step + shape[1]])


def _filtered(layers: Float32Array, weights: Float32Array, border: int) -> Float32Array:
    """Layers (n, h, w), each filtered along both axes by weights (k,), and carried on by their mirror image."""
    (_, height, _), reach = layers.shape, len(weights) // 2
    last = 2 * height - (2 if border == cv2.BORDER_REFLECT_101 else 1)
    at = np.arange(-reach, height + reach) % max(2 * (last - height + 1), 1)
    wider = layers.take(np.where(at < height, at, last - at), axis=1)
    out = cv2.sepFilter2D(tall(wider), cv2.CV_32F, weights, weights, borderType=border)
    return np.asarray(out.reshape(wider.shape)[:, reach : reach + height])


@lru_cache(maxsize=32)
def _bell(sd_px: float) -> Float32Array:
    """Weights of a bell out to 2.8 times its width (sd)."""
    return np.asarray(cv2.getGaussianKernel(2 * int(np.ceil(2.8 * sd_px)) + 1, sd_px, cv2.CV_32F))


@lru_cache(maxsize=8)
def _thrice(side: int) -> Float32Array:
    """Weights of a running mean over `side` pixels taken three times."""
    once = np.full(side, 1.0 / side)
    return np.convolve(np.convolve(once, once), once).astype(np.float32)
