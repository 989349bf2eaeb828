"""Later work told from loss: both are foreign to the decoration, they differ in tone and texture.

The commonest look is loss, whatever it looks like; what simulated fragments taught of either is a part of the look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.blurring import widely
from fragkit.motifs.condition import MOST_GRAIN
from fragkit.motifs.labels import LATER_CODE, LOSS_CODE, STEPS_A_NAT, Read, between_motifs, disc
from fragkit.motifs.learning import Sheet
from fragkit.motifs.light import shrink
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.strips import Strip, strips_of
from fragkit.motifs.tones import OPPONENT
from fragkit.opencv import cv2
from fragkit.threads import groups_of, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
LabelArray = NDArray[np.uint8]
Look = tuple[FloatArray, FloatArray]

GUESS_NOTE = (
    "Loss and later work were told apart by tone and texture alone: the commonest foreign look was taken for loss. "
    "Labels drawn by hand settle it."
)
FAR_FROM_LOSS = 35.0
"""Squared distance from the look of loss, in its own spread, from which on foreign surface is something else."""
HOLLOW_MM = 1.2
"""Later work is at least four times as wide as this; what is narrower is a crack or an edge."""
CORE_MARGIN_MM = 10.0
"""What is further away than this has no part in whether a place goes with later work."""
LOOK_MM = 1.5
"""Width (sd) over which a look is averaged: blotches of the plaster stay, its grain and noise go; looks are read in
blocks that are much smaller."""
FINE_PX = 1.2
ROUGH_SCALE, NAT_SCALE = 0.2, 0.02
"""What the logarithm of roughness, and a nat of the odds of later work, count beside tone: each then spreads by about
0.05 within one surface."""
HALO_BLOCKS = 4
"""Grain and the tone without cracks reach no further than so many blocks."""
FEWEST_PLACES, PLACES_AT_ONCE = 60, 50_000
CAP_RATIO = 2.0
"""Grain counts up to so many times its mean around the place."""


def part_later_work(reads: Sequence[Read], sheets: Sequence[Sheet]) -> tuple[tuple[LabelArray, ...], bool]:
    """Codes with 5 where foreign surface looks like later work, and whether that was a guess.

    Notes
    -----
    With hand labels of both kinds, the nearer of their looks decides. Without, the commonest foreign look between the
    motifs is loss, and what differs from it clearly and is compact is later work, or something laid on the wall. Looks
    are read away from borders, where tones are mixed; what lies on a border goes with the nearest surface read.
    """
    codes = [read.codes for read in reads]
    looks = side_by_side(_looks, reads, sheets)
    given = _looks_given(looks, sheets)
    loss = given[0] if given else _look_of_loss(codes, looks, sheets)
    if loss is None:
        return tuple(codes), False
    limit = given[1] if given else None
    parted = side_by_side(partial(_parted, loss, limit), codes, looks, sheets)
    return tuple(parted), given is None and any(bool(np.any(c == LATER_CODE)) for c in parted)


def _parted(loss: Look, later: Look | None, codes: LabelArray, look: _Looks, sheet: Sheet) -> LabelArray:
    where = np.zeros(look.where.shape, np.uint8)
    where[look.where] = _distance2(look.values, *loss) > (_distance2(look.values, *later) if later else FAR_FROM_LOSS)
    far, lost = as_fine(where, codes.shape, look.step), codes == LOSS_CODE
    strips = strips_of(codes.shape, margin_px=round(CORE_MARGIN_MM / sheet.picture.mm_per_px), multiple=1)
    is_later = side_by_side(lambda s: _later(lost[s.outer], far[s.outer], sheet)[s.own], strips)
    return np.where(np.concatenate(is_later), np.uint8(LATER_CODE), codes)


def _later(lost: BoolArray, far: LabelArray, sheet: Sheet) -> BoolArray:
    """The foreign surface (rows, w) whose core looks far from loss and is compact."""
    kernel = disc(HOLLOW_MM, sheet)
    core = np.asarray(cv2.erode(lost.astype(np.uint8), kernel), np.uint8)
    later = np.asarray(cv2.morphologyEx(core * far, cv2.MORPH_OPEN, kernel), np.uint8)
    if not later.any():
        return np.zeros(lost.shape, bool)
    rest = core & (1 - later)
    to_later, to_rest = (cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3) for mask in (later, rest))
    reach_px = 2.0 * HOLLOW_MM / sheet.picture.mm_per_px
    return np.asarray(lost & (to_later < to_rest) & (to_later <= reach_px))


@dataclass(frozen=True, eq=False)
class _Looks:
    """Tone, roughness and odds of later work (n, 5) around the blocks of a picture (h / step, w / step) that are
    foreign."""

    where: BoolArray
    values: Float32Array
    step: int

    def at(self, mask: BoolArray) -> Float32Array:
        """Those (m, 5) of a part (h, w) of the picture."""
        return self.values[_first_of_blocks(mask, self.step, self.where.shape)[self.where]]


def _first_of_blocks(mask: BoolArray, step: int, shape: tuple[int, ...]) -> BoolArray:
    """The first pixel of each block."""
    return mask[::step, ::step][: shape[0], : shape[1]]


def _looks(read: Read, sheet: Sheet) -> _Looks:
    where, step = read.codes == LOSS_CODE, sheet.thinning
    if sheet.given is not None:
        where |= sheet.given >= LOSS_CODE
    strips = strips_of(where.shape, margin_px=step * HALO_BLOCKS, multiple=step)
    parts = side_by_side(lambda strip: _in_blocks(sheet.rows(strip.outer), read, strip, step), strips)
    layers = [np.concatenate(layer) for layer in zip(*parts, strict=True)]
    where = _first_of_blocks(where, step, layers[0].shape)
    return _Looks(where, _look_around(layers, where, LOOK_MM / (sheet.picture.mm_per_px * step)), step)


def _in_blocks(sheet: Sheet, read: Read, strip: Strip, step: int) -> tuple[Float32Array, ...]:
    """Grain, tone (…, 3) and odds of later work in the blocks of a strip, narrow cracks left out of the tone."""
    light = np.asarray(cv2.transform(sheet.ratio, OPPONENT[:1]), np.float32)
    grain = np.minimum(cv2.absdiff(light, cv2.GaussianBlur(light, (0, 0), FINE_PX)), MOST_GRAIN)
    tone = cv2.medianBlur(shrink(sheet.ratio, step), 5)
    layers = (shrink(grain, step), tone, shrink(read.later[strip.outer].astype(np.float32), step))
    own = strip.every(step).own
    return tuple(np.asarray(layer[own], np.float32) for layer in layers)


def _look_around(layers: Sequence[Float32Array], where: BoolArray, width_px: float) -> Float32Array:
    """Tone, roughness and odds of later work (n, 5) around some places."""
    grain, tone, odds = layers
    grain = np.minimum(grain, np.float32(CAP_RATIO) * widely(grain, 4.0 * width_px))
    rough, tone, odds = side_by_side(lambda layer: widely(layer, width_px)[where], (grain, tone, odds))
    rough = np.float32(ROUGH_SCALE) * np.log(rough + np.float32(1e-4))
    return np.column_stack([tone, rough, np.float32(NAT_SCALE / STEPS_A_NAT) * odds])


def _looks_given(looks: Sequence[_Looks], sheets: Sequence[Sheet]) -> tuple[Look, Look] | None:
    """Mean and inverse covariance of loss and later work where the user labelled both."""
    found = []
    for code in (LOSS_CODE, LATER_CODE):
        parts = [
            look.at(sheet.given == code) for look, sheet in zip(looks, sheets, strict=True) if sheet.given is not None
        ]
        values = np.concatenate([*parts, np.empty((0, 5), np.float32)])
        if len(values) < FEWEST_PLACES:
            return None
        found.append(_look(values))
    return found[0], found[1]


def _look_of_loss(codes: Sequence[LabelArray], looks: Sequence[_Looks], sheets: Sequence[Sheet]) -> Look | None:
    """The commonest foreign look between the motifs."""
    within = [np.empty((0, 5), np.float32)]
    for layer, look, sheet in zip(codes, looks, sheets, strict=True):
        if len(sheet.xy_mm):
            core = cv2.erode((layer == LOSS_CODE).astype(np.uint8), disc(HOLLOW_MM, sheet)) > 0
            within.append(look.at(core & between_motifs(sheet, reach_ratio=0.0)))
    values = np.concatenate(within)
    return _commonest(values[:: max(1, len(values) // 60000)]) if len(values) >= FEWEST_PLACES else None


def _commonest(values: Float32Array) -> Look:
    """The densest look: the one with most others near it, then the look of those around it."""
    probes = values[:: max(1, len(values) // 300)]
    sample = values[:: max(1, len(values) // 3000)]
    near = np.all([np.abs(p[:, None] - s) < 0.04 for p, s in zip(probes.T, sample.T, strict=True)], axis=0).sum(1)
    look = _look(values[np.abs(values - probes[near.argmax()]).max(axis=1) < 0.08])
    for _ in range(4):
        look = _look(values[_distance2(values, *look) < 14.0])
    return look


def _look(values: Float32Array) -> Look:
    covariance = np.cov(values.T) * 1.2 if len(values) > 10 else 4e-4 * np.eye(5)
    return values.mean(axis=0).astype(float), np.asarray(np.linalg.inv(covariance + 4e-5 * np.eye(5)), float)


def _distance2(values: Float32Array, mean: FloatArray, inverse: FloatArray) -> Float32Array:
    """Squared distance (n,) of looks (n, 5)."""
    white, out = np.linalg.cholesky(inverse).astype(np.float32), np.empty(len(values), np.float32)

    def measure(k: slice) -> None:
        away = (values[k] - mean.astype(np.float32)) @ white
        np.einsum("nc,nc->n", away, away, out=out[k])

    side_by_side(measure, groups_of(len(values), size=PLACES_AT_ONCE))
    return out
