"""What each copy shows, in the detail that all copies give.

A line narrower than the blur is grey in one picture; all copies together tell where it is and how wide. A copy takes
it from them, as it is bent itself, and departs from it where its own tones do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.bending import Bent
from fragkit.motifs.mixture import METAL, SHADOW

Float32Array = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Details:
    """Shares (n, h, w) of metal and shadow in each copy."""

    metal: Float32Array
    shadow: Float32Array


def detail(bent: Bent, typical: Float32Array, shares: tuple[Float32Array, Float32Array]) -> Details:
    """The copies in the detail of the typical one.

    Parameters
    ----------
    typical : (3, h, w) array
        Shares of metal and shadow (first two layers) in the straightened typical copy, sharp.
    shares : pair of (n, h, w) arrays
        Shares of metal and shadow read in each copy.
    """
    out = np.empty((2, *shares[0].shape), np.float32)
    for n in range(len(shares[0])):
        soft, sharp = ([bent.of_copy(n, layer) for layer in layers] for layers in (bent.model, typical[: SHADOW + 1]))
        for k in (METAL, SHADOW):
            out[k, n] = np.clip(sharp[k] + shares[k][n] - soft[k], 0.0, 1.0)
        out[SHADOW, n] = np.minimum(out[SHADOW, n], 1.0 - out[METAL, n])
    return Details(*out)
