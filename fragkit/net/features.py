"""Features of a picture that do not mind whether the motif is lighter or darker than its ground."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import by_rows, groups_of, side_by_side

FloatImage = NDArray[Any]

_FLOOR_RATIO = 0.3
"""Gradient, as a share of its mean over the picture, below which a place counts as plain."""
_SURROUND_RATIO = 6.0
"""Radius of the local normalisation in radii of the gradient filter."""
_REDUCED_RADIUS_PX = 3.0
"""A blur of twice this radius or more runs on a reduced copy, where its radius is about this."""
_LEAST_REST_RATIO = 1e-3
"""Energy beside the lines, as a share of all, below which there is nothing but lines."""
_ENOUGH_PIXELS = 60_000
"""About so many pixels tell the mean and the spread of a picture."""
_LINE_PX = 151
"""Length of the running mean that takes lines out, in working pixels (a picture is about 500 px a side)."""


def features(
    picture: Picture | NDArray[np.generic], *, scale_px: float = 2.0, mask: NDArray[np.bool_] | None = None
) -> FloatImage:
    """Double-angle gradient features: strength, strength·cos 2θ and strength·sin 2θ.

    Parameters
    ----------
    picture : Picture or (h, w) or (h, w, c) array
    scale_px : float
        Radius (standard deviation) of the Gaussian on which the gradient is taken, in px.
    mask : (h, w) bool array, optional
        Where the picture is to be believed; the features are 0 elsewhere. Default: its coverage.

    Returns
    -------
    (h, w, 3) float32 array, finite, unchanged by gain, offset and exchange of light and dark.

    Notes
    -----
    With g_c the gradient of channel c, the structure Σ_c g_c g_cᵀ has trace m², and m·(cos 2θ, sin 2θ) are its
    deviatoric parts divided by m. All three are divided by the root mean square of m around the place, floored at
    a share of its mean over the picture, so that a strong edge and a faint one weigh alike and plain
    surfaces stay near zero. A quarter turn of the picture changes the sign of the last two only.
    """
    return features_of(*pixels_and_mask(picture, mask), scale_px=scale_px)


def features_of(pixels: FloatImage, believed: NDArray[np.bool_], *, scale_px: float) -> FloatImage:
    """The features of pixels that `pixels_and_mask` has evened."""
    weight = _inner(believed, scale_px)
    image = cv2.GaussianBlur(_filled(pixels, believed), (0, 0), scale_px)
    image = image.reshape(*image.shape[:2], -1)
    values, power = np.empty((*weight.shape, 3), np.float32), np.empty(weight.shape, np.float32)
    by_rows(lambda rows: _structure(image, rows, values, power), len(image))
    ratio = _levelling(power, weight, _SURROUND_RATIO * scale_px)
    by_rows(lambda rows: np.multiply(values[rows], ratio[rows, :, None], out=values[rows]), len(image))
    return values


def signed_features(pixels: FloatImage, believed: NDArray[np.bool_], *, scale_px: float) -> FloatImage:
    """Locally normalised colour, with its sign: it tells dark from light, which `features` does not.

    Parameters
    ----------
    pixels, believed : (h, w, c) float32 and (h, w) bool arrays
        From `pixels_and_mask`.
    scale_px : float
        Radius of the Gaussian that smooths, in px.

    Returns
    -------
    (h, w, 1 or 3) float32 array: smoothed colour less its surroundings, divided by its local spread.
    """
    image, wide = _filled(pixels, believed), 2.0 * _SURROUND_RATIO * scale_px
    band = cv2.GaussianBlur(image, (0, 0), scale_px) - wide_blur(image, wide)
    band = band.reshape(*band.shape[:2], -1)
    ratio = _levelling((band * band).sum(axis=2), _inner(believed, scale_px), wide)
    return np.ascontiguousarray(band * ratio[:, :, None])


def _levelling(power: FloatImage, weight: FloatImage, radius_px: float) -> FloatImage:
    """What `√power` is multiplied with to be near 1 where there is structure; 0 where not believed."""
    share = np.maximum(wide_blur(weight, radius_px), 1e-3)
    surround = wide_blur(power * weight, radius_px) / share
    floor = _FLOOR_RATIO**2 * float((power * weight).sum() / max(float(weight.sum()), 1.0))
    level = np.sqrt(surround + floor)
    return np.divide(weight, level, out=np.zeros_like(level), where=level > 0)


def wide_blur(image: FloatImage, radius_px: float) -> FloatImage:
    """Gaussian blur of a float32 image, on a reduced copy where the radius is many pixels."""
    step = max(1, int(radius_px / _REDUCED_RADIUS_PX))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), radius_px))
    height, width = image.shape[:2]
    size = (max(1, round(width / step)), max(1, round(height / step)))
    small = cv2.GaussianBlur(cv2.resize(image, size, interpolation=cv2.INTER_AREA), (0, 0), radius_px / step)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR))


def pixels_and_mask(
    picture: Picture | NDArray[np.generic],
    mask: NDArray[np.bool_] | None,
    *,
    size_px: tuple[int, int] | None = None,
) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Pixels as (h, w, c) float32 with a spread near 1, and where they are to be believed.

    Parameters
    ----------
    picture : Picture or (h, w) or (h, w, c) array
    mask : (h, w) bool array or None
    size_px : (width, height), optional
        Size to which the picture is reduced, by the mean of the believed pixels. Default: its own.
    """
    raw = _raw(picture)
    plain = raw.reshape(*raw.shape[:2], -1)[:, :, :3]
    believed = np.ones(raw.shape[:2], bool) if raw.dtype.kind in "uib" else np.isfinite(plain).all(axis=2)
    if isinstance(picture, Picture):
        believed &= picture.coverage
    if mask is not None:
        if mask.shape != raw.shape[:2]:
            raise ValueError(f"A mask of shape {mask.shape} for a picture of {raw.shape[:2]}: give the same shape.")
        believed &= mask.astype(bool)
    dtype = np.dtype(np.float64 if raw.dtype.itemsize > 4 else np.float32)
    if size_px is None or size_px == believed.shape[::-1]:
        return _standardised(plain.astype(dtype), believed), believed
    pixels, believed = _reduced(plain, believed, size_px, dtype)
    return _standardised(pixels, believed), believed


def size_of(picture: Picture | NDArray[np.generic]) -> tuple[int, int]:
    """Height and width of a picture, in px."""
    height, width = _raw(picture).shape[:2]
    return height, width


def _raw(picture: Picture | NDArray[np.generic]) -> NDArray[np.generic]:
    raw = np.asarray(picture.pixels if isinstance(picture, Picture) else picture)
    if raw.ndim not in (2, 3) or raw.shape[0] < 2 or raw.shape[1] < 2:
        raise ValueError(f"A picture of shape {raw.shape}: give (h, w) or (h, w, 3) pixels.")
    return raw


def _reduced(
    plain: NDArray[np.generic], believed: NDArray[np.bool_], size_px: tuple[int, int], dtype: np.dtype[Any]
) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Means of the believed pixels on a coarser grid, and where at least half of them are believed.

    Notes
    -----
    Rows are shortened first, a few at a time, so that the picture is never held whole in floating point, then columns.
    """
    height, (wide, high) = len(believed), size_px
    sums, share = np.empty((height, wide, plain.shape[2]), dtype), np.ones((height, wide), dtype)

    def shorten(rows: slice) -> None:
        part, seen = np.asarray(plain[rows]), believed[rows]
        whole = bool(seen.all())
        if not whole:
            part = _believed_alone(part, seen)
        part = part.astype(dtype)
        if not whole:
            share[rows] = cv2.resize(seen.astype(dtype), (wide, len(part)), interpolation=cv2.INTER_AREA)
        sums[rows] = cv2.resize(part, (wide, len(part)), interpolation=cv2.INTER_AREA).reshape(sums[rows].shape)

    by_rows(shorten, height)
    means = np.empty((high, wide, plain.shape[2]), dtype)

    def lower(columns: slice) -> None:
        part = cv2.resize(sums[:, columns], (columns.stop - columns.start, high), interpolation=cv2.INTER_AREA)
        means[:, columns] = part.reshape(means[:, columns].shape)

    side_by_side(lower, groups_of(wide, size=-(-wide // 2)))
    if believed.all():
        return means, np.ones((high, wide), bool)
    left = cv2.resize(share, size_px, interpolation=cv2.INTER_AREA)
    return means / np.maximum(left, 1e-6)[:, :, None], left > 0.5


def _believed_alone(part: NDArray[Any], seen: NDArray[np.bool_]) -> NDArray[Any]:
    """Pixels (h, w, c), 0 where not believed."""
    if part.dtype.kind == "u" and part.dtype.itemsize <= 2:
        return np.asarray(cv2.copyTo(part, seen.view(np.uint8))).reshape(part.shape)
    return np.where(seen[..., None], part, np.zeros((), part.dtype))


def _standardised(pixels: FloatImage, believed: NDArray[np.bool_]) -> FloatImage:
    """Pixels less their mean, divided by one spread for all channels; 0 where not believed."""
    if not believed.any():
        return np.zeros(pixels.shape, np.float32)
    step = max(1, round(np.sqrt(believed.size / _ENOUGH_PIXELS)))
    sample = believed[::step, ::step]
    if not sample.any():
        step, sample = 1, believed
    seen = pixels[::step, ::step][sample].astype(np.float64)
    middle = seen.mean(axis=0)
    spread = float(np.sqrt(((seen - middle) ** 2).mean()))
    smallest = 1e-6 * float(np.abs(middle).max())
    scale = 1.0 / spread if spread > smallest else 0.0
    even = np.empty(pixels.shape, np.float32)

    def level(rows: slice) -> None:
        part = (pixels[rows] - middle.astype(pixels.dtype)) * pixels.dtype.type(scale)
        if not believed[rows].all():
            part[~believed[rows]] = 0.0
        even[rows] = part

    by_rows(level, len(pixels))
    return even


def _filled(image: FloatImage, believed: NDArray[np.bool_]) -> FloatImage:
    """Picture with what is not believed filled from its surroundings, the nearer the finer.

    Notes
    -----
    The believed pixels are averaged over blocks of 2, 4, 8, … px; holes take the value of the smallest block that
    saw any.
    """
    if believed.all():
        return image
    height, width = believed.shape
    share = believed.astype(np.float32)
    seen = believed.view(np.uint8)
    total = cv2.copyTo(image, seen).reshape(image.shape)
    if height < 2 or width < 2 or not believed.any():
        return total
    size = ((width + 1) // 2, (height + 1) // 2)
    fewer = cv2.resize(share, size, interpolation=cv2.INTER_AREA)
    sums = cv2.resize(total, size, interpolation=cv2.INTER_AREA).reshape(*fewer.shape, -1)
    coarse = _filled(sums / np.maximum(fewer, 1e-6)[:, :, None], fewer > 0)
    around = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.copyTo(image, seen, around)).reshape(image.shape)


def _inner(believed: NDArray[np.bool_], scale_px: float) -> FloatImage:
    """1 where a filter of this scale sees believed pixels only, 0 elsewhere."""
    if believed.all():
        return np.ones(believed.shape, np.float32)
    reach = 2 * round(2.0 * scale_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    return np.asarray(cv2.erode(believed.astype(np.uint8), kernel, borderValue=1), np.float32)


def _structure(image: FloatImage, rows: slice, values: FloatImage, power: FloatImage) -> None:
    """m·(1, cos 2θ, sin 2θ) of the gradient over all channels, and m², written to some rows of a picture."""
    top = max(rows.start - 1, 0)
    own = slice(rows.start - top, rows.start - top + len(power[rows]))
    xx, yy, xy = np.zeros((3, *power[rows].shape), np.float32)
    for plane in cv2.split(image[top : rows.stop + 1]):
        across, down = np.zeros((2, *plane.shape), np.float32)
        np.subtract(plane[:, 2:], plane[:, :-2], out=across[:, 1:-1])
        np.subtract(plane[2:], plane[:-2], out=down[1:-1])
        across, down = across[own], down[own]
        xx += across * across
        yy += down * down
        xy += across * down
    np.multiply(xx + yy, np.float32(0.25), out=power[rows])
    strength = np.sqrt(power[rows])
    over = np.float32(0.25) / np.where(strength > 0, strength, np.float32(1.0))
    cv2.merge([strength, (xx - yy) * over, np.float32(2.0) * xy * over], values[rows])


def without_lines(values: FloatImage, mask: NDArray[np.bool_], *, axis: int) -> FloatImage:
    """Features (h, w, c) less their running mean along x (axis 0) or y (axis 1), in which only lines survive;
    0 when there is nothing but lines."""
    size = (_LINE_PX, 1) if axis == 0 else (1, _LINE_PX)
    weight = mask.astype(np.float32)
    share = cv2.boxFilter(weight, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    sums = [
        cv2.boxFilter(
            np.ascontiguousarray(values[:, :, k] * weight), -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT
        )
        for k in range(values.shape[2])
    ]
    rest = np.asarray(values - np.dstack(sums) / np.maximum(share, 1.0)[:, :, None], np.float32)
    if float((rest * rest).sum()) < _LEAST_REST_RATIO * float((values * values).sum()):
        return np.zeros_like(rest)
    return rest
