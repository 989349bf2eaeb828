"""Masked autocorrelation of a feature picture, normalised by what overlaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from fragkit.opencv import cv2

FloatImage = NDArray[Any]

_LEAST_OVERLAP_RATIO = 0.12
"""A lag at which less of the believed area overlaps itself is left out (correlation 0)."""
_N_DIRECTIONS = 8
_ALONG_PX, _ACROSS_PX = 1.5, 1.0
"""Spacing of the places at which surroundings are read, and the radius over which each is averaged."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Overlap:
    """How much of the believed area overlaps itself at each lag, and its transform, for any number of features.

    Attributes
    ----------
    weight : (h, w) float32 array
        1 where values are to be believed, 0 elsewhere.
    lag_px : (int, int)
        Largest lag along y and along x.
    shape : (int, int)
        Size to which pictures are padded.
    spectrum : complex array
    share : (2 ly + 1, 2 lx + 1) float32 array
        Share of the believed area, lag (0, 0) in the middle.
    """

    weight: FloatImage
    lag_px: tuple[int, int]
    shape: tuple[int, int]
    spectrum: NDArray[Any]
    share: FloatImage


def overlap_of(weight: FloatImage, *, largest_lag_px: tuple[int, int]) -> Overlap:
    """The overlap of a believed area with itself up to a largest lag along y and along x."""
    height, width = weight.shape
    ly, lx = (min(lag, size - 1) for lag, size in zip(largest_lag_px, (height, width), strict=True))
    shape = (fft.next_fast_len(height + ly, real=True), fft.next_fast_len(width + lx, real=True))
    spectrum = fft.rfft2(weight, shape)
    counts = _lags(fft.irfft2(_squared(spectrum), shape), ly, lx)
    share = np.clip(counts / max(float(weight.sum()), 1.0), 0.0, 1.0)
    return Overlap(weight=weight, lag_px=(ly, lx), shape=shape, spectrum=spectrum, share=share)


def autocorrelation(values: FloatImage, overlap: Overlap) -> tuple[FloatImage, FloatImage]:
    """Normalised autocorrelation of `values` summed over its channels, and the overlap at each lag.

    Parameters
    ----------
    values : (h, w, c) float32 array
    overlap : Overlap
        That of the area where the values are to be believed.

    Returns
    -------
    correlation : (2 ly + 1, 2 lx + 1) float32 array
        In [-1, 1]; lag (0, 0) is the middle element.
    share : array of the same shape
        Share of the believed area that overlaps itself; 0 where that is too little to tell.

    Notes
    -----
    With w the weight and f the values less their weighted mean, C(l) = Σ w f · w′f′ / √(Σ w′ w f² · Σ w w′f′²),
    where ′ means shifted by l. The second member of each pair is the point reflection of the first, so a channel
    costs one forward transform and everything together three inverse ones. Padding reaches to the largest lag only.

    References
    ----------
    Padfield, D. (2012) Masked object registration in the Fourier domain. IEEE TIP 21(5), 2706.
    """
    shape, weight = overlap.shape, overlap.weight
    total = max(float(weight.sum()), 1.0)
    spectrum = np.zeros(overlap.spectrum.shape, np.float32)
    power = np.zeros_like(weight)
    for channel in cv2.split(values):
        centred = (channel - np.float32((channel * weight).sum() / total)) * weight
        power += centred * centred
        spectrum += _squared(fft.rfft2(centred, shape))
    products = _lags(fft.irfft2(spectrum, shape), *overlap.lag_px)
    of_power = fft.rfft2(power, shape)
    energy = np.maximum(_lags(fft.irfft2(of_power * np.conj(overlap.spectrum), shape), *overlap.lag_px), 0.0)
    scale = np.sqrt(energy * energy[::-1, ::-1])
    usable = (overlap.share >= _LEAST_OVERLAP_RATIO) & (scale > 1e-6 * float(scale.max(initial=0.0)))
    correlation = np.divide(products, scale, out=np.zeros_like(products), where=usable)
    return np.clip(correlation, -1.0, 1.0), np.where(usable, overlap.share, np.float32(0.0))


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
    seen = (overlap[start:] > 0).astype(np.float32)
    soft = [cv2.GaussianBlur(image, (0, 0), _ACROSS_PX) for image in (correlation[start:] * seen, seen)]
    wide = [cv2.copyMakeBorder(image, reach, reach, reach, reach, cv2.BORDER_CONSTANT) for image in soft]
    shape = (correlation.shape[0] - middle, correlation.shape[1])
    highest = np.full(shape, -np.inf, np.float32)
    corner = np.array([reach, reach + middle - start])
    for angle in np.arange(_N_DIRECTIONS) * np.pi / _N_DIRECTIONS:
        offsets = _two_segments(angle, inner_px, outer_px)
        around, share = (_mean_moved(image, offsets + corner, shape) for image in wide)
        np.maximum(highest, around / np.maximum(share, 0.05), out=highest, where=share > 0.05)
    level = np.vstack([highest[:0:-1, ::-1], highest])
    rise = np.where((overlap > 0) & np.isfinite(level), correlation - np.where(np.isfinite(level), level, 0.0), 0.0)
    return rise.astype(np.float32)


def _two_segments(angle: float, inner_px: float, outer_px: float) -> NDArray[np.int64]:
    """Whole-pixel offsets (x, y) on two opposite segments of a line through the middle."""
    along = np.arange(inner_px, outer_px + 1e-9, _ALONG_PX)
    both = np.append(along, -along)[:, None] * [np.cos(angle), np.sin(angle)]
    return np.asarray(np.round(both), int)


def _mean_moved(image: FloatImage, corners: NDArray[np.int64], shape: tuple[int, ...]) -> FloatImage:
    """Mean of the parts of an image that begin at the given corners (x, y)."""
    total = np.zeros(shape, np.float32)
    for x, y in corners:
        total += image[y : y + shape[0], x : x + shape[1]]
    return total / np.float32(len(corners))


def _squared(spectrum: NDArray[Any]) -> FloatImage:
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _lags(full: FloatImage, ly: int, lx: int) -> FloatImage:
    """The wanted lags of a circular correlation, lag zero in the middle."""
    rows = np.r_[full.shape[0] - ly : full.shape[0], 0 : ly + 1] if ly else np.array([0])
    columns = np.r_[full.shape[1] - lx : full.shape[1], 0 : lx + 1] if lx else np.array([0])
    return full[np.ix_(rows, columns)].astype(np.float32)
