"""How likely each pixel of a picture is metal, read in the picture itself: its tone, those beside it, and the copies.

Copies are straightened before they are divided, and a share of a blurred pixel says little of a speck of two pixels.
Here the picture's own pixels are looked at, sharper than the copies: by how much each is lighter or darker than those
round it, against the contrast of leaf and what is beneath it, and what this comes to for each of the 25 pixels round
it, since edges and lines go on. How all this is weighed was learned on simulated fragments of both generators
(`tests/motifs/learn_reading.py`), whose truth is known: in pixels, since blur is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
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
from fragkit.threads import groups_of

Float32Array = NDArray[np.float32]

NOISE_LIGHT, NOISE_HUE = 0.05, 0.02
"""Contrasts smaller than this, in ratios to the ground, tell little: what ground and leaf vary by themselves."""
BESIDE_PX = 2
"""What the pixels up to so far off look like counts too, along each axis: edges and lines go on."""
SIDE = 2 * BESIDE_PX + 1
LOOKED_AT = 0.05
"""Where neither the copy nor the typical one has so much metal within two pixels, there is none to be read."""
PLACES_AT_ONCE = 800
"""About so many pixels, with those round each, stay in the processor's own memory."""
INWARD = np.ascontiguousarray((FIRST / SCALES[:, None]).T)
OFFSETS = FIRST_OFFSETS - INWARD @ CENTRES
ONWARD = np.ascontiguousarray(SECOND.T)
AROUND = np.ascontiguousarray(JOINED.reshape(SIDE, SIDE, len(ONWARD), -1).T.swapaxes(2, 3).reshape(JOINED.shape[::-1]))
"""Weights of each trait at all places round a pixel, row by row."""


def read_metal(placed: Sequence[NDArray[np.uint8]], looks: Float32Array, shade: Float32Array) -> NDArray[np.uint8]:
    """Probability (h, w) of metal, of 255, at the pixels of a window where nothing is damaged.

    Parameters
    ----------
    placed : sequence of 8 (h, w) uint8 arrays
        Layers of the copy, from `detail`, and of all copies, from `common_layers`, laid onto the window.
    looks : (h, w, 3) array
        Lightness and two opponent colours of the picture's pixels, in ratios to the ground.
    shade : (3,) array
        By how much shadow differs from ground.
    """
    metal = placed[0].copy()
    where = looked_at(placed)
    if where.any():
        box = _box_of(where)
        traits = _traits([layer[box] for layer in signs_of(placed, looks, shade)])
        against = cv2.exp(np.clip(-(LAST @ _joined(traits)) - LAST_OFFSET, -30.0, 30.0)).reshape(traits.shape[1:])
        read = np.rint(np.float32(WHOLE) / (np.float32(1.0) + against)).astype(np.uint8)
        np.copyto(metal[box], read, where=where[box])
    return metal


def looked_at(placed: Sequence[NDArray[np.uint8]]) -> NDArray[np.bool_]:
    """Where (h, w) there may be metal: the copy or the typical one has some within two pixels."""
    most = cv2.max(placed[0], placed[6])
    return np.asarray(cv2.dilate(most, np.ones((5, 5), np.uint8)) > LOOKED_AT * WHOLE)


def _box_of(where: NDArray[np.bool_]) -> tuple[slice, slice]:
    """The rows and columns of all places (h, w) that are looked at, and of those beside them."""
    rows, columns = (np.flatnonzero(where.any(axis=axis)) for axis in (1, 0))
    down, across = (slice(max(int(k[0]) - BESIDE_PX, 0), int(k[-1]) + BESIDE_PX + 1) for k in (rows, columns))
    return down, across


def _traits(signs: Sequence[Float32Array]) -> Float32Array:
    """What (4, h, w) the signs (h, w) of each pixel come to."""
    layers = np.stack(signs).reshape(len(signs), -1)
    out = np.empty((len(ONWARD), layers.shape[1]), np.float32)
    for some in groups_of(layers.shape[1], size=PLACES_AT_ONCE):
        out[:, some] = _through(_through(layers[:, some], INWARD, OFFSETS), ONWARD, SECOND_OFFSETS)
    return out.reshape(-1, *signs[0].shape)


def _joined(traits: Float32Array) -> Float32Array:
    """What (k, h × w) the traits (4, h, w) of each pixel and of those round it come to; beyond the window its rim goes
    on."""
    height, width = traits.shape[1:]
    padded = np.pad(traits, ((0, 0), (BESIDE_PX, BESIDE_PX), (BESIDE_PX, BESIDE_PX)), mode="edge")
    beside = sliding_window_view(padded, (height, width), axis=(1, 2))
    out = np.empty((len(AROUND), height * width), np.float32)
    for rows in groups_of(height, size=max(PLACES_AT_ONCE // width, 1)):
        some = beside[..., rows, :].reshape(AROUND.shape[1], -1)
        out[:, rows.start * width : rows.stop * width] = _through(some, AROUND, JOINED_OFFSETS)
    return out


def _through(signs: Float32Array, weights: Float32Array, offsets: Float32Array) -> Float32Array:
    """One layer (k, n) of the network: what is above nothing of weighed signs (m, n)."""
    out = weights @ signs
    out += offsets[:, None]
    return np.maximum(out, np.float32(0.0), out=out)


def signs_of(placed: Sequence[NDArray[np.uint8]], looks: Float32Array, shade: Float32Array) -> list[Float32Array]:
    """What speaks for metal or against it: 14 layers (h, w), in the order of the weights."""
    drawn, _, own, *contrast, typical, beneath = (np.asarray(k, np.float32) for k in placed)
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
