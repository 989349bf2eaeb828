"""Colour difference CIEDE2000."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
_POW7_25 = 25.0**7


def delta_e00(lab1: ArrayLike, lab2: ArrayLike, *, flat_lightness: bool = False) -> FloatArray:
    """CIEDE2000 difference of CIELAB colours, broadcast over the leading axes.

    Parameters
    ----------
    lab1, lab2 : (..., 3) arrays
    flat_lightness : bool
        Take S_L as 1: a step in L* then counts alike at all lightnesses, as guidelines for imaging ask.

    Returns
    -------
    (...) array
        The difference with all weighting factors 1. About 1 is just visible.

    Notes
    -----
    Not smooth where both colours are grey or the hues are opposite; the published pairs test those places.

    References
    ----------
    Sharma, G., Wu, W., Dalal, E. N. (2005) Color Res. Appl. 30(1), 21-30. doi:10.1002/col.20070
    """
    first, second = np.broadcast_arrays(np.asarray(lab1, float), np.asarray(lab2, float))
    c1, h1, c2, h2 = _chroma_and_hue(first, second)
    d_l, d_c = second[..., 0] - first[..., 0], c2 - c1
    grey = c1 * c2 == 0.0
    turn = np.where(grey, 0.0, (h2 - h1 + 180.0) % 360.0 - 180.0)
    turn = np.where((turn == -180.0) & (h2 > h1), 180.0, turn)
    d_h = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2.0)
    mean_l, mean_c, mean_h = (first[..., 0] + second[..., 0]) / 2.0, (c1 + c2) / 2.0, _mean_hue(h1, h2, grey)
    s_l = 1.0 if flat_lightness else 1.0 + 0.015 * (mean_l - 50.0) ** 2 / np.sqrt(20.0 + (mean_l - 50.0) ** 2)
    s_c = 1.0 + 0.045 * mean_c
    s_h = 1.0 + 0.015 * mean_c * _hue_weight(mean_h)
    term_l, term_c, term_h = d_l / s_l, d_c / s_c, d_h / s_h
    square = term_l**2 + term_c**2 + term_h**2 + _rotation(mean_c, mean_h) * term_c * term_h
    return np.sqrt(np.maximum(square, 0.0))


def _chroma_and_hue(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    mean7 = ((np.hypot(first[..., 1], first[..., 2]) + np.hypot(second[..., 1], second[..., 2])) / 2.0) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean7 / (mean7 + _POW7_25))
    parts = []
    for lab in (first, second):
        a = stretch * lab[..., 1]
        parts += [np.hypot(a, lab[..., 2]), np.degrees(np.arctan2(lab[..., 2], a)) % 360.0]
    return parts[0], parts[1], parts[2], parts[3]


def _mean_hue(h1: FloatArray, h2: FloatArray, grey: FloatArray) -> FloatArray:
    total = h1 + h2
    wrapped = np.where(total < 360.0, total + 360.0, total - 360.0) / 2.0
    mean = np.where(np.abs(h1 - h2) <= 180.0, total / 2.0, wrapped)
    return np.where(grey, total, mean)


def _hue_weight(hue_deg: FloatArray) -> FloatArray:
    h = np.radians(hue_deg)
    return np.asarray(
        1.0
        - 0.17 * np.cos(h - np.radians(30.0))
        + 0.24 * np.cos(2.0 * h)
        + 0.32 * np.cos(3.0 * h + np.radians(6.0))
        - 0.20 * np.cos(4.0 * h - np.radians(63.0))
    )


def _rotation(chroma: FloatArray, hue_deg: FloatArray) -> FloatArray:
    angle = np.radians(60.0) * np.exp(-(((hue_deg - 275.0) / 25.0) ** 2))
    return np.asarray(-np.sin(angle) * 2.0 * np.sqrt(chroma**7 / (chroma**7 + _POW7_25)))
