"""A rectified photograph brought to the tone of its chart, its light evened by the ground."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from fragkit.rectify.chart import Tone, fit_tone
from fragkit.rectify.light import ground_shading, toned
from fragkit.rectify.picture import Picture
from fragkit.rectify.rectified import Rectified
from fragkit.survey import ChartEntry, Photograph

FloatArray = NDArray[np.float64]

MAX_CHART_SHARE = 0.25
"""A chart that fills more of the picture than this leaves too little ground to even the light by."""


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
    The matrix holds at the middle of the chart. From there the light is evened by the slow shading of the
    ground, as `even_light` does; where the chart fills the picture, by the light found over its patches.
    """
    pixels = photo.pixels if isinstance(photo, Photograph) else np.asarray(photo)
    tone = fit_tone(pixels, chart)
    picture, shading = rectified.picture, ground_shading(rectified.picture)
    if _chart_share(rectified, tone) > MAX_CHART_SHARE:
        log_gain = tone.log_gain(rectified.to_px(_nodes_mm(picture, shading.shape))).reshape(shading.shape)
        note = "The light is evened by what the patches of the chart show of it."
    else:
        log_gain = _at_chart(rectified, tone, shading) - shading
        note = "The light is evened by the ground, so that slow changes of the ground itself are evened with it."
    evened = replace(toned(picture, log_gain, tone.matrix), icc=None)
    return replace(rectified, picture=evened, tone=tone, notes=(*rectified.notes, *tone.notes, note))


def _nodes_mm(picture: Picture, shape: tuple[int, ...]) -> FloatArray:
    """Plane places (h' w', 2) of the pixels of a small copy of the picture."""
    height, width = picture.coverage.shape
    x = (np.arange(shape[1]) + 0.5) * width / shape[1] - 0.5
    y = (np.arange(shape[0]) + 0.5) * height / shape[0] - 0.5
    return picture.to_mm(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))


def _chart_share(rectified: Rectified, tone: Tone) -> float:
    """Area of the chart over that of the picture."""
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    x, y = rectified.to_mm(tone.to_unit[0] + signs * tone.to_unit[1]).T
    chart = abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0
    picture = rectified.picture
    return float(chart / (picture.coverage.size * picture.mm_per_px**2))


def _at_chart(rectified: Rectified, tone: Tone, shading: FloatArray) -> float:
    """Log shading of the ground at the chart, or at the edge of the picture nearest to it."""
    picture = rectified.picture
    height, width = picture.coverage.shape
    x, y = picture.to_px(rectified.to_mm(tone.to_unit[:1]))[0]
    place = [(y + 0.5) * shading.shape[0] / height - 0.5, (x + 0.5) * shading.shape[1] / width - 0.5]
    return float(map_coordinates(shading, np.array(place)[:, None], order=1, mode="nearest")[0])
