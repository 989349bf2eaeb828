"""Light evened out: the slow shading of a picture divided out of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify.picture import Picture

FloatArray = NDArray[np.float64]

WORK_PX = 240
"""The shading is found in a copy of this longer side."""

SPREAD_RATIO = 1.0 / 6.0
"""Scale of the low-pass over the longer side of the picture."""

N_ROUNDS = 8
"""Rounds of re-weighting."""

STRIP_ROWS = 256
"""Rows toned at a time, to keep memory low."""

TUNING = 3.0
"""Tukey's biweight, in robust standard deviations: what differs more from the ground has no say."""


def even_light(picture: Picture) -> Picture:
    """The picture with its shading divided out, for viewing and for labels, not for measuring colour.

    Parameters
    ----------
    picture : Picture

    Returns
    -------
    Picture
        Of the same depth in bits; the ground keeps its median lightness.

    Notes
    -----
    The logarithm of linear luminance is a slow shading plus what is painted. The shading is a masked,
    re-weighted fit: a quadratic surface, then a masked Gaussian low-pass of what that leaves, with Tukey
    weights, so that leaf, shadow and losses do not pull it. One gain for all three channels: hues stay.
    Variation of the ground itself that is as slow as light is evened with it.
    """
    shading = ground_shading(picture)
    weight = cv2.resize(picture.coverage.astype(np.uint8), shading.shape[::-1], interpolation=cv2.INTER_AREA)
    level = float(np.median(shading[weight > 0])) if (weight > 0).any() else 0.0
    return toned(picture, level - shading)


def ground_shading(picture: Picture) -> FloatArray:
    """The slow part (h', w') of the log luminance of the ground, in a small copy of the picture."""
    shape = picture.pixels.shape[:2]
    ratio = min(1.0, WORK_PX / max(shape))
    size = (max(1, round(shape[1] * ratio)), max(1, round(shape[0] * ratio)))
    weight = cv2.resize(picture.coverage.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.resize(_luminance(picture.pixels) * picture.coverage, size, interpolation=cv2.INTER_AREA)
    log_light = np.log(np.maximum(small / np.maximum(weight, 1e-6), 1e-4)).astype(float)
    return _shading(log_light, (weight > 0.5).astype(float))


def toned(picture: Picture, log_gain: FloatArray, matrix: FloatArray | None = None) -> Picture:
    """The picture with a log gain (h', w') or (h', w', 3) and, if given, a colour matrix (3, 3) in linear light.

    Notes
    -----
    Strip by strip, so that memory stays low.
    """
    height, width = picture.pixels.shape[:2]
    gain = np.exp(log_gain).astype(np.float32)
    pixels = np.empty_like(picture.pixels)
    full = cv2.resize(gain, (width, height), interpolation=cv2.INTER_CUBIC).reshape(height, width, -1)
    for top in range(0, height, STRIP_ROWS):
        rows = slice(top, top + STRIP_ROWS)
        linear = linear_light(picture.pixels[rows]) * full[rows]
        if matrix is not None:
            linear = linear @ matrix.T.astype(np.float32)
        pixels[rows] = _encoded(linear, picture.pixels.dtype)
    return replace(picture, pixels=pixels)


def _luminance(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Linear luminance (h, w), strip by strip."""
    out = np.empty(pixels.shape[:2], np.float32)
    for top in range(0, len(pixels), STRIP_ROWS):
        rows = slice(top, top + STRIP_ROWS)
        out[rows] = linear_light(pixels[rows]) @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    return out


def _shading(log_light: FloatArray, mask: FloatArray) -> FloatArray:
    """The slow part of a logarithmic picture by re-weighted surface and low-pass."""
    height, width = log_light.shape
    y, x = np.mgrid[0:height, 0:width] / max(height, width) - 0.5
    surface = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    spread = SPREAD_RATIO * max(height, width)
    weight, shading = mask.copy(), np.zeros_like(log_light)
    for _ in range(N_ROUNDS):
        root = np.sqrt(weight).ravel()
        coefficients = np.linalg.lstsq(surface * root[:, None], log_light.ravel() * root, rcond=None)[0]
        base = (surface @ coefficients).reshape(height, width)
        shading = base + _low_pass(log_light - base, weight, spread)
        residual = log_light - shading
        scale = 1.4826 * np.median(np.abs(residual[mask > 0])) if mask.any() else 1.0
        share = np.clip(residual / (TUNING * max(float(scale), 1e-4)), -1.0, 1.0)
        weight = mask * np.square(1.0 - np.square(share))
    return shading


def _low_pass(values: FloatArray, weight: FloatArray, spread_px: float) -> FloatArray:
    """Weighted Gaussian mean; fades to 0 where there is nothing to average."""
    summed = cv2.GaussianBlur(values * weight, (0, 0), spread_px, borderType=cv2.BORDER_CONSTANT)
    total = cv2.GaussianBlur(weight, (0, 0), spread_px, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(summed / (total + 1e-3))


def linear_light(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light 0..1 (float32) of sRGB pixels, IEC 61966-2-1."""
    levels = np.arange(np.iinfo(pixels.dtype).max + 1) / np.iinfo(pixels.dtype).max
    table = np.where(levels <= 0.04045, levels / 12.92, ((levels + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return np.asarray(cv2.LUT(pixels, table) if pixels.dtype == np.uint8 and pixels.size else table[pixels])


def _encoded(linear: NDArray[np.float32], dtype: Any) -> NDArray[Any]:
    """sRGB pixels of linear light 0..1."""
    top = np.iinfo(dtype).max
    clipped = np.clip(linear, 0.0, 1.0)
    encoded = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    return np.round(encoded * top).astype(dtype)
