"""Damage on a motif told by the motif's own pattern: a filler that passes for leaf has no bare lines and no shadow.

By tone alone a pale filler over a whole motif is bright leaf. But leaf ends where the others' does: at bare lines, at
the outline, along the shadow. Where the tones do not follow these at all, what lies there is not the motif.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.blurring import widely
from fragkit.motifs.light import shrink
from fragkit.motifs.mixture import GROUND, METAL, SHADOW, Surfaces
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.tones import OPPONENT, summed
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]

REACH_MM = 2.0
"""Width (sd) of the neighbourhood whose pattern is looked at."""
LEAF_MM = 1.5
"""Width (sd) over which the tone of what should be leaf is averaged."""
SPREADS = (0.06, 0.03, 0.02)
"""How much leaf varies by itself (sd) in lightness and two opponent colours, in ratios to the ground."""
ALIKE_MM = 1.2
"""Tones nearer to each other than this do not speak independently."""
BLOCK_MM = 1.2
MOST = 4.0
"""So many nats at most: a scratch may hide a line."""
FAINT = 0.01
"""Share of the highest density below which a tone is not counted to a surface's own."""


def block_px(mm_per_px: float) -> int:
    """Side of the blocks over whose means the pattern is looked at."""
    return max(1, int(BLOCK_MM / mm_per_px + 1e-6))


def missed_pattern(ratio: Float32Array, prior: Float32Array, surfaces: Surfaces, pitch: float) -> Float32Array:
    """By how many nats (h, w) the tones speak against the motif's pattern: 0 where they follow it or it has none.

    Parameters
    ----------
    ratio : (h, w, 3) array
        Ratios to the ground.
    prior : (3, h, w) array
        Metal, shadow and ground as they would be undamaged.

    Notes
    -----
    With e what the motif would show and y what is seen, each in spreads of leaf, a surface of one tone is likelier than
    the motif by n (var e / 2 - cov(y, e)) over a neighbourhood of n independent tones.
    """
    step = block_px(pitch)
    scaled = np.asarray(OPPONENT / np.array(SPREADS)[:, None], np.float32)
    seen = np.asarray(cv2.transform(ratio, scaled), np.float32)
    expected = _expected(
        seen, prior, cv2.transform(_tone_of(surfaces, SHADOW), scaled)[0, 0], scaled.sum(1), step, pitch
    )
    width_px = REACH_MM / (pitch * step)
    products = cv2.merge([summed(cv2.multiply(seen, expected)), summed(cv2.multiply(expected, expected))])
    of_products, of_seen, of_expected = (_around(layer, step, width_px) for layer in (products, seen, expected))
    cov = of_products[..., 0] - summed(of_seen * of_expected)
    var = of_products[..., 1] - summed(of_expected * of_expected)
    nats: Float32Array = np.float32(4.0 * np.pi * (REACH_MM / ALIKE_MM) ** 2) * (0.5 * var - cov)
    return as_fine(np.asarray(np.clip(nats, 0.0, MOST), np.float32), ratio.shape, step, smooth=True)


def _expected(
    seen: Float32Array, prior: Float32Array, shadow: Float32Array, ground: Float32Array, step: int, pitch: float
) -> Float32Array:
    """What the motif would show (h, w, 3), its leaf of the tone that is seen around."""
    weight = prior[METAL] ** 2
    layers = cv2.multiply(seen, cv2.merge([weight] * 3)), weight
    sums = [_around(layer, step, LEAF_MM / (pitch * step)) for layer in layers]
    leaf = np.asarray(sums[0] / np.maximum(sums[1], np.float32(1e-3))[..., None], np.float32)
    of_leaf = cv2.multiply(as_fine(leaf, seen.shape, step, smooth=True), cv2.merge([prior[METAL]] * 3))
    bare = cv2.transform(cv2.merge([prior[SHADOW], prior[GROUND]]), np.stack([shadow, ground], axis=1))
    return np.asarray(cv2.add(of_leaf, bare), np.float32)


def _around(layer: NDArray[Any], step: int, width_px: float) -> Float32Array:
    """A layer in blocks of `step` by `step` pixels, blurred by so many of them (sd)."""
    return widely(shrink(np.asarray(layer, np.float32), step), width_px)


def _tone_of(surfaces: Surfaces, surface: int) -> Float32Array:
    """Mean tone (1, 1, 3) of a surface."""
    density = surfaces.density[surface]
    own = density * (density > FAINT * density.max())
    return np.asarray(own @ surfaces.boxes.middles() / own.sum(), np.float32).reshape(1, 1, 3)
