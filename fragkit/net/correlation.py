"""Masked autocorrelation of a feature picture, normalised by what overlaps."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from fragkit.opencv import cv2

FloatImage = NDArray[Any]

_LEAST_OVERLAP_RATIO = 0.12
"""A lag at which less of the believed area overlaps itself is left out (correlation 0)."""
_N_DIRECTIONS = 8


def autocorrelation(
    values: FloatImage, weight: FloatImage, *, largest_lag_px: tuple[int, int]
) -> tuple[FloatImage, FloatImage]:
    """Normalised autocorrelation of `values` summed over its channels, and the overlap at each lag.

    Parameters
    ----------
    values : (h, w, c) float32 array
    weight : (h, w) float32 array
        1 where the values are to be believed, 0 elsewhere.
    largest_lag_px : (int, int)
        Largest lag along y and along x.

    Returns
    -------
    correlation : (2 ly + 1, 2 lx + 1) float32 array
        In [-1, 1]; lag (0, 0) is the middle element.
    overlap : array of the same shape
        Share of the believed area that overlaps itself.

    Notes
    -----
    With w the weight and f the values less their weighted mean, C(l) = Σ w f · w′f′ / √(Σ w′ w f² · Σ w w′f′²),
    where ′ means shifted by l. The second member of each pair is the point reflection of the first, so a channel
    costs one forward transform and everything together three inverse ones. Padding reaches to the largest lag only.

    References
    ----------
    Padfield, D. (2012) Masked object registration in the Fourier domain. IEEE TIP 21(5), 2706.
    """
    height, width = weight.shape
    ly, lx = (min(lag, size - 1) for lag, size in zip(largest_lag_px, (height, width), strict=True))
    shape = (fft.next_fast_len(height + ly, real=True), fft.next_fast_len(width + lx, real=True))
    total = max(float(weight.sum()), 1.0)
    centred = (values - (values * weight[:, :, None]).sum((0, 1)) / total) * weight[:, :, None]
    of_weight = fft.rfft2(weight, shape)
    of_power = fft.rfft2((centred * centred).sum(2), shape)
    spectrum = np.zeros(of_weight.shape, np.float32)
    for channel in range(values.shape[2]):
        spectrum += np.abs(fft.rfft2(centred[:, :, channel], shape)) ** 2
    products = _lags(fft.irfft2(spectrum, shape), ly, lx)
    energy = np.maximum(_lags(fft.irfft2(of_power * np.conj(of_weight), shape), ly, lx), 0.0)
    overlap = np.clip(_lags(fft.irfft2(np.abs(of_weight) ** 2, shape), ly, lx) / total, 0.0, 1.0)
    scale = np.sqrt(energy * energy[::-1, ::-1])
    usable = (overlap >= _LEAST_OVERLAP_RATIO) & (scale > 1e-6 * float(scale.max(initial=0.0)))
    correlation = np.divide(products, scale, out=np.zeros_like(products), where=usable)
    return np.clip(correlation, -1.0, 1.0), np.where(usable, overlap, 0.0).astype(np.float32)


def above_background(correlation: FloatImage, overlap: FloatImage, *, inner_px: float, outer_px: float) -> FloatImage:
    """How far each lag stands above its surroundings in the direction in which it stands out least.

    Notes
    -----
    The map must be its own point reflection, as an autocorrelation is: one half is worked out and mirrored. The
    surroundings in a direction are the mean over both sides from `inner_px` to `outer_px`. Taking the
    highest of eight directions removes ridges, which lines and courses make, as well as broad slopes.
    """
    reach = int(np.ceil(outer_px)) + 1
    middle = correlation.shape[0] // 2
    start = max(middle - reach, 0)
    usable = (overlap[start:] > 0).astype(np.float32)
    values = np.ascontiguousarray(correlation[start:]) * usable
    highest = np.full((correlation.shape[0] - middle, correlation.shape[1]), -np.inf, np.float32)
    for angle in np.arange(_N_DIRECTIONS) * np.pi / _N_DIRECTIONS:
        kernel = _two_segments(angle, inner_px, outer_px)
        share = cv2.filter2D(usable, -1, kernel, borderType=cv2.BORDER_CONSTANT)[middle - start :]
        around = cv2.filter2D(values, -1, kernel, borderType=cv2.BORDER_CONSTANT)[middle - start :]
        np.maximum(highest, around / np.maximum(share, 0.05), out=highest, where=share > 0.05)
    level = np.vstack([highest[:0:-1, ::-1], highest])
    rise = np.where((overlap > 0) & np.isfinite(level), correlation - np.where(np.isfinite(level), level, 0.0), 0.0)
    return rise.astype(np.float32)


def _two_segments(angle: float, inner_px: float, outer_px: float) -> FloatImage:
    """Kernel of two opposite soft segments of a line through the middle; sums to 1."""
    reach = int(np.ceil(outer_px)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    along, aside = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    ring = (np.abs(along) >= inner_px) & (np.abs(along) <= outer_px)
    kernel = ring * np.exp(-0.5 * aside**2)
    return (kernel / kernel.sum()).astype(np.float32)


def _lags(full: FloatImage, ly: int, lx: int) -> FloatImage:
    """The wanted lags of a circular correlation, lag zero in the middle."""
    rows = np.r_[full.shape[0] - ly : full.shape[0], 0 : ly + 1] if ly else np.array([0])
    columns = np.r_[full.shape[1] - lx : full.shape[1], 0 : lx + 1] if lx else np.array([0])
    return full[np.ix_(rows, columns)].astype(np.float32)
