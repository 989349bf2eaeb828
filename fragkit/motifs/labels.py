"""What every pixel of a picture shows: ground, shadow, metal, loss or later work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.copies import Grid
from fragkit.motifs.edges import shadow_beside, share_edges
from fragkit.motifs.learning import Learned, Sheet
from fragkit.motifs.mixture import GROUND, METAL, SHADOW, clamp, expect
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]

NOT_READ, GROUND_CODE, SHADOW_CODE, METAL_CODE, LOSS_CODE, LATER_CODE = range(6)
GUESS_NOTE = (
    "Loss and later work were told apart by tone alone: the commonest foreign tone was taken for loss. "
    "Labels drawn by hand settle it."
)
LATER_SHARE = 0.03
"""A second foreign tone counts as later work from this share of the damaged surface on."""


def label_picture(
    sheet: Sheet,
    sites: Sequence[tuple[FloatArray, float]],
    atlas: Float32Array,
    grid: Grid,
    learned: Learned,
) -> LabelArray:
    """Codes (h, w): 0 not read, 1 ground, 2 shadow, 3 metal, 4 foreign (loss or later work).

    Parameters
    ----------
    sites : sequence of (xy_mm, trust)
        Where motifs are, and how far the atlas is trusted there (0 to 1).
    atlas : (3, rows, columns) array
        Probabilities of metal, shadow and ground on `grid`.
    """
    picture, ratio, surfaces = sheet.picture, sheet.ratio, learned.surfaces
    prior = _place(atlas, picture, sites, grid)
    like = surfaces.density[:, surfaces.boxes.sort(ratio)]
    if sheet.given is not None:
        like = clamp(like, sheet.given)
    own, foreign = expect(like[:, None], prior, picture.coverage[None], surfaces.foreign_ratio, picture.mm_per_px)
    metal, shadow = share_edges(own[:, 0], foreign[0], ratio, learned.paints, shadow_beside(prior))
    best = np.stack([metal, shadow, 1.0 - metal - shadow]).argmax(axis=0)
    codes = np.array([METAL_CODE, SHADOW_CODE, GROUND_CODE], np.uint8)[best]
    codes[cv2.medianBlur((foreign[0] > 0.5).astype(np.uint8), 5) > 0] = LOSS_CODE
    codes[~picture.coverage] = NOT_READ
    return codes


def part_later_work(
    codes: Sequence[LabelArray], ratios: Sequence[Float32Array], given: Sequence[LabelArray | None]
) -> tuple[tuple[LabelArray, ...], bool]:
    """Codes with 5 where foreign surface looks like later work, and whether that was a guess.

    Notes
    -----
    With hand labels of both kinds, their tones decide. Without, the commonest foreign tone is loss; a second,
    compact tone that holds at least 3 % of the damage is later work.
    """
    tones = _tones_given(ratios, given) or _tones_found(codes, ratios)
    if tones is None:
        return tuple(codes), False
    (loss, loss_inverse), (later, later_inverse) = tones
    out = []
    for layer, ratio in zip(codes, ratios, strict=True):
        at = np.nonzero(layer == LOSS_CODE)
        colour = ratio[at]
        nearer = _distance2(colour, later, later_inverse) < _distance2(colour, loss, loss_inverse)
        vote = np.zeros(layer.shape, np.float32)
        vote[at] = np.where(nearer, 1.0, -1.0)
        new = layer.copy()
        new[at] = np.where(cv2.GaussianBlur(vote, (0, 0), 2.0)[at] > 0.0, LATER_CODE, LOSS_CODE)
        out.append(new)
    return tuple(out), _tones_given(ratios, given) is None


def override(codes: LabelArray, given: LabelArray | None) -> LabelArray:
    """Codes with the user's labels wherever they are given (not 0)."""
    return codes if given is None else np.where(given != NOT_READ, given, codes).astype(np.uint8)


def _place(
    atlas: Float32Array, picture: Picture, sites: Sequence[tuple[FloatArray, float]], grid: Grid
) -> Float32Array:
    """Atlas over the whole picture (3, h, w), ground between the motifs."""
    shape = picture.coverage.shape
    prior = np.zeros((3, *shape), np.float32)
    for xy_mm, trust in sites:
        matrix = cv2.invertAffineTransform(grid.to_grid(picture, xy_mm))
        corners = matrix @ np.array([[0, grid.shape[1]], [0, grid.shape[0]], [1, 1]], float)
        left, top = np.maximum(np.floor(corners[:, 0]).astype(int), 0)
        right, bottom = np.minimum(np.ceil(corners[:, 1]).astype(int) + 1, shape[::-1])
        if right <= left or bottom <= top:
            continue
        matrix[:, 2] -= (left, top)
        for k in (METAL, SHADOW):
            part = cv2.warpAffine(atlas[k], matrix, (int(right - left), int(bottom - top)))
            window = prior[k, top:bottom, left:right]
            np.maximum(window, trust * part, out=window)
    prior[GROUND] = np.clip(1.0 - prior[METAL] - prior[SHADOW], 0.002, 1.0)
    return prior


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


def _tones_found(codes: Sequence[LabelArray], ratios: Sequence[Float32Array]) -> tuple[Tone, Tone] | None:
    """The commonest foreign tone and a second one, if there is one."""
    kernel = np.ones((5, 5), np.uint8)
    cores = [cv2.erode((layer == LOSS_CODE).astype(np.uint8), kernel) > 0 for layer in codes]
    colours = np.concatenate([ratio[core] for ratio, core in zip(ratios, cores, strict=True)])
    if len(colours) < 200:
        return None
    colours = colours[:: max(1, len(colours) // 60000)]
    loss = _commonest(colours)
    rest = colours[_distance2(colours, *loss) > 20.0]
    if len(rest) < LATER_SHARE * len(colours):
        return None
    later = _commonest(rest)
    held = (_distance2(colours, *later) < 16.0).mean()
    apart = float(_distance2(later[0][None], *loss)[0])
    return (loss, later) if held > LATER_SHARE and apart > 25.0 else None


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
