"""Pictures finer than a motif needs, reduced for its building, and labels brought back to their full size."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.centres import Centres
from fragkit.opencv import cv2
from fragkit.rectify import Picture

LabelArray = NDArray[np.uint8]

CELL_PX = 225.0
"""A cell (the root of its area) of twice as many pixels is halved: it tells nothing more of the motif."""


def reduction(picture: Picture, centres: Centres) -> int:
    """By how much each side can be reduced, a whole number of pixels to one."""
    cell_mm = float(np.sqrt(abs(np.linalg.det(np.array([centres.net.a_mm, centres.net.b_mm], float)))))
    return max(1, int(cell_mm / (CELL_PX * picture.mm_per_px)))


def reduced(picture: Picture, ratio: int) -> Picture:
    """The picture with each block of `ratio` × `ratio` pixels made one, covered where all of the block is."""
    if ratio == 1:
        return picture
    pixels, coverage = _whole_blocks(picture.pixels, ratio), _whole_blocks(picture.coverage, ratio)
    size = (coverage.shape[1] // ratio, coverage.shape[0] // ratio)
    whole = cv2.erode(coverage.view(np.uint8), np.ones((ratio, ratio), np.uint8), anchor=(0, 0))
    return Picture(
        pixels=cv2.resize(pixels, size, interpolation=cv2.INTER_AREA),
        mm_per_px=picture.mm_per_px * ratio,
        origin_mm=picture.origin_mm + 0.5 * (ratio - 1) * picture.mm_per_px * np.array([1.0, -1.0]),
        coverage=np.ascontiguousarray(whole[::ratio, ::ratio]) > 0,
        icc=picture.icc,
    )


def reduced_labels(labels: LabelArray, ratio: int) -> LabelArray:
    """The label at the middle of each block."""
    return np.ascontiguousarray(_whole_blocks(labels, ratio)[ratio // 2 :: ratio, ratio // 2 :: ratio])


def enlarged_labels(labels: LabelArray, ratio: int, shape: tuple[int, int]) -> LabelArray:
    """Labels of a reduced picture at its full `shape`; 0 in the rows and columns that filled no block."""
    if ratio == 1:
        return labels
    full = np.zeros(shape, np.uint8)
    large = labels.repeat(ratio, axis=0).repeat(ratio, axis=1)
    full[: large.shape[0], : large.shape[1]] = large
    return full


def as_fine(layer: NDArray[Any], shape: tuple[int, ...], step: int, *, smooth: bool = False) -> NDArray[Any]:
    """A layer of a picture reduced by `step` at the `shape` of the fine one, its last rows and columns carried on."""
    kind = cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST
    large = cv2.resize(layer, (layer.shape[1] * step, layer.shape[0] * step), interpolation=kind)
    below, right = shape[0] - large.shape[0], shape[1] - large.shape[1]
    if below or right:
        large = cv2.copyMakeBorder(large, 0, below, 0, right, cv2.BORDER_REPLICATE)
    return np.asarray(large)


def _whole_blocks(values: NDArray[Any], ratio: int) -> NDArray[Any]:
    height, width = (side - side % ratio for side in values.shape[:2])
    return values[:height, :width]
