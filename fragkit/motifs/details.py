"""What each copy shows, in the detail that all copies give.

A line narrower than the blur is grey in one picture; all copies together tell where it is and how wide. A copy takes
it from them and departs from it where its own tones do.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.mixture import METAL, SHADOW
from fragkit.motifs.shares import Consensus

Float32Array = NDArray[np.float32]

WHOLE = 255
"""A share of one, where shares are held in whole numbers."""
RARE, RUBBED = 0.7, 1.1
"""What a copy has beyond the typical one counts less: hardly any has leaf where the others have none. What it lacks
counts more: blur fills a rubbed speck from all sides. Chosen on simulated scenes of both generators."""


def detail(
    both: Consensus, typical: Float32Array, shares: tuple[Float32Array, Float32Array], contrasts: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """Layers (n, h, w, 6) of each copy, straightened, in whole numbers.

    Shares of metal and shadow, of 255, as sharp as in the typical copy; the share of metal as read; by how much leaf
    differs from what is beneath, in hundredths about 128.

    Parameters
    ----------
    both : Consensus
        What all copies show.
    typical : (3, h, w) array
        Shares of metal and shadow (first two layers) in the typical copy, sharp.
    shares : pair of (n, h, w) arrays
        Shares of metal and shadow read in each copy.
    contrasts : (n, h, w, 3) uint8 array
        From `contrasts_of`.
    """
    away = shares[METAL] - both.metal
    away *= np.where(away > 0.0, np.float32(RARE), np.float32(RUBBED))
    metal = np.clip(typical[METAL] + away, 0.0, 1.0)
    shadow = np.clip(shares[SHADOW] + (typical[SHADOW] - both.shadow), 0.0, 1.0 - metal)
    out = np.empty((*metal.shape, 6), np.uint8)
    for layer, share in enumerate((metal, shadow, shares[METAL])):
        np.rint(WHOLE * share, out=out[..., layer], casting="unsafe")
    out[..., 3:] = contrasts
    return out


def common_layers(typical: Float32Array, beneath: Float32Array) -> NDArray[np.uint8]:
    """Layers (h, w, 2) that all copies have in common, of 255: shares of metal in the typical copy, and of shadow in
    what is beneath or beside the metal."""
    layers = np.dstack([typical[METAL], beneath])
    return np.asarray(np.rint(WHOLE * np.clip(layers, 0.0, 1.0)), np.uint8)
