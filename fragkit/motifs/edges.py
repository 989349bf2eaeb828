"""How much of each edge pixel is metal, and how much shadow, from its place between the tones on either side.

A pixel on an edge has a tone between two surfaces. Sorting it to one of them moves the edge towards the
surface with the narrower range of tones, by a good part of the blur. Here it is shared in proportion
instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.mixture import GROUND, METAL, SHADOW
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

NEAR_PX = 2.0
"""Reach (sd) over which the tones on either side of an edge are averaged."""
CLEAR_SD = 5.0
"""Sides closer in tone than this many noise deviations do not tell where the edge lies."""


@dataclass(frozen=True, eq=False)
class Paints:
    """Mean tone of the shadow (3,), and the inverse of the noise covariance (3, 3); ground is 1."""

    shadow: Float32Array
    inverse_noise: Float32Array


def paints_from(own: Float32Array, colours: Float32Array) -> Paints:
    """Mean tone of the shadow, noise of the ground: from probabilities (3, n, h, w), tones (n, h, w, 3)."""
    shadow = own[SHADOW] > 0.9
    ground = own[GROUND] > 0.9
    tone = np.median(colours[shadow], axis=0) if shadow.sum() > 20 else np.full(3, np.nan)
    noise = np.cov(colours[ground][::7].T) + 1e-6 * np.eye(3)
    return Paints(tone.astype(np.float32), np.linalg.inv(noise).astype(np.float32))


def share_edges(
    own: Float32Array,
    foreign: Float32Array,
    colours: Float32Array,
    paints: Paints,
    beside_shadow: Float32Array,
) -> tuple[Float32Array, Float32Array]:
    """Shares (h, w) of metal and of shadow in one copy's pixels.

    Parameters
    ----------
    own : (3, h, w) array
        Probabilities of metal, shadow, ground.
    foreign : (h, w) array
    colours : (h, w, 3) array
        Ratios to the ground.
    paints : Paints
    beside_shadow : (h, w) array
        Share of shadow in what lies beside the metal, from the atlas.
    """
    known = np.maximum(own.sum(0), 1e-6)
    metal, shadow = own[METAL] / known, own[SHADOW] / known
    sound = foreign < 0.3
    inner = _eroded((metal > 0.7) & sound, 1)
    deep_outside = _eroded((metal < 0.3) & sound, 3)
    leaf, reach = _around(colours, inner)
    has_shadow = bool(np.isfinite(paints.shadow).all())
    tone = paints.shadow if has_shadow else np.ones(3, np.float32)
    beside = (1.0 + beside_shadow[..., None] * (tone - 1.0)).astype(np.float32)
    share, clear = _between(colours, beside, leaf, paints.inverse_noise)
    band = clear & (reach > 0.02) & ~inner & (foreign < 0.5) & ~deep_outside
    new_metal = np.where(band, share, metal)
    if not has_shadow:
        return new_metal, np.zeros_like(new_metal)
    paint, _ = _between(colours, np.ones(3, np.float32), tone, paints.inverse_noise)
    alone = ~band & (metal < 0.3) & (shadow > 0.05) & (foreign < 0.5) & (reach < 0.02)
    new_shadow = np.where(band, (1.0 - share) * beside_shadow, np.where(alone, paint, shadow))
    return new_metal.astype(np.float32), np.minimum(new_shadow, 1.0 - new_metal).astype(np.float32)


def shadow_beside(atlas: Float32Array) -> Float32Array:
    """Share (h, w) of shadow in what lies beside the metal; rims a pixel wide are not shadow."""
    shadow, ground = cv2.morphologyEx(atlas[SHADOW], cv2.MORPH_OPEN, _DISC), atlas[GROUND]
    ground = np.where(cv2.dilate((atlas[METAL] > 0.2).astype(np.uint8), _DISC) > 0, 0.0, ground).astype(np.float32)
    near = [cv2.GaussianBlur(layer, (0, 0), NEAR_PX) for layer in (shadow, ground)]
    return np.asarray(near[0] / np.maximum(near[0] + near[1], 1e-4), np.float32)


_DISC = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))


def _eroded(mask: NDArray[np.bool_], n_px: int) -> NDArray[np.bool_]:
    """The mask without the `n_px` pixels along its border."""
    return np.asarray(cv2.erode(mask.astype(np.uint8), _DISC, iterations=n_px).astype(bool))


def _around(colours: Float32Array, core: NDArray[np.bool_]) -> tuple[Float32Array, Float32Array]:
    """Mean colour (h, w, 3) of the core's pixels around each place, and their share there."""
    weight = core.astype(np.float32)
    reach = cv2.GaussianBlur(weight, (0, 0), NEAR_PX)
    mean = cv2.GaussianBlur(colours * weight[..., None], (0, 0), NEAR_PX)
    return np.asarray(mean / np.maximum(reach, 1e-4)[..., None]), np.asarray(reach)


def _between(
    colours: Float32Array, first: Float32Array, second: Float32Array, inverse_noise: Float32Array
) -> tuple[Float32Array, NDArray[np.bool_]]:
    """How far each colour lies from `first` to `second` (0 to 1), and where the two are clearly apart."""
    step = second - first
    along = step @ inverse_noise
    length2 = np.einsum("...c,...c->...", along, step)
    share = np.einsum("...c,...c->...", colours - first, along) / np.maximum(length2, 1e-6)
    return np.clip(share, 0.0, 1.0).astype(np.float32), np.asarray(length2 > CLEAR_SD**2)
