"""Motif centres as they are given to a fit: found on a picture, or three arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs import Centres

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]
CentreList = tuple[FloatArray, FloatArray, IntArray]


def found_of(centres: Centres | CentreList) -> CentreList:
    """Positions (n, 2), covariances (n, 2, 2) and index (n, 2) of the centres that were found; of arrays, of all."""
    if isinstance(centres, tuple):
        xy_mm, cov_mm2, index = centres
        return np.asarray(xy_mm, float), np.asarray(cov_mm2, float), np.asarray(index).astype(int)
    found = np.asarray(centres.found)
    return centres.xy_mm[found], centres.cov_mm2[found], centres.index[found].astype(int)
