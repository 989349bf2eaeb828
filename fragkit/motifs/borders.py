"""Borders of damage drawn at a photograph's own scale, where its tone is half-way between those on either side."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.learning import Sheet
from fragkit.motifs.reducing import as_fine
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

BORDER_PX = 9
"""Width over which the tones on either side of a border are averaged."""


def to_half_way(lost: BoolArray, coarse: BoolArray, bare: BoolArray, sheet: Sheet) -> BoolArray:
    """Damage (h, w) with its border on a `bare` surface where the tone is half-way between those on either side.

    It is that of the sheet's picture, `coarse`, enlarged to its fine picture.
    Ground varies less than damage, so that of the mixed pixels on a border most look damaged; leaf varies more.
    """
    step, kernel = lost.shape[0] // coarse.shape[0], np.ones((3, 3), np.uint8)
    damage = lost.view(np.uint8)
    band = (cv2.dilate(damage, kernel, iterations=step) > 0) & (cv2.erode(damage, kernel, iterations=2 * step) == 0)
    band &= as_fine(bare.view(np.uint8), lost.shape, step) > 0
    places = np.flatnonzero(band)
    row, column = np.divmod(places, band.shape[1])
    blocks = [np.minimum(k // step, side - 1) for k, side in zip((row, column), coarse.shape, strict=True)]
    known, inner, outer = _sides(coarse, bare, sheet.ratio, blocks[0] * coarse.shape[1] + blocks[1])
    across = outer - inner
    along = np.einsum("nc,nc->n", _tone(sheet, row, column) - inner, across) / np.maximum(
        np.einsum("nc,nc->n", across, across), 1e-6
    )
    out = lost.copy()
    out.reshape(-1)[places] = np.where(known, along < 0.5, lost.reshape(-1).take(places))
    return np.asarray(cv2.medianBlur(out.view(np.uint8), 3) > 0)


def fine_ratios(sheet: Sheet, window: tuple[slice, slice]) -> Float32Array:
    """Ratios (h, w, 3) to the ground in a window of the fine picture."""
    if sheet.step == 1:
        return np.ascontiguousarray(sheet.ratio[window])
    gain, row, column = _gain_at(sheet, *(np.arange(k.start, k.stop) for k in window))
    gain = gain.take(row, axis=0).take(column, axis=1)
    return np.multiply(sheet.fine.pixels[window], gain, out=gain)


def _tone(sheet: Sheet, row: NDArray[Any], column: NDArray[Any]) -> Float32Array:
    """Ratios (n, 3) to the ground at some pixels of the fine picture."""
    gain, *block = _gain_at(sheet, row, column)
    pairs = ((sheet.fine.pixels, row, column), (gain, *block))
    pixels, factors = (_taken(layers, down * layers.shape[1] + across) for layers, down, across in pairs)
    return np.asarray(pixels * factors, np.float32)


def _taken(layers: NDArray[Any], places: NDArray[np.intp]) -> NDArray[Any]:
    """Values (n, k) of layers (h, w, k) at places numbered row by row."""
    return layers.reshape(-1, layers.shape[2]).take(places, axis=0)


def _gain_at(sheet: Sheet, row: NDArray[Any], column: NDArray[Any]) -> tuple[Float32Array, NDArray[Any], NDArray[Any]]:
    """The light's gain, and row and column of its block in which some rows and columns of the fine picture lie."""
    assert sheet.light is not None
    frame, gain = sheet.light.frame, sheet.light.gain
    step = round(frame.mm_per_px / sheet.fine.mm_per_px)
    above = round((frame.origin_mm[1] - sheet.fine.origin_mm[1]) / sheet.fine.mm_per_px + 0.5 * (step - 1))
    return gain, np.minimum((row + above) // step, len(gain) - 1), np.minimum(column // step, gain.shape[1] - 1)


def _sides(
    lost: BoolArray, bare: BoolArray, ratio: Float32Array, at: NDArray[np.intp]
) -> tuple[BoolArray, Float32Array, Float32Array]:
    """Whether damage and sound ground are near some pixels (n,), numbered row by row, and the mean tones (n, 3) of
    both."""
    kernel, square = np.ones((3, 3), np.uint8), (BORDER_PX, BORDER_PX)
    cores = [cv2.erode(lost.view(np.uint8), kernel), cv2.erode((~lost).view(np.uint8), kernel, iterations=2) * bare]
    tones, known = [], np.ones(len(at), bool)
    for core in cores:
        near = cv2.blur(core.astype(np.float32), square).reshape(-1).take(at)
        tone = _taken(cv2.blur(cv2.copyTo(ratio, core), square), at)
        tones.append(np.asarray(tone / np.maximum(near, 1e-3)[:, None], np.float32))
        known &= near > 0.02
    return known, tones[0], tones[1]
