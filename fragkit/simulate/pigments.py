"""Colours of the simulated materials, from Lab (D50) to linear sRGB and to 8 bits."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

D50_WHITE = (0.9642, 1.0, 0.8249)
"""ICC profile connection space, ICC.1:2022, 7.2.16."""

_XYZ_D50_TO_SRGB = np.array(
    [
        [3.1338561, -1.6168667, -0.4906146],
        [-0.9787684, 1.9161415, 0.0334540],
        [0.0719453, -0.2289914, 1.4052427],
    ]
)

LAB: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "ground": (79.0, 2.0, 13.0),
        "shadow": (54.0, 6.0, 15.0),
        "bright leaf": (85.0, 0.5, 10.0),
        "dark leaf": (25.0, 2.5, 5.0),
        "plaster": (67.0, 4.0, 11.0),
        "paper": (64.0, 6.0, 19.0),
        "later paint": (59.0, -7.0, 9.0),
        "filler": (83.0, 1.0, 8.0),
        "torn edge": (85.0, 1.5, 9.0),
        "dirt": (27.0, 3.0, 7.0),
        "rust": (36.0, 16.0, 24.0),
        "sticker": (93.0, 0.0, 1.0),
        "ink": (18.0, 0.0, -1.0),
    }
)
"""Materials of the simulated walls, Lab under D50; invented."""


def lab_to_linear(lab: ArrayLike) -> FloatArray:
    """Linear sRGB (…, 3) of Lab D50 (…, 3), clipped to the gamut.

    Notes
    -----
    Lab to XYZ by CIE 015:2018; the matrix is IEC 61966-2-1 with the white point moved to D50 by the Bradford
    transform of ICC.1:2022, annex E.
    """
    lab = np.asarray(lab, float)
    fy = (lab[..., 0] + 16.0) / 116.0
    f = np.stack([fy + lab[..., 1] / 500.0, fy, fy - lab[..., 2] / 200.0], axis=-1)
    xyz = np.where(f > 6.0 / 29.0, f**3, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0)) * D50_WHITE
    return np.clip(xyz @ _XYZ_D50_TO_SRGB.T, 0.0, 1.0)


def material(name: str) -> NDArray[np.float32]:
    """Linear sRGB (3,) of a material in `LAB`."""
    return lab_to_linear(LAB[name]).astype(np.float32)


def encode_srgb(linear: NDArray[Any]) -> NDArray[np.uint8]:
    """8-bit sRGB of linear values in 0..1, by a table of 4096 steps (IEC 61966-2-1)."""
    steps = np.linspace(0.0, 1.0, 4096)
    curve = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1.0 / 2.4) - 0.055)
    table = np.round(255.0 * curve).astype(np.uint8)
    return table[(np.clip(linear, 0.0, 1.0) * 4095.0 + 0.5).astype(np.uint16)]
