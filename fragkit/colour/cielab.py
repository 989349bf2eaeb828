"""From sRGB pixel values to CIELAB."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

SRGB_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""Linear sRGB to XYZ (D65): IEC 61966-2-1:1999, the four-digit matrix."""

WHITES = {"D65": np.array([0.95047, 1.0, 1.08883]), "D50": np.array([0.96422, 1.0, 0.82521])}
"""XYZ of the 2° reference whites: CIE 015:2018 (D65); ICC.1:2022 (D50)."""

_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_EPSILON, _KAPPA = 216.0 / 24389.0, 24389.0 / 27.0


def decode_srgb(rgb: ArrayLike) -> FloatArray:
    """Linear light in [0, 1] of sRGB values.

    Parameters
    ----------
    rgb : array of uint8, uint16, or float
        Integers use their type's full range; floats are encoded values of which 1 is white.

    References
    ----------
    IEC 61966-2-1:1999, 5.2.
    """
    values = np.asarray(rgb)
    if values.dtype == np.uint8 or values.dtype == np.uint16:
        return _decode(np.arange(np.iinfo(values.dtype).max + 1) / np.iinfo(values.dtype).max)[values]
    if values.dtype.kind != "f":
        raise ValueError(f"sRGB values are uint8, uint16 or float (1 = white), not {values.dtype}; convert them first.")
    return _decode(values.astype(float))


def linear_to_lab(linear_rgb: ArrayLike, *, white: Literal["D50", "D65"] = "D50") -> FloatArray:
    """CIELAB (..., 3) of linear sRGB (..., 3), seen under `white`.

    Notes
    -----
    sRGB is defined under D65; D50 is reached by Bradford adaptation, as in ICC.1:2022, annex E.

    References
    ----------
    CIE 015:2018, 8.2.1 (CIELAB).
    """
    if white not in WHITES:
        raise ValueError(f"white is {white!r}; it must be 'D50' or 'D65'.")
    to_white = SRGB_TO_XYZ if white == "D65" else _adaptation(WHITES["D65"], WHITES[white]) @ SRGB_TO_XYZ
    ratio = np.asarray(linear_rgb, float) @ to_white.T / WHITES[white]
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def srgb_to_lab(rgb: ArrayLike, *, white: Literal["D50", "D65"] = "D50") -> FloatArray:
    """CIELAB (..., 3) of sRGB values (..., 3), under D50 unless `white` says D65.

    Parameters
    ----------
    rgb : (..., 3) array of uint8, uint16, or float
        Integers use their type's full range; floats are encoded values of which 1 is white.

    Raises
    ------
    ValueError
        If the last axis is not three channels, or the type is another integer.
    """
    values = np.asarray(rgb)
    if values.ndim == 0 or values.shape[-1] != 3:
        raise ValueError(f"sRGB needs three channels on the last axis; the shape is {values.shape}.")
    return linear_to_lab(decode_srgb(values), white=white)


def _decode(encoded: FloatArray) -> FloatArray:
    curve = ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(encoded <= 0.04045, encoded / 12.92, curve))


def _adaptation(source: FloatArray, target: FloatArray) -> FloatArray:
    gain = (_BRADFORD @ target) / (_BRADFORD @ source)
    return np.asarray(np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD))
