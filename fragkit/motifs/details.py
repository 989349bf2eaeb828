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


def detail(both: Consensus, typical: Float32Array, shares: tuple[Float32Array, Float32Array]) -> NDArray[np.uint8]:
    """Shares (n, h, w, 2) of metal and shadow in each copy, of 255, straightened, as sharp as the typical one.

    Parameters
    ----------
    both : Consensus
        What all copies show.
    typical : (3, h, w) array
        Shares of metal and shadow (first two layers) in the typical copy, sharp.
    shares : pair of (n, h, w) arrays
        Shares of metal and shadow read in each copy.
    """
    away = shares[METAL] - both.metal
    away *= np.where(away > 0.0, np.float32(RARE), np.float32(RUBBED))
    metal = np.clip(typical[METAL] + away, 0.0, 1.0)
    shadow = np.clip(shares[SHADOW] + (typical[SHADOW] - both.shadow), 0.0, 1.0 - metal)
    out = np.empty((*metal.shape, 2), np.uint8)
    for layer, share in ((METAL, metal), (SHADOW, shadow)):
        np.rint(WHOLE * share, out=out[..., layer], casting="unsafe")
    return out
