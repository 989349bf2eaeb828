"""A rectified photograph brought to the tone of its chart, its light evened by the ground."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.rectify.chart import fit_tone
from fragkit.rectify.light import toned
from fragkit.rectify.picture import Picture
from fragkit.rectify.rectified import Rectified
from fragkit.rectify.wall_light import find_wall_light
from fragkit.survey import ChartEntry, Photograph

FloatArray = NDArray[np.float64]

MAX_CHART_SHARE = 0.25
"""A chart that fills more of the picture than this leaves too little wall to even the light by."""

NODES = (129, 129)
"""Places at which the light is worked out; between them it is smooth."""

CARD_RATIO = 0.03
"""Half side of what a lone card hides, as a share of the photograph's longer side."""

WALL_NOTE = "The light is evened by what the wall shows of it, so that slow changes of the ground are evened with it."


def set_tone(rectified: Rectified, photo: Photograph | NDArray[Any], chart: ChartEntry) -> Rectified:
    """The rectified photograph in sRGB, its tone and white those of the chart.

    Parameters
    ----------
    rectified : Rectified
    photo : Photograph or (h, w, 3) array
        The photograph that was rectified.
    chart : ChartEntry
        Patch centres in its pixels, and Lab (D50).

    Raises
    ------
    EstimationError
        Patches that are clipped, black, or not those of the table.

    Notes
    -----
    The matrix holds at the middle of the chart. From there the light is evened by the light found on the wall,
    see `find_wall_light`; where the chart fills the picture, by the light found over its patches.
    """
    pixels = photo.pixels if isinstance(photo, Photograph) else np.asarray(photo)
    picture = rectified.picture
    at_px = rectified.to_px(_nodes_mm(picture, NODES))
    box_px = _chart_box_px(chart, pixels.shape)
    is_wall = _area_mm2(rectified, box_px) <= MAX_CHART_SHARE * picture.coverage.size * picture.mm_per_px**2
    light = find_wall_light(pixels, hidden_px=box_px) if is_wall else None
    tone = fit_tone(pixels, chart, light=light)
    if light is None:
        log_gain, note = (
            tone.log_gain(at_px)[:, None],
            "The light is evened by what the patches of the chart show of it.",
        )
    else:
        log_gain, note = light.log_light(tone.to_unit[:1]) - light.log_light(at_px), WALL_NOTE
        on_wall = at_px[_is_covered(picture)]
        tone = replace(
            tone,
            level_cov=light.contrast_cov(tone.to_unit[:1], on_wall),
            light_ratio=float(np.exp(-np.ptp(light.log_light(on_wall)[:, 1]))),
        )
    evened = toned(picture, log_gain.reshape(*NODES, -1), tone.matrix)
    return replace(rectified, picture=replace(evened, icc=None), tone=tone, notes=(*rectified.notes, *tone.notes, note))


def _nodes_mm(picture: Picture, shape: tuple[int, ...]) -> FloatArray:
    """Plane places (h' w', 2) of the pixels of a small copy of the picture."""
    height, width = picture.coverage.shape
    x = (np.arange(shape[1]) + 0.5) * width / shape[1] - 0.5
    y = (np.arange(shape[0]) + 0.5) * height / shape[0] - 0.5
    return picture.to_mm(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))


def _is_covered(picture: Picture) -> NDArray[np.bool_]:
    small = cv2.resize(picture.coverage.astype(np.uint8), NODES[::-1], interpolation=cv2.INTER_NEAREST)
    return np.asarray(small.ravel() > 0)


def _chart_box_px(chart: ChartEntry, shape: tuple[int, ...]) -> FloatArray:
    """Two corners of a box round the patches, with the width of a patch to spare."""
    xy = np.asarray(chart.xy_px, float)
    apart = np.linalg.norm(xy[:, None] - xy, axis=2) + 1e9 * np.eye(len(xy))
    spare = apart.min() if len(xy) > 1 else CARD_RATIO * max(shape[:2])
    return np.array([xy.min(axis=0) - spare, xy.max(axis=0) + spare])


def _area_mm2(rectified: Rectified, box_px: FloatArray) -> float:
    (x0, y0), (x1, y1) = box_px
    x, y = rectified.to_mm(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])).T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0)
