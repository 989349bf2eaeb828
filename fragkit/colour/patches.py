"""A surface cut into patches: their mean colours, a robust mean of them, and what that mean is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri, stdtrit

from fragkit.colour.cielab import decode_srgb
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PATCH_MM = 12.0
"""Side of a patch, well above the few millimetres over which brush marks and dirt are correlated."""
EDGE_MM = 1.0
"""Pixels nearer than this to another surface are mixtures and are left out."""
FILL_RATIO = 0.10
"""A patch counts when this share of it shows the surface."""
THIN_EDGE_MM, THIN_FILL_RATIO = 0.6, 0.03
"""The same of a surface so thin that hardly a patch would be left."""
THIN_LAB_SD = (0.8, 0.2, 0.3)
"""What blur mixes into a thin surface from beside it, in L*, a*, b*; measured on simulated shadows 2 to 3 mm wide."""
MIN_NINTHS = 4
"""From so many ninths of pictures on, they and not the patches are taken as independent."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Patches:
    """Patches of one surface.

    Attributes
    ----------
    linear : (n, 3) array
        Mean linear sRGB.
    xy_mm : (n, 2) array
        Where their pixels lie on average.
    ninth, picture : (n,) int arrays
        Ninth of the surface's extent in its picture, numbered through all pictures, and picture.
    n_px : int
    is_thin : bool
        Only the middle of a thin surface is read, and not wholly free of what lies beside it.
    """

    linear: FloatArray
    xy_mm: FloatArray
    ninth: IntArray
    picture: IntArray
    n_px: int
    is_thin: bool = False

    def __len__(self) -> int:
        return len(self.linear)


def cut_patches(picture: Picture, mask: NDArray[np.bool_], *, number: int = 0, is_thin: bool = False) -> Patches:
    """Patches of 12 mm of what `mask` (h, w) shows, its edges left out; `number` is that of the picture."""
    edge_mm, fill_ratio = (THIN_EDGE_MM, THIN_FILL_RATIO) if is_thin else (EDGE_MM, FILL_RATIO)
    margin = max(1, round(edge_mm / picture.mm_per_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * margin + 1, 2 * margin + 1))
    used = cv2.erode((mask & picture.coverage).astype(np.uint8), kernel, borderValue=0).astype(bool)
    side = max(1, round(PATCH_MM / picture.mm_per_px))
    rows, columns = np.nonzero(used)
    n_across = used.shape[1] // side + 1
    patch = (rows // side) * n_across + columns // side
    count = np.bincount(patch, minlength=1)
    keep = np.flatnonzero(count >= max(fill_ratio * side**2, 1.0))
    values = decode_srgb(picture.pixels[rows, columns]).reshape(-1, 3)
    sums = [np.bincount(patch, own, minlength=1)[keep] for own in (*values.T, columns, rows)]
    means = np.stack(sums, axis=1) / count[keep, None]
    ninth = 3 * _third(keep // n_across) + _third(keep % n_across)
    return Patches(
        linear=means[:, :3],
        xy_mm=picture.to_mm(means[:, 3:]),
        ninth=ninth.astype(np.int64) + 9 * number,
        picture=np.full(len(keep), number),
        n_px=int(count[keep].sum()),
        is_thin=is_thin,
    )


def _third(place: IntArray) -> IntArray:
    """0, 1 or 2: the third of their own extent in which places lie."""
    if not len(place):
        return place
    return 3 * (place - place.min()) // (int(np.ptp(place)) + 1)


def joined(parts: list[Patches]) -> Patches:
    """The patches of several pictures together."""
    return Patches(
        linear=np.concatenate([part.linear for part in parts]),
        xy_mm=np.concatenate([part.xy_mm for part in parts]),
        ninth=np.concatenate([part.ninth for part in parts]),
        picture=np.concatenate([part.picture for part in parts]),
        n_px=sum(part.n_px for part in parts),
        is_thin=any(part.is_thin for part in parts),
    )


def biweights(values: FloatArray) -> FloatArray:
    """Tukey's weights (n,) of rows (n, 3) by their robust distance from the median."""
    centre = np.median(values, axis=0)
    scale = 1.4826 * np.median(np.abs(values - centre), axis=0) + 1e-6
    distance = np.sqrt(np.mean(((values - centre) / scale) ** 2, axis=1)) / 6.0
    return np.asarray(np.where(distance < 1.0, (1.0 - np.minimum(distance, 1.0) ** 2) ** 2, 0.0))


def mean_cov(values: FloatArray, weights: FloatArray, patches: Patches) -> FloatArray:
    """Covariance (3, 3) of the weighted mean of `values` (n, 3), such that ±1.96 sd hold 95 %.

    Notes
    -----
    Neighbouring patches are alike, so ninths of the surface's extent are taken as independent where there are
    `MIN_NINTHS`; the few of them are allowed for by Student's t.
    """
    used = weights > 0.0
    groups = patches.ninth[used]
    if len(np.unique(groups)) < MIN_NINTHS:
        groups = np.arange(used.sum())
    cov, n = _grouped_cov(values[used], weights[used], groups)
    return cov * (stdtrit(n - 1, 0.975) / 1.959964) ** 2 if n > 1 else cov


def widened(cov: FloatArray, values: FloatArray, weights: FloatArray, patches: Patches) -> FloatArray:
    """`cov` (3, 3) of the mean, widened where whole pictures differ by more than it allows by chance."""
    used = weights > 0.0
    between, n = _grouped_cov(values[used], weights[used], patches.picture[used])
    if n < 2:
        return cov
    ratio = np.diag(between) / np.maximum(np.diag(cov), 1e-12)
    factor = np.sqrt(np.where(ratio > fdtri(n - 1, 1e6, 0.95), ratio, 1.0))
    return np.asarray(cov * np.outer(factor, factor))


def _grouped_cov(values: FloatArray, weights: FloatArray, group: IntArray) -> tuple[FloatArray, int]:
    """Covariance of the weighted mean when the groups, not the values, are independent, and their number."""
    mean = np.average(values, axis=0, weights=weights)
    _, member = np.unique(group, return_inverse=True)
    n = int(member.max()) + 1
    if n < 2:
        return np.zeros((3, 3)), n
    pull = weights[:, None] * (values - mean)
    sums = np.stack([np.bincount(member, pull[:, c]) for c in range(3)], axis=1)
    return n / (n - 1) * sums.T @ sums / np.sum(weights) ** 2, n
