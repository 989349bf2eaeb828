"""What every pixel of a picture shows: ground, shadow, metal, loss or later work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.copies import Grid
from fragkit.motifs.learning import Sheet
from fragkit.motifs.mixture import GROUND, METAL, SHADOW, Surfaces, clamp, expect
from fragkit.motifs.tones import ToneBoxes
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]
BoolArray = NDArray[np.bool_]

NOT_READ, GROUND_CODE, SHADOW_CODE, METAL_CODE, LOSS_CODE, LATER_CODE = range(6)
GUESS_NOTE = (
    "Loss and later work were told apart by tone alone: the commonest foreign tone was taken for loss. "
    "Labels drawn by hand settle it."
)
LATER_SHARE = 0.03
"""A second foreign tone counts as later work from this share of the damaged surface on."""
HOLLOW_MM = 1.2
"""Later work is at least twice as wide as this; what is narrower is a crack or an edge."""


@dataclass(frozen=True, eq=False)
class Read:
    """What the pixels of one picture show, loss and later work not yet parted.

    Attributes
    ----------
    codes : (h, w) uint8 array
        0 not read, 1 ground, 2 shadow, 3 metal, 4 foreign.
    probability : (h, w) float32 array
        Of what the code says.
    """

    codes: LabelArray
    probability: Float32Array


def label_picture(
    sheet: Sheet,
    sites: Sequence[tuple[FloatArray, float]],
    shares: tuple[Float32Array, Float32Array],
    atlas: Float32Array,
    grid: Grid,
    surfaces: Surfaces,
) -> Read:
    """What every pixel of a picture shows.

    Parameters
    ----------
    sites : sequence of (xy_mm, trust)
        Where motifs are, those of `shares` first, and how far the atlas is trusted there (0 to 1).
    shares : pair of (n, rows, columns) arrays
        Shares of metal and shadow in the copies.
    atlas : (3, rows, columns) array
        Probabilities of metal, shadow and ground on `grid`.
    """
    picture, ratio = sheet.picture, sheet.ratio
    prior = _place([(xy, trust * atlas) for xy, trust in sites], picture, grid)
    like = surfaces.at(surfaces.boxes.sort(ratio))
    if sheet.given is not None:
        like = clamp(like, sheet.given)
    own, foreign = expect(like[:, None], prior, picture.coverage[None], surfaces.foreign_ratio, picture.mm_per_px)
    own, lost = own[:, 0], cv2.medianBlur((foreign[0] > 0.5).astype(np.uint8), 5) > 0
    copies = zip(sites, *shares, strict=False)
    divided = _place([(xy, np.stack(pair)) for (xy, _), *pair in copies], picture, grid)
    own = np.where(divided[GROUND] < 0.99, divided, own)
    best = own.argmax(axis=0)
    codes = np.array([METAL_CODE, SHADOW_CODE, GROUND_CODE], np.uint8)[best]
    sure = np.take_along_axis(own, best[None], 0)[0] / np.maximum(own.sum(0), 1e-6) * (1.0 - foreign[0])
    codes[lost], sure[lost] = LOSS_CODE, foreign[0][lost]
    codes[~picture.coverage], sure[~picture.coverage] = NOT_READ, 0.0
    return Read(codes, sure)


def _place(layers: Sequence[tuple[FloatArray, Float32Array]], picture: Picture, grid: Grid) -> Float32Array:
    """Metal and shadow (2 or more layers) of copies on `grid` over the whole picture (3, h, w), the rest ground."""
    shape = picture.coverage.shape
    out = np.zeros((3, *shape), np.float32)
    for xy_mm, copy in layers:
        matrix = cv2.invertAffineTransform(grid.to_grid(picture, xy_mm))
        corners = matrix @ np.array([[0, grid.shape[1]], [0, grid.shape[0]], [1, 1]], float)
        left, top = np.maximum(np.floor(corners[:, 0]).astype(int), 0)
        right, bottom = np.minimum(np.ceil(corners[:, 1]).astype(int) + 1, shape[::-1])
        if right <= left or bottom <= top:
            continue
        matrix[:, 2] -= (left, top)
        for k in (METAL, SHADOW):
            part = cv2.warpAffine(copy[k], matrix, (int(right - left), int(bottom - top)))
            window = out[k, top:bottom, left:right]
            np.maximum(window, part, out=window)
    out[GROUND] = np.clip(1.0 - out[METAL] - out[SHADOW], 0.002, 1.0)
    return out


def part_later_work(
    codes: Sequence[LabelArray], sheets: Sequence[Sheet], boxes: ToneBoxes
) -> tuple[tuple[LabelArray, ...], bool]:
    """Codes with 5 where foreign surface looks like later work, and whether that was a guess.

    Notes
    -----
    With hand labels of both kinds, their tones decide. Without, the commonest foreign tone between the motifs is
    loss; what differs from it is later work where it is compact, and where it is not wholly surrounded by loss, as
    a deeper loss is.
    """
    given = [sheet.given for sheet in sheets]
    ratios = [sheet.ratio for sheet in sheets]
    tones = _tones_given(ratios, given)
    is_guess = tones is None
    tones = tones or _tones_found(codes, sheets)
    if tones is None:
        return tuple(codes), False
    nearer = boxes.middles()
    is_later = _distance2(nearer, *tones[1]) < _distance2(nearer, *tones[0])
    parted = []
    for layer, sheet in zip(codes, sheets, strict=True):
        lost = layer == LOSS_CODE
        vote = np.where(lost, np.where(is_later[boxes.sort(sheet.ratio)], 1.0, -1.0), 0.0).astype(np.float32)
        later = lost & (cv2.GaussianBlur(vote, (0, 0), 2.0) > 0.0)
        radius = max(1, round(HOLLOW_MM / sheet.picture.mm_per_px))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
        later &= cv2.morphologyEx(later.astype(np.uint8), cv2.MORPH_OPEN, disc) > 0
        parted.append(np.where(later, LATER_CODE, layer).astype(np.uint8))
    return tuple(parted), is_guess


def override(codes: LabelArray, given: LabelArray | None) -> LabelArray:
    """Codes with the user's labels wherever they are given (not 0)."""
    return codes if given is None else np.where(given != NOT_READ, given, codes).astype(np.uint8)


Tone = tuple[FloatArray, FloatArray]


def _tones_given(ratios: Sequence[Float32Array], given: Sequence[LabelArray | None]) -> tuple[Tone, Tone] | None:
    """Mean and inverse covariance of loss and later work where the user labelled both."""
    found = []
    for code in (LOSS_CODE, LATER_CODE):
        parts = [r[g == code] for r, g in zip(ratios, given, strict=True) if g is not None]
        colours = np.concatenate([*parts, np.empty((0, 3), np.float32)])
        if len(colours) < 50:
            return None
        found.append(_tone(colours))
    return found[0], found[1]


def _tones_found(codes: Sequence[LabelArray], sheets: Sequence[Sheet]) -> tuple[Tone, Tone] | None:
    """The commonest foreign tone between the motifs, and the commonest of the others, if there is one."""
    kernel = np.ones((5, 5), np.uint8)
    within, everywhere = [], []
    for layer, sheet in zip(codes, sheets, strict=True):
        core = cv2.erode((layer == LOSS_CODE).astype(np.uint8), kernel) > 0
        everywhere.append(sheet.ratio[core])
        within.append(sheet.ratio[core & _between_motifs(sheet)])
    near, far = np.concatenate(within), np.concatenate(everywhere)
    if len(near) < 200:
        return None
    loss = _commonest(near[:: max(1, len(near) // 60000)])
    far = far[:: max(1, len(far) // 60000)]
    rest = far[_distance2(far, *loss) > 20.0]
    if len(rest) < LATER_SHARE * len(far):
        return None
    later = _commonest(rest)
    held = (_distance2(far, *later) < 16.0).mean()
    apart = float(_distance2(later[0][None], *loss)[0])
    return (loss, later) if held > LATER_SHARE and apart > 25.0 else None


def _between_motifs(sheet: Sheet) -> BoolArray:
    """The part of the picture (h, w) within the hull of the found motifs."""
    shape = sheet.picture.coverage.shape
    if len(sheet.xy_mm) < 3:
        return np.ones(shape, bool)
    hull = cv2.convexHull(np.round(sheet.picture.to_px(sheet.xy_mm)).astype(np.int32))
    return np.asarray(cv2.fillConvexPoly(np.zeros(shape, np.uint8), hull, 1).astype(bool))


def _commonest(colours: Float32Array) -> Tone:
    """The densest tone: the colour with most others near it, then the tone of those around it."""
    probes = colours[:: max(1, len(colours) // 300)]
    sample = colours[:: max(1, len(colours) // 3000)]
    near = (np.abs(probes[:, None] - sample).max(2) < 0.04).sum(1)
    tone = _tone(colours[np.abs(colours - probes[near.argmax()]).max(axis=1) < 0.06])
    for _ in range(3):
        tone = _tone(colours[_distance2(colours, *tone) < 12.0])
    return tone


def _tone(colours: Float32Array) -> Tone:
    covariance = np.cov(colours.T) * 1.3 if len(colours) > 10 else 4e-4 * np.eye(3)
    return colours.mean(axis=0).astype(float), np.asarray(np.linalg.inv(covariance + 4e-5 * np.eye(3)), float)


def _distance2(colours: FloatArray | Float32Array, mean: FloatArray, inverse: FloatArray) -> FloatArray:
    away = colours - mean
    return np.asarray(np.einsum("ni,ij,nj->n", away, inverse, away))
