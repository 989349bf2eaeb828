"""How likely each pixel of a motif is metal, and damaged, read in the picture itself: its tone, those beside it, and
the copies.

Copies are straightened before they are divided, and a share of a blurred pixel says little of a speck of two pixels.
Here the picture's own pixels are looked at, sharper than the copies: by how much each is lighter or darker than those
round it, against the contrast of leaf and what is beneath it, whether it was judged damaged, and what this comes to
for all pixels round it, since edges and lines go on. How all this is weighed, by a small network of convolutions, was
learned on simulated fragments of both generators (`tests/motifs/learn_reading.py`), whose truth is known: in pixels,
since blur is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.details import WHOLE
from fragkit.motifs.reading_weights import (
    BESIDE,
    BESIDE_OFFSETS,
    CENTRES,
    FIRST,
    FIRST_OFFSETS,
    LAST,
    LAST_OFFSETS,
    SCALES,
)
from fragkit.motifs.shares import EVEN, STEPS_A_RATIO
from fragkit.opencv import cv2
from fragkit.threads import groups_of

Float32Array = NDArray[np.float32]

NOISE_LIGHT, NOISE_HUE = 0.05, 0.02
"""Contrasts smaller than this, in ratios to the ground, tell little: what ground and leaf vary by themselves."""
LOOKED_AT = 0.05
"""Where neither the copy nor the typical one has so much metal within two pixels, there is none to be read."""
NOT_LOOKED_AT = np.uint8(255)
MOST_ODDS = 30.0
LEAST_DAMAGE = 0.005
"""A pixel was judged damaged, or sound, by a probability not nearer to 0 than this."""
PLACES_AT_ONCE = 600
"""About so many pixels, with those beside each, stay in the processor's own memory."""
SIDE = 3
"""Each layer looks at the pixels next to each, in a square of this side."""
N_TRAITS = len(FIRST)
LAYERS = BESIDE.reshape(-1, N_TRAITS, SIDE * SIDE * N_TRAITS)
"""Of each layer, weights of the traits of all places of a square, row by row."""
REACH_PX = len(LAYERS) * (SIDE // 2)
"""What pixels up to so far off, along each axis, look like counts too."""
INWARD = np.ascontiguousarray(FIRST / SCALES)
OFFSETS = FIRST_OFFSETS - INWARD @ CENTRES


def read_copy(
    placed: Sequence[NDArray[np.uint8]], looks: Float32Array, shade: Float32Array, damage: NDArray[np.uint8]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Probability (h, w) of metal, of 255, at the pixels of a window if they are not damaged, and that in hundredths
    that they are; `NOT_LOOKED_AT` where no motif is.

    Parameters
    ----------
    placed : sequence of 8 (h, w) uint8 arrays
        Layers of the copy, from `detail`, and of all copies, from `common_layers`, laid onto the window.
    looks : (h, w, 3) array
        Lightness and two opponent colours of the picture's pixels, in ratios to the ground.
    shade : (3,) array
        By how much shadow differs from ground.
    damage : (h, w) uint8 array
        Probability in hundredths that a pixel is damaged, as it was judged by itself and what is round it.
    """
    where = looked_at(placed)
    metal, damaged = placed[0].copy(), np.full(where.shape, NOT_LOOKED_AT)
    if where.any():
        signs, box = signs_of(placed, looks, shade, damage), _box_of(where)
        wholes = (np.float32(WHOLE), np.float32(100.0))
        for layer, odds, whole in zip((metal, damaged), odds_of(_with_margin(signs, box)), wholes, strict=True):
            read = whole / (np.float32(1.0) + cv2.exp(-np.clip(odds, -MOST_ODDS, MOST_ODDS)))
            np.copyto(layer[box], np.rint(read).astype(np.uint8), where=where[box])
    return metal, damaged


def looked_at(placed: Sequence[NDArray[np.uint8]]) -> NDArray[np.bool_]:
    """Where (h, w) there may be metal: the copy or the typical one has some within two pixels."""
    most = cv2.max(placed[0], placed[6])
    return np.asarray(cv2.dilate(most, np.ones((5, 5), np.uint8)) > LOOKED_AT * WHOLE)


def _box_of(where: NDArray[np.bool_]) -> tuple[slice, slice]:
    """The rows and columns of all places (h, w) that are looked at."""
    rows, columns = (np.flatnonzero(where.any(axis=axis)) for axis in (1, 0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _with_margin(layers: Sequence[Float32Array], box: tuple[slice, slice]) -> Float32Array:
    """Layers (m, h, w) in a box and up to `REACH_PX` round it; beyond the window its rim goes on."""
    wide = [slice(own.start - REACH_PX, own.stop + REACH_PX) for own in box]
    sides = list(zip(wide, layers[0].shape, strict=True))
    inner = tuple(slice(max(k.start, 0), min(k.stop, side)) for k, side in sides)
    (above, below), (left, right) = ((max(-k.start, 0), max(k.stop - side, 0)) for k, side in sides)
    return np.stack(
        [cv2.copyMakeBorder(layer[inner], above, below, left, right, cv2.BORDER_REPLICATE) for layer in layers]
    )


def odds_of(signs: Float32Array) -> Float32Array:
    """Log odds (2, h - 2 r, w - 2 r) of metal and of damage, from signs (m, h, w); r is `REACH_PX`.

    Notes
    -----
    Rows are kept one after the other, so that a pixel's neighbours are where it is itself, so many places further on.
    Places at the right end of a row meet the next row's beginning, and are left out at the end.
    """
    height, width = signs.shape[1:]
    traits = _through(signs.reshape(len(signs), -1), INWARD, OFFSETS)
    for k, weights in enumerate(LAYERS):
        traits = _beside(traits, width, weights, BESIDE_OFFSETS[k], is_first=k == 0)
    odds = np.zeros((len(LAST), (height - 2 * REACH_PX) * width), np.float32)
    odds[:, : traits.shape[1]] = LAST @ traits + LAST_OFFSETS[:, None]
    return odds.reshape(len(LAST), -1, width)[..., : width - 2 * REACH_PX]


def _beside(
    traits: Float32Array, width: int, weights: Float32Array, offsets: Float32Array, *, is_first: bool
) -> Float32Array:
    """Traits (k, n - 2 width - 2) from those (k, n) of a square round each place, which all but the first layer add
    to."""
    steps = [down * width + right for down in range(SIDE) for right in range(SIDE)]
    out = np.empty((len(weights), traits.shape[1] - steps[-1]), np.float32)
    for some in groups_of(out.shape[1], size=PLACES_AT_ONCE):
        square = np.concatenate([traits[:, some.start + step : some.stop + step] for step in steps])
        out[:, some] = _through(square, weights, offsets)
    if not is_first:
        middle = steps[len(steps) // 2]
        out += traits[:, middle : middle + out.shape[1]]
    return out


def _through(signs: Float32Array, weights: Float32Array, offsets: Float32Array) -> Float32Array:
    """What is above nothing of weighed signs (m, n): (k, n)."""
    out = weights @ signs
    out += offsets[:, None]
    return np.maximum(out, np.float32(0.0), out=out)


def signs_of(
    placed: Sequence[NDArray[np.uint8]], looks: Float32Array, shade: Float32Array, damage: NDArray[np.uint8]
) -> list[Float32Array]:
    """What speaks for metal or damage, or against it: 21 layers (h, w), in the order of the weights."""
    drawn, _, own, *contrast, typical, beneath = (np.asarray(k, np.float32) for k in placed)
    drawn, own, typical, beneath = (k / np.float32(WHOLE) for k in (drawn, own, typical, beneath))
    light, *hue = contrasts = [(k - np.float32(EVEN)) / np.float32(STEPS_A_RATIO) for k in contrast]
    seen = [np.ascontiguousarray(looks[..., k]) for k in range(3)]
    away = [y - beneath * np.float32(one) for y, one in zip(seen, shade, strict=True)]
    away[0] -= np.float32(1.0)
    gain = light / (light**2 + np.float32(NOISE_LIGHT**2))
    hue2 = hue[0] ** 2 + hue[1] ** 2
    by_light = np.clip(away[0] * gain, -2.0, 3.0)
    by_hue = np.clip((away[1] * hue[0] + away[2] * hue[1]) / (hue2 + np.float32(NOISE_HUE**2)), -2.0, 3.0)
    sharp = [np.clip((seen[0] - soft) * gain, -1.5, 1.5) for soft in (_boxed(seen[0]), *_soft(seen[0], 1.5, 3.0))]
    lost = np.clip(damage / np.float32(100.0), LEAST_DAMAGE, 1.0 - LEAST_DAMAGE)
    return [
        *(typical, own, drawn, by_light, by_hue, *sharp, *_soft(own, 1.5), *_soft(typical, 1.5)),
        *(light * gain, hue2 / (hue2 + np.float32(NOISE_HUE**2)), np.clip(light, -1.0, 1.0), beneath),
        *away,
        *(one - own * full for one, full in zip(away, contrasts, strict=True)),
        cv2.log(lost / (np.float32(1.0) - lost)),
    ]


def _boxed(layer: Float32Array) -> Any:
    return cv2.blur(layer, (3, 3))


def _soft(layer: Float32Array, *widths_px: float) -> list[Any]:
    return [cv2.GaussianBlur(layer, (0, 0), width) for width in widths_px]
