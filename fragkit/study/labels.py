"""Label pictures drawn on a photograph, brought into the plane of its true-scale picture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify import Rectified
from fragkit.survey import AreaEntry

_ROWS_AT_ONCE = 256


def labels_in_plane(labels: NDArray[np.uint8], rectified: Rectified) -> NDArray[np.uint8]:
    """Codes (h, w) at the pixels of the true-scale picture, each from the nearest pixel of the photograph.

    Parameters
    ----------
    labels : (photo height, photo width) array of uint8
        Codes as drawn on the photograph as displayed.

    Notes
    -----
    Codes are names, not quantities: they are never averaged. Outside the photograph or the picture's
    coverage the code is 0, not read.
    """
    picture = rectified.picture
    height, width = picture.coverage.shape
    codes = np.zeros((height, width), np.uint8)
    x = np.arange(width, dtype=float)
    for top in range(0, height, _ROWS_AT_ONCE):
        y = np.arange(top, min(top + _ROWS_AT_ONCE, height), dtype=float)
        grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        at = np.rint(rectified.to_px(picture.to_mm(grid)))
        inside = np.all((at >= 0) & (at <= np.array(labels.shape[::-1]) - 1), axis=1)
        column, row = at[inside].astype(np.int64).T
        band = np.zeros(len(grid), np.uint8)
        band[inside] = labels[row, column]
        codes[top : top + len(y)] = band.reshape(len(y), width)
    codes[~picture.coverage] = 0
    return codes


def areas_in_plane(areas: Sequence[AreaEntry], rectified: Rectified) -> dict[str, NDArray[np.bool_]]:
    """Masks (h, w) of the areas outlined on the photograph, by name, at the pixels of the true-scale picture."""
    picture, masks = rectified.picture, {}
    for area in areas:
        mask = np.zeros(picture.coverage.shape, np.uint8)
        for outline in area.outlines_px:
            ring = picture.to_px(rectified.to_mm(_dense(outline)))
            cv2.fillPoly(mask, [np.rint(ring).astype(np.int32)], 1)
        masks[area.name] = mask.astype(bool)
    return masks


def _dense(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """An outline with 16 points a side: straight in the photograph, it bends with the lens in the plane."""
    ahead, share = np.roll(outline, -1, axis=0), np.linspace(0.0, 1.0, 16, endpoint=False)
    return (outline[:, None] + share[None, :, None] * (ahead - outline)[:, None]).reshape(-1, 2)


def example_in_plane(
    example_px: tuple[float, float, float, float] | None, rectified: Rectified
) -> tuple[float, float, float, float] | None:
    """Two opposite corners, in mm, of the example boxed on the photograph; None without one or off the picture."""
    if example_px is None:
        return None
    x0, y0, x1, y1 = example_px
    corners = rectified.to_mm(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    height, width = rectified.picture.coverage.shape
    limits = rectified.picture.to_mm(np.array([[0.0, height - 1.0], [width - 1.0, 0.0]]))
    low, high = np.maximum(corners.min(0), limits[0]), np.minimum(corners.max(0), limits[1])
    if (high - low < 0.5 * np.ptp(corners, axis=0)).any():
        return None
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
