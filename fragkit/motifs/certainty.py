"""How sure a label is: neighbours repeat each other, and the border of damage may lie elsewhere."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from fragkit.motifs.labels import LOSS_CODE, NOT_READ
from fragkit.opencv import cv2
from fragkit.threads import by_rows

LabelArray = NDArray[np.uint8]

OWN_SHARE = 0.5
"""Share of the log odds of damage that is a pixel's own: blur, JPEG and the neighbourhood's part in them give the rest
twice."""
BORDER_PX = 0.5
"""Half of all borders of damage lie within this distance of where they are drawn, some of them far away."""
EVEN = 50


def settled(codes: LabelArray, percent: LabelArray, *, step: int) -> LabelArray:
    """Probability (h, w) in hundredths that each label is right.

    Parameters
    ----------
    codes, percent : (h, w) uint8 arrays
        Labels, and how sure each is by the odds of its pixel.
    step : int
        Pixels in the side of one over which damage was read.

    Notes
    -----
    Odds of damage are summed over neighbours as if each spoke for itself; they do not, and half the log odds remains.
    A border of damage is drawn where the odds are even, and whole strips of it lie elsewhere, since plaster looks like
    the pale ground or the worn leaf beside it: at a distance d inside, the border lies further in with a probability of
    1/2 - arctan(d / 0.5 px) / π. On simulated walls of both generators that is the share of wrong labels within a
    factor of two, from 1 to 15 px. Where the odds speak of damage and its form against it, as in a crack, it is even.
    """
    within = ((codes >= LOSS_CODE) | (codes == NOT_READ))[::step, ::step].astype(np.uint8)
    depth = np.minimum(cv2.distanceTransform(within, cv2.DIST_L2, 5), np.float32(within.size))
    further_in = np.empty(within.shape, np.uint8)

    def reach(rows: slice) -> None:
        further_in[rows] = np.rint(100.0 * (0.5 + np.arctan(depth[rows] / BORDER_PX) / np.pi))

    by_rows(reach, len(depth))
    large = cv2.resize(further_in, codes.shape[::-1], interpolation=cv2.INTER_NEAREST)
    out = np.empty_like(percent)

    def judge(rows: slice) -> None:
        damage = cv2.multiply(cv2.LUT(percent[rows], _own_odds()), large[rows], scale=0.01)
        here = codes[rows]
        sound = np.maximum(percent[rows], np.uint8(EVEN))
        sound[here == NOT_READ] = 0
        out[rows] = np.where(here >= LOSS_CODE, damage, sound)

    by_rows(judge, len(codes))
    return out


@lru_cache(maxsize=1)
def _own_odds() -> LabelArray:
    """Hundredths (256,) of damage by a pixel's own odds, by hundredths with what its neighbours gave it."""
    of_all = np.clip(np.arange(256) / 100.0, 1e-6, 1.0 - 1e-6)
    return np.rint(100.0 * expit(OWN_SHARE * logit(of_all))).astype(np.uint8)
