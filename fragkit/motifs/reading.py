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
from pathlib import Path
from threading import local
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.details import WHOLE
from fragkit.motifs.shares import EVEN, STEPS_A_RATIO
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]

NOISE_LIGHT, NOISE_HUE = 0.05, 0.02
"""Contrasts smaller than this, in ratios to the ground, tell little: what ground and leaf vary by themselves."""
LOOKED_AT = 0.05
"""Where neither the copy nor the typical one has so much metal within two pixels, there is none to be read."""
NOT_LOOKED_AT = np.uint8(255)
LEAST_DAMAGE = 0.005
"""A pixel was judged damaged, or sound, by a probability not nearer to 0 than this."""
NETWORK = Path(__file__).with_name("reading.onnx")
"""Each thread reads with a network of its own."""
REACH_PX = 2
"""What pixels up to so far off, along each axis, look like counts too."""
_of_thread = local()


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
        read = probabilities_of(_with_margin(signs, box))
        for layer, probability, whole in zip((metal, damaged), read, (WHOLE, 100), strict=True):
            np.copyto(layer[box], cv2.convertScaleAbs(probability, alpha=whole), where=where[box])
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
    out = np.empty((len(layers), *(own.stop - own.start for own in wide)), np.float32)
    for layer, laid in zip(layers, out, strict=True):
        cv2.copyMakeBorder(layer[inner], above, below, left, right, cv2.BORDER_REPLICATE, dst=laid)
    return out


def probabilities_of(signs: Float32Array) -> Float32Array:
    """Probability (2, h - 2 r, w - 2 r) of metal and of damage, from signs (m, h, w); r is `REACH_PX`."""
    if not hasattr(_of_thread, "network"):
        _of_thread.network = cv2.dnn.readNetFromONNX(np.fromfile(NETWORK, np.uint8))
    _of_thread.network.setInput(signs[None])
    return np.asarray(_of_thread.network.forward()[0], np.float32)


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
