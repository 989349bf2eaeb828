"""Photographs of one fragment joined to one picture, along seams that run round the motifs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.motifs.reducing import reduced
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]


def join_pictures(
    pictures: Sequence[Picture], *, motifs_mm: ArrayLike, radius_mm: float, longest_px: int | None = None
) -> Picture:
    """One true-scale picture of all that the given ones show; no motif is put together from two of them.

    Parameters
    ----------
    pictures : sequence of Picture
        In one frame and of one depth; the scale of the first is kept.
    motifs_mm : (n, 2) array
        Centres of the motifs that seams must not cross.
    radius_mm : float
        How far a motif reaches from its centre.
    longest_px : int, optional
        All pictures are first reduced by whole blocks, until no side of the first is longer than this.

    Raises
    ------
    ValueError
        Without pictures, or for pictures of different depths.

    Notes
    -----
    Each place is taken from the picture in which it lies furthest from the border, so that seams run half-way between
    borders; then each motif is taken whole from the picture that shows most of it.
    """
    if not pictures or len({(p.pixels.dtype, p.pixels.shape[2:]) for p in pictures}) != 1:
        raise ValueError(f"{len(pictures)} pictures: give one or more of the same depth and channels.")
    if longest_px is not None:
        ratio = -(-max(pictures[0].pixels.shape[:2]) // longest_px)
        pictures = [reduced(picture, ratio) for picture in pictures]
    scale = pictures[0].mm_per_px
    corners = np.vstack([p.to_mm(np.array([[0, 0], np.array(p.pixels.shape[1::-1]) - 1])) for p in pictures])
    origin = np.array([corners[:, 0].min(), corners[:, 1].max()])
    size = np.ceil((np.ptp(corners, axis=0)) / scale - 1e-6).astype(int) + 1
    placed = [_placed(p, origin, scale, (int(size[0]), int(size[1]))) for p in pictures]
    depth = np.stack([cv2.distanceTransform(np.pad(seen, 1), cv2.DIST_L2, 3)[1:-1, 1:-1] for _, seen in placed])
    source = np.argmax(depth, axis=0)
    to_px = (np.asarray(motifs_mm, float).reshape(-1, 2) - origin) * [1.0, -1.0] / scale
    seen = np.stack([one for _, one in placed])
    reach = round(radius_mm / scale)
    for x, y in np.rint(to_px).astype(int):
        left, top = max(x - reach, 0), max(y - reach, 0)
        window = np.s_[top : max(y + reach + 1, 0), left : max(x + reach + 1, 0)]
        disc = np.zeros(source[window].shape, np.uint8)
        if disc.size:
            disc = cv2.circle(disc, (int(x - left), int(y - top)), reach, 1, -1)
            best = int(np.argmax((seen[:, *window] * disc).sum(axis=(1, 2))))
            source[window][(disc & seen[best][window]) > 0] = best
    pixels = placed[0][0].copy()
    for k, (other, _) in enumerate(placed):
        pixels[source == k] = other[source == k]
    return Picture(pixels=pixels, mm_per_px=scale, origin_mm=origin, coverage=seen.max(0) > 0)


def _placed(
    picture: Picture, origin: FloatArray, scale: float, size: tuple[int, int]
) -> tuple[NDArray[Any], NDArray[np.uint8]]:
    """Pixels of a picture on the common grid, and 1 where it covers them."""
    start = picture.to_px(origin[None])[0]
    step = scale / picture.mm_per_px
    matrix = np.array([[step, 0.0, start[0]], [0.0, step, start[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    pixels = cv2.warpAffine(picture.pixels, matrix, size, flags=flags)
    seen = cv2.warpAffine(picture.coverage.astype(np.float32), matrix, size, flags=flags) > 0.99
    pixels[~seen] = 0
    return pixels, seen.astype(np.uint8)
