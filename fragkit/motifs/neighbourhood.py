"""Damage on a motif told by the damage beside it: a filler, a bare plaster or a later paint goes on where it is seen.

By tone alone a pale filler over a whole motif passes for bright leaf. Beside the motif, where the undamaged surface
would be ground, the filler is known for what it is, and so is its tone at this place.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.light import shrink
from fragkit.motifs.mixture import FOREIGN, GROUND, Surfaces, widely
from fragkit.motifs.tones import OPPONENT
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]

REACHES_MM = (2.0, 4.0)
"""Widths (sd) over which damage beside a motif is looked at."""
WEIGHT = 0.5
"""How much what is seen beside a place counts for the place itself (0 to 1)."""
COARSE_MM = 1.2
N_BLOCKS = 64
"""Rows of blocks whose means are taken together."""
LEAST_SPREAD = 0.012
SMOOTH_MM = 0.6
"""Tones are compared in means over this width (sd)."""


def block_px(mm_per_px: float) -> int:
    """Side of the blocks over whose means the neighbourhood is looked at."""
    return max(1, round(COARSE_MM / mm_per_px))


def damage_goes_on(
    like: Float32Array,
    foreign: Float32Array,
    prior: Float32Array,
    ratio: Float32Array,
    surfaces: Surfaces,
    pitch: float,
) -> Float32Array:
    """Density (h, w) of foreign surface at each pixel, the tone of the damage around heeded.

    Parameters
    ----------
    like : (4, h, w) array
        Densities by tone.
    foreign : (h, w) array
        Probability of damage.
    prior : (3, h, w) array
        Metal, shadow and ground as they would be undamaged.
    ratio : (h, w, 3) array
        Ratios to the ground.
    """
    step = block_px(pitch)
    there = (prior[GROUND] > 0.9).astype(np.float32)
    small = [shrink(there, step), *_moments(ratio, there * foreign, step)]
    flat = np.flatnonzero((there == 0.0) & (cv2.max(cv2.max(like[0], like[1]), like[2]) > 0.0))
    where = np.divmod(flat, there.shape[1])
    smooth = OPPONENT @ _smooth(ratio, SMOOTH_MM / pitch, flat)
    usual = like[FOREIGN].ravel()[flat]
    share: NDArray[Any] = np.zeros(len(usual), np.float32)
    even, found = np.prod(surfaces.boxes.width / np.float32(np.sqrt(2.0 * np.pi))), usual
    for reach_mm in REACHES_MM:
        known, damaged, first, second = (widely(layer, reach_mm / (pitch * step)) for layer in small)
        total = np.maximum(damaged, 1e-4)[..., None]
        mean = first / total
        spread = np.sqrt(np.maximum(second / total - mean**2, 0.0) + np.float32(LEAST_SPREAD**2))
        seen = np.dstack([mean, spread, np.clip(damaged / np.maximum(known, 0.02), 0.0, 1.0)])
        *layers, share = _enlarged(seen, step, where)
        far2, size = np.zeros_like(usual), np.ones_like(usual)
        for tone, near, width in zip(smooth, layers[:3], layers[3:], strict=True):
            far2 += ((tone - near) / width) ** 2
            size *= width
        local = even / size * np.exp(np.maximum(np.float32(-0.5) * far2, np.float32(-30.0)))
        found = np.maximum(found, usual + share * (local - usual))
    sure = np.clip(share, np.float32(0.5), np.float32(0.98))
    out = like[FOREIGN].copy()
    out[where] = found * (sure / (np.float32(1.0) - sure)) ** WEIGHT
    return out


def _smooth(ratio: Float32Array, width_px: float, where: NDArray[Any]) -> Float32Array:
    """The ratios (3, n) at some pixels, blurred, one colour at a time."""
    return np.array([cv2.GaussianBlur(layer, (0, 0), width_px).ravel()[where] for layer in cv2.split(ratio)])


def _moments(ratio: Float32Array, damage: Float32Array, step: int) -> list[Float32Array]:
    """Block means of the damage (rows, columns), and of its tones and their squares (rows, columns, 3).

    They are taken a strip at a time.
    """
    parts, rows = [], N_BLOCKS * step
    for top in range(0, len(damage) - step + 1, rows):
        weight = damage[top : top + rows]
        tones = cv2.transform(ratio[top : top + rows], OPPONENT)
        first = tones * weight[..., None]
        parts.append([shrink(layer, step) for layer in (weight, first, first * tones)])
    return [np.concatenate(layers) for layers in zip(*parts, strict=True)]


def _enlarged(coarse: NDArray[Any], step: int, where: tuple[NDArray[Any], ...]) -> Float32Array:
    """The coarse layers (rows, columns, k) at some pixels (k, n) of the picture, linearly."""
    n, wide = len(where[0]), 512
    places = np.zeros((2, -(-max(n, 1) // wide) * wide), np.float32)
    places[:, :n] = (np.array(where, np.float32) - np.float32((step - 1) / 2.0)) / np.float32(step)
    rows, columns = places.reshape(2, -1, wide)
    found = [
        cv2.remap(
            np.ascontiguousarray(layer, np.float32), columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        for layer in np.moveaxis(coarse, 2, 0)
    ]
    return np.asarray(np.stack(found).reshape(len(found), -1)[:, :n], np.float32)
