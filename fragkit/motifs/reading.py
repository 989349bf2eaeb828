"""How likely each pixel of a picture is metal, read in the picture itself: its tone, those beside it, and the copies.

Copies are straightened before they are divided, and a share of a blurred pixel says little of a speck of two pixels.
Here the picture's own pixels are looked at, sharper than the copies: by how much each is lighter or darker than those
round it, against the contrast of leaf and what is beneath it, and what this comes to for each of the 25 pixels round
it, since edges and lines go on. How all this is weighed was learned on simulated fragments of both generators
(`tests/motifs/learn_reading.py`), whose truth is known: in pixels, since blur is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.details import WHOLE
from fragkit.motifs.reading_weights import (
    CENTRES,
    FIRST,
    FIRST_OFFSETS,
    JOINED,
    JOINED_OFFSETS,
    LAST,
    LAST_OFFSET,
    SCALES,
    SECOND,
    SECOND_OFFSETS,
)
from fragkit.motifs.shares import EVEN, STEPS_A_RATIO
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]

NOISE_LIGHT, NOISE_HUE = 0.05, 0.02
"""Contrasts smaller than this, in ratios to the ground, tell little: what ground and leaf vary by themselves."""
INWARD = FIRST / SCALES[:, None]
OFFSETS = FIRST_OFFSETS - CENTRES @ INWARD
BESIDE_PX = 2
"""What the pixels up to so far off look like counts too, along each axis: edges and lines go on."""
LOOKED_AT = 0.05
"""Where neither the copy nor the typical one has so much metal within two pixels, there is none to be read."""


def read_metal(placed: NDArray[np.uint8], looks: Float32Array, shade: Float32Array) -> NDArray[np.uint8]:
    """Probability (h, w) of metal, of 255, at the pixels of a window where nothing is damaged.

    Parameters
    ----------
    placed : (h, w, 8) uint8 array
        Layers of the copy, from `detail`, and of all copies, from `common_layers`, laid onto the window.
    looks : (h, w, 3) array
        Lightness and two opponent colours of the picture's pixels, in ratios to the ground.
    shade : (3,) array
        By how much shadow differs from ground.
    """
    metal = np.ascontiguousarray(placed[..., 0])
    where = looked_at(placed)
    if where.any():
        traits = _traits(signs_of(placed, looks, shade), where)
        joined = _through(beside(traits, where), JOINED, JOINED_OFFSETS)
        against = cv2.exp(np.clip(-(joined @ LAST) - LAST_OFFSET, -30.0, 30.0)).ravel()
        metal[where] = np.rint(np.float32(WHOLE) / (np.float32(1.0) + against))
    return metal


def looked_at(placed: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where (h, w) there may be metal: the copy or the typical one has some within two pixels."""
    most = cv2.max(np.ascontiguousarray(placed[..., 0]), np.ascontiguousarray(placed[..., 6]))
    return np.asarray(cv2.dilate(most, np.ones((5, 5), np.uint8)) > LOOKED_AT * WHOLE)


def _traits(signs: list[Float32Array], where: NDArray[np.bool_]) -> Float32Array:
    """What (h, w, 4) the signs of each pixel come to, wherever one that is looked at has it beside it."""
    size = 2 * BESIDE_PX + 1
    wide = cv2.dilate(where.astype(np.uint8), np.ones((size, size), np.uint8)).ravel().nonzero()[0]
    hidden = _through(np.stack([layer.ravel()[wide] for layer in signs], axis=1), INWARD, OFFSETS)
    traits = np.zeros((where.size, len(SECOND_OFFSETS)), np.float32)
    traits[wide] = _through(hidden, SECOND, SECOND_OFFSETS)
    return traits.reshape(*where.shape, -1)


def beside(layers: NDArray[Any], where: NDArray[np.bool_]) -> NDArray[Any]:
    """Layers (h, w, k) at each place and those round it, (n, 25 × k), row by row; beyond the window its rim goes on."""
    width, steps = where.shape[1], range(2 * BESIDE_PX + 1)
    padded = np.pad(layers, ((BESIDE_PX, BESIDE_PX), (BESIDE_PX, BESIDE_PX), (0, 0)), mode="edge")
    rows = np.concatenate([padded[:, k : k + width] for k in steps], axis=2)
    places = where.ravel().nonzero()[0][:, None] + width * np.arange(len(steps))
    return np.take(rows.reshape(-1, rows.shape[2]), places, axis=0).reshape(len(places), -1)


def _through(signs: Float32Array, weights: Float32Array, offsets: Float32Array) -> Float32Array:
    """One layer (n, k) of the network: what is above nothing of weighed signs (n, m)."""
    out = signs @ weights
    out += offsets
    return np.maximum(out, np.float32(0.0), out=out)


def signs_of(placed: NDArray[np.uint8], looks: Float32Array, shade: Float32Array) -> list[Float32Array]:
    """What speaks for metal or against it: 14 layers (h, w), in the order of the weights."""
    drawn, _, own, *contrast, typical, beneath = (np.asarray(k, np.float32) for k in cv2.split(placed))
    drawn, own, typical, beneath = (k / np.float32(WHOLE) for k in (drawn, own, typical, beneath))
    light, *hue = ((k - np.float32(EVEN)) / np.float32(STEPS_A_RATIO) for k in contrast)
    seen = [np.ascontiguousarray(looks[..., k]) for k in range(3)]
    away = [y - beneath * np.float32(one) for y, one in zip(seen, shade, strict=True)]
    away[0] -= np.float32(1.0)
    gain = light / (light**2 + np.float32(NOISE_LIGHT**2))
    hue2 = hue[0] ** 2 + hue[1] ** 2
    by_light = np.clip(away[0] * gain, -2.0, 3.0)
    by_hue = np.clip((away[1] * hue[0] + away[2] * hue[1]) / (hue2 + np.float32(NOISE_HUE**2)), -2.0, 3.0)
    sharp = [np.clip((seen[0] - soft) * gain, -1.5, 1.5) for soft in (_boxed(seen[0]), *_soft(seen[0], 1.5, 3.0))]
    return [
        *(typical, own, drawn, by_light, by_hue, *sharp, *_soft(own, 1.5), *_soft(typical, 1.5)),
        *(light * gain, hue2 / (hue2 + np.float32(NOISE_HUE**2)), np.clip(light, -1.0, 1.0), beneath),
    ]


def _boxed(layer: Float32Array) -> Any:
    return cv2.blur(layer, (3, 3))


def _soft(layer: Float32Array, *widths_px: float) -> list[Any]:
    return [cv2.GaussianBlur(layer, (0, 0), width) for width in widths_px]
