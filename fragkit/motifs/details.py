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


def detail(both: Consensus, typical: Float32Array, shares: tuple[Float32Array, Float32Array]) -> Float32Array:
    """Shares (2, n, h, w) of metal and shadow in each copy, straightened, as sharp as the typical one.

    Parameters
    ----------
    both : Consensus
        What all copies show.
    typical : (3, h, w) array
        Shares of metal and shadow (first two layers) in the typical copy, sharp.
    shares : pair of (n, h, w) arrays
        Shares of metal and shadow read in each copy.
    """
    gain = typical[: SHADOW + 1] - np.stack([both.metal, both.shadow])
    out = np.clip(np.stack(shares) + gain[:, None], 0.0, 1.0)
    out[SHADOW] = np.minimum(out[SHADOW], 1.0 - out[METAL])
    return np.asarray(out, np.float32)
