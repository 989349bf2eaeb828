"""Motifs that were not found by their form, told by their tones: what is left of them is read as the other copies are.

A motif whose leaf has just the lightness of the ground has hardly any edges, and one of which a corner is left has few
of its own; once the tones of leaf and shadow are learned, both are seen where the net expects them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.bending import inverses_of
from fragkit.motifs.blurring import enlarged, shrunk
from fragkit.motifs.copies import Copies, Grid, regrid
from fragkit.motifs.details import detail
from fragkit.motifs.learning import Learned, Sheet, cut_copies
from fragkit.motifs.mixture import FOREIGN, GROUND, METAL, SHADOW, expect, likelihood
from fragkit.motifs.pattern import ALIKE_MM
from fragkit.motifs.shares import Consensus, Toned, contrasts_of, divide_copies, leaf_of, toned
from fragkit.motifs.straightening import Bends
from fragkit.opencv import cv2
from fragkit.threads import groups_of, in_groups, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]

REACH_MM = 2.4
"""A motif is looked for so far from where the net expects it."""
STRAY_MM = 0.8
"""How far (sd, per axis) a motif strays from there."""
BACK_MM = 0.8
"""Side of the blocks, at most, for which fields that lead back are sought."""
LEAST_EVIDENCE = 12.0
"""By so many nats leaf and shadow are likelier than bare ground or damage where a motif is said to be left."""


@dataclass(frozen=True, eq=False)
class Shown:
    """What the found copies show together: all that another copy needs to be read.

    Attributes
    ----------
    both : Consensus
    beneath : (h, w) array
        From `beneath_metal`.
    prior, typical : (3, h, w) arrays
        Shares in a typical copy, as the copies were read with, and in the end.
    bends : Bends
    grid : Grid
        Of the shares.
    """

    both: Consensus
    beneath: Float32Array
    prior: Float32Array
    typical: Float32Array
    bends: Bends
    grid: Grid


@dataclass(frozen=True, eq=False)
class Remains:
    """Motifs not found of which something is left.

    Attributes
    ----------
    xy_mm : (n, 2) array
    layers : (n, rows, columns, 6) uint8 array
        From `detail`.
    backs : (n, 2, rows, columns) array
        Fields in px from a place of the copy to that of the straight motif.
    """

    xy_mm: FloatArray
    layers: LabelArray
    backs: Float32Array

    @classmethod
    def none(cls, grid: Grid) -> Remains:
        shape = grid.shape
        return cls(np.empty((0, 2)), np.empty((0, *shape, 6), np.uint8), np.empty((0, 2, *shape), np.float32))


def remains_on(sheet: Sheet, learned: Learned, shown: Shown) -> Remains:
    """What is left on a sheet of motifs that were not found."""
    left = replace(sheet, xy_mm=_left(sheet, learned))
    if len(left.xy_mm) == 0:
        return Remains.none(shown.grid)
    fields = _bent(left, learned, shown)
    part = toned_copies(learned, shown.prior, cut_copies([left], shown.grid, fields))
    leaf = leaf_of(part, shown.prior, learned.paints, shown.grid.mm_per_px)
    return Remains(left.xy_mm, detailed(learned, shown, part, leaf)[1], backs_of(fields, shown.grid.mm_per_px))


def detailed(learned: Learned, shown: Shown, part: Toned, leaf: Float32Array) -> tuple[Float32Array, LabelArray]:
    """Share (n, h, w) of metal read in each copy, straightened, and its layers (n, h, w, 6) from `detail`, by the tone
    (3, n, h, w) of its leaf."""
    shares = divide_copies([part], [leaf], shown.both, learned.paints, shown.grid.mm_per_px)
    return shares[METAL], detail(shown.both, shown.typical, shares, contrasts_of(leaf, shown.beneath, learned.paints))


def backs_of(fields: Float32Array, mm_per_px: float) -> Float32Array:
    """Fields (n, 2, h, w) in px from places of copies to those of the straight motif, of those that lead there.

    Hands bend over millimetres: what leads back is sought from block to block, and carried on straight between and
    beyond their middles.
    """
    n, _, *shape = fields.shape
    step = max(1, int(BACK_MM / mm_per_px))
    small = shrunk(fields.reshape(2 * n, *shape), step) / np.float32(step)
    back = inverses_of(small.reshape(n, 2, *small.shape[1:])) * np.float32(step)
    return enlarged(back.reshape(small.shape), step, tuple(shape), straight=True).reshape(fields.shape)


def toned_copies(learned: Learned, typical: Float32Array, copies: Copies) -> Toned:
    """Copies ready to be divided, by the tones that were learned."""
    like, ratio = likelihood(learned.surfaces, copies), learned.surfaces.foreign_ratio
    own, foreign = expect(like, typical, copies.inside, ratio, copies.mm_per_px)
    return toned(own, foreign, copies.colours, copies.inside, learned.paints)


def _left(sheet: Sheet, learned: Learned) -> FloatArray:
    """Places (n, 2) in mm of motifs that were not found and are there by their tones."""
    grid, centres = learned.grid, sheet.centres
    expected = centres.xy_mm[[s in ("lost", "not there") for s in centres.status]]
    expected = expected + (sheet.xy_mm - centres.xy_mm[centres.found]).mean(axis=0)
    if len(expected) == 0:
        return expected
    pitch = grid.mm_per_px
    reach = round(REACH_MM / pitch)
    steps = np.arange(-reach, reach + 1) * pitch
    unlikely = 0.5 * (steps[:, None] ** 2 + steps**2) / STRAY_MM**2
    copies = cut_copies([replace(sheet, xy_mm=expected)], grid)
    evidence = _evidence(learned, copies)
    gains = np.empty((len(expected), *unlikely.shape))

    def seek(k: int) -> None:
        gains[k] = _sought(evidence[k], learned.atlas, reach) * (pitch / ALIKE_MM) ** 2 - unlikely

    in_groups(seek, len(expected))
    best = gains.reshape(len(gains), -1).argmax(axis=1)
    row, column = np.unravel_index(best, unlikely.shape)
    there = gains.reshape(len(gains), -1).max(axis=1) > LEAST_EVIDENCE
    return np.asarray(expected + np.column_stack([steps[column], -steps[row]]))[there]


def _sought(evidence: Float32Array, atlas: Float32Array, reach: int) -> FloatArray:
    """Sum of the evidence (h, w, 2) under the motif, moved by up to `reach` px down and right."""
    padded = cv2.copyMakeBorder(evidence, reach, reach, reach, reach, cv2.BORDER_CONSTANT)
    both = zip(cv2.split(padded), (METAL, SHADOW), strict=True)
    return np.sum([cv2.matchTemplate(layer, atlas[k], cv2.TM_CCORR) for layer, k in both], axis=0)


def _evidence(learned: Learned, copies: Copies) -> Float32Array:
    """By how many nats (n, h, w, 2) metal, and shadow, are likelier at each pixel than ground."""
    like, ratio = likelihood(learned.surfaces, copies), learned.surfaces.foreign_ratio
    _, foreign = expect(like, learned.atlas, copies.inside, ratio, copies.mm_per_px)
    out = np.empty((*foreign.shape, 2), np.float32)

    def weigh(k: slice) -> None:
        damage, sound = foreign[k] * like[FOREIGN, k], np.float32(1.0) - foreign[k]
        metal, shadow, ground = (np.log(sound * like[layer, k] + damage) for layer in (METAL, SHADOW, GROUND))
        out[k, ..., 0], out[k, ..., 1] = (metal - ground) * copies.inside[k], (shadow - ground) * copies.inside[k]

    side_by_side(weigh, groups_of(len(out)))
    return out


def _bent(sheet: Sheet, learned: Learned, shown: Shown) -> Float32Array:
    """How each copy (n, 2, h, w) of a sheet is bent onto the straight motif, in px of its grid."""
    coarse = shown.bends.grid
    both = Consensus(*regrid(np.stack([shown.both.metal, shown.both.shadow]), shown.grid, coarse))
    prior = regrid(shown.prior, shown.grid, coarse)
    bends = shown.bends.none_of([len(sheet.xy_mm)])
    part = toned_copies(learned, prior, cut_copies([sheet], coarse))
    leaf = leaf_of(part, prior, learned.paints, coarse.mm_per_px)
    weights = bends.onto(sheet, part, leaf, bends.weights[0], both, learned.paints)
    return replace(bends, weights=(weights,)).fields_on(shown.grid)[0]
