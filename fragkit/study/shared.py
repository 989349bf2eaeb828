"""What the planes of its photographs make the centres of a fragment share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from fragkit.motifs import Centres
from fragkit.rectify import Rectified
from fragkit.survey.entries import FloatArray

_SAME_RATIO = 0.25
"""A motif of one photograph is that of the merged list when it is nearer than this share of the repeat."""


def shared_covariance_mm2(merged: Centres, photos: Sequence[tuple[Rectified, Centres]]) -> FloatArray:
    """Covariance (2n, 2n) in mm² of the n found centres (x1, y1, x2, …) that comes from the planes.

    Parameters
    ----------
    merged : Centres
        Of the fragment.
    photos : sequence of (Rectified, Centres)
        The photographs it was merged from.

    Notes
    -----
    A plane that is wrong moves all its centres together, so the error of a repeat does not fall with their
    number. A centre seen in k photographs takes 1/k from each plane; planes of different photographs share
    nothing.
    """
    found = np.asarray(merged.found)
    xy = np.asarray(merged.xy_mm, float)[found]
    seen = np.array([_is_seen(xy, centres) for _, centres in photos], float)
    share = seen / np.maximum(seen.sum(axis=0), 1.0)
    total = np.zeros((2 * len(xy), 2 * len(xy)))
    for weight, (rectified, _) in zip(share, photos, strict=True):
        both = np.repeat(weight, 2)
        total += both[:, None] * both * rectified.joint_covariance_mm2(xy)
    return total


def _is_seen(xy_mm: FloatArray, centres: Centres) -> np.ndarray:
    own = np.asarray(centres.xy_mm, float)[np.asarray(centres.found)]
    repeat = min(np.hypot(*centres.net.a_mm), np.hypot(*centres.net.b_mm))
    if not len(own):
        return np.zeros(len(xy_mm), bool)
    distance, _ = cKDTree(own).query(xy_mm)
    return np.asarray(distance < _SAME_RATIO * repeat)
