"""How much of each pixel is metal and how much shadow: its tone as a mixture of leaf, paint and ground.

A pixel on an edge, or on a bare line between two parts, has a tone between surfaces. Sorting it to one of them
moves edges by a part of the blur and fills narrow lines. Here the tone is divided instead: ground and shadow have one
tone on all copies, the leaf has that of the leaf around it on the same copy. At each place of the motif the shares
of metal and shadow follow from all copies together, since their leaf has tarnished differently.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.blurring import block_side_px, blurred, each_widely, enlarged, shrunk, widely
from fragkit.motifs.copies import tall
from fragkit.motifs.mixture import GROUND, METAL, SHADOW
from fragkit.motifs.tones import OPPONENT
from fragkit.opencv import cv2
from fragkit.threads import groups_of, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

LEAF_MM = 1.2
"""Width (sd) over which the leaf around a place is averaged."""
NEAR_MM = ((0.8, 1.0), (2.5, 0.03), (8.0, 0.001))
"""Widths (sd) over which what lies beneath and beside the metal is averaged, and how far each is trusted."""
LEAST_REACH = 0.01
FAR_RATIO, FAR_REACH = 6.0, 0.0001
"""In and beside the motif, where no sure leaf is near, its tone is that of leaf so much further off, if there is any: a
first look takes thin leaf and its shadow for shadow alone."""
BESIDE_SHARE = 0.1
"""Beside the motif is where, over `LEAF_MM`, so much of it lies: thin leaf must be able to widen."""
THIN_SHARE, FAR_TRUST = 0.3, 0.05
"""Where at least this share is known to be leaf though none is sure, its own tone counts, and leaf further off by this
much of whole leaf. Leaf of a slightly wrong tone would explain what is seen only in part, and come out too thin."""
LEAST_SUPPORT = 0.12
RIM_MM = 2.0
"""Where fewer copies than this share of the most show anything, and so far in from there, all counts as bare ground."""

LEAVES_AT_ONCE = 8
"""The leaf of so many copies is read at once: what is in between stays in the processor's own memory."""
CLEAR_SD = 5.0
"""Where leaf and what lies beside it differ by fewer noise deviations than this, the other copies count more."""
CORE_SHARE = 0.8
STEPS_A_RATIO, EVEN = 100, 128
"""Differences of tones are kept in hundredths of the ground's, about the middle of 256 steps."""
ODD_SHARE = 0.35
"""A copy that departs from all by this share counts half: leaf is rubbed off, or something lies on it."""
N_ROUNDS = 2
"""From the plain mean of all copies on, what departs is judged so often. Judged by a first guess whose metal is too
small, leaf at its edges would depart, and the metal stay small."""


@dataclass(frozen=True, eq=False)
class Paints:
    """Mean tone of the shadow (3,), and a matrix (3, 3) that makes the ground's noise 1; ground is 1, 1, 1."""

    shadow: Float32Array | None
    whitening: Float32Array


@dataclass(frozen=True, eq=False)
class Toned:
    """Copies of one picture ready to be divided.

    Attributes
    ----------
    tones : (3, n, h, w) float32 array
        Differences from the ground in noise deviations.
    metal, weight : (n, h, w) float32 arrays
        Probability of metal by tone; how far the copy is seen.
    """

    tones: Float32Array
    metal: Float32Array
    weight: Float32Array


@dataclass(frozen=True, eq=False)
class Consensus:
    """Shares (h, w) of metal and shadow at each place, from all copies."""

    metal: Float32Array
    shadow: Float32Array


def paints_from(own: Float32Array, colours: Float32Array) -> Paints:
    """Mean tone of the shadow, noise of the ground: from probabilities (3, n, h, w), tones (n, h, w, 3)."""
    tones = colours.reshape(-1, 3)
    shadow, ground = (np.flatnonzero(own[layer] > 0.9) for layer in (SHADOW, GROUND))
    tone = np.median(tones[shadow], axis=0).astype(np.float32) if len(shadow) > 20 else None
    noise = np.cov(tones[ground[::7]].T) + 1e-6 * np.eye(3)
    return Paints(tone, np.linalg.cholesky(np.linalg.inv(noise)).T.astype(np.float32))


def toned(own: Float32Array, foreign: Float32Array, colours: Float32Array, inside: BoolArray, paints: Paints) -> Toned:
    """Copies of a picture from probabilities (3, n, h, w) and (n, h, w), tones (n, h, w, 3) and what is inside.

    Pixels beside damage are mixed with it and do not count; a line as narrow as the mixed pixels of an edge is none.
    """
    tones = tones_of(colours, paints)
    kernel = np.ones((3, 3), np.uint8)
    wide = (cv2.morphologyEx(layer, cv2.MORPH_OPEN, kernel) for layer in foreign)
    near = np.array([cv2.dilate(layer, kernel) for layer in wide], np.float32)
    metal = np.asarray(own[METAL] / np.maximum(own.sum(0), 1e-6), np.float32)
    return Toned(tones, metal, np.where(inside, 1.0 - near, 0.0).astype(np.float32))


def tones_of(colours: Float32Array, paints: Paints) -> Float32Array:
    """Differences (3, n, h, w) from the ground in noise deviations, of ratios (n, h, w, 3)."""
    n, height, width, _ = colours.shape
    from_ground = np.column_stack([paints.whitening, -paints.whitening.sum(axis=1)])
    tones = np.empty((3, n * height, width), np.float32)
    cv2.split(cv2.transform(colours.reshape(n * height, width, 3), from_ground), list(tones))
    return tones.reshape(3, n, height, width)


def dot(one: Float32Array, other: Float32Array) -> Float32Array:
    """Scalar product (...) of tones (3, ...)."""
    return np.asarray(np.einsum("c...,c...->...", one, other))


def left_of(tones: Float32Array, leaf: Float32Array, metal: Float32Array, shade: Float32Array) -> Float32Array:
    """What a share (h, w) of leaf and the tone (3, 1, h, w) of the shadow leave of tones (3, n, h, w)."""
    rest = metal * leaf
    np.subtract(tones, rest, out=rest)
    rest -= shade
    return rest


def divide(
    parts: Sequence[Toned], atlas: Float32Array, paints: Paints, mm_per_px: float
) -> tuple[Consensus, list[Float32Array]]:
    """Shares at each place, and the tone (3, n, h, w) of the leaf around each place of each copy.

    Parameters
    ----------
    atlas : (3, h, w) array
        Probabilities of metal, shadow, ground; leaf is sure where this says so.

    Notes
    -----
    tone = metal × leaf + shadow × paint, in least squares over the copies that show the place.
    """
    paint = paint_of(paints)

    def told(part: Toned) -> tuple[Float32Array, Products]:
        leaf = leaf_of(part, atlas, paints, mm_per_px)
        return leaf, Products.of(part.tones, leaf, paint)

    leaves, products = zip(*side_by_side(told, parts), strict=True)
    both = _solve(parts, products, atlas, paints, odd_share=None)
    for _ in range(N_ROUNDS):
        both = _solve(parts, products, np.stack([both.metal, both.shadow]), paints, odd_share=ODD_SHARE)
    shown = _shown(np.sum([part.weight.sum(0) for part in parts], axis=0), mm_per_px)
    return replace(both, metal=both.metal * shown, shadow=both.shadow * shown), list(leaves)


def _shown(support: Float32Array, mm_per_px: float) -> NDArray[np.bool_]:
    """Where enough copies (h, w) show what is there, without the rim, where the fragment's own edge shows in many."""
    shown = ndimage.binary_fill_holes(support > LEAST_SUPPORT * support.max())
    return np.asarray(ndimage.distance_transform_edt(np.pad(shown, 1))[1:-1, 1:-1] * mm_per_px > RIM_MM)


def divide_copies(
    parts: Sequence[Toned], leaves: Sequence[Float32Array], both: Consensus, paints: Paints, mm_per_px: float
) -> tuple[Float32Array, Float32Array]:
    """Shares (n, h, w) of metal and shadow in each copy of all pictures."""
    beneath = beneath_metal(both, mm_per_px)
    layers = side_by_side(lambda part, leaf: _of_copies(part, leaf, both, beneath, paints), parts, leaves)
    metal, shadow = (np.concatenate(k) for k in zip(*layers, strict=True))
    return metal, shadow


def mean_halves(parts: Sequence[Toned]) -> tuple[Float32Array, Float32Array]:
    """How far from the ground (h, w) the tone is, in the mean of the first, third … copies and of the others.

    Nothing that was learned from all copies goes into it but what is damaged; leaf counts alike when it is lighter and
    when it is darker than the ground.
    """
    starts = np.cumsum([0, *(len(part.weight) for part in parts[:-1])]) % 2

    def sums(part: Toned, start: int) -> Float32Array:
        away = np.log1p(dot(part.tones, part.tones))
        away *= part.weight
        halves = [(away[k::2].sum(0), part.weight[k::2].sum(0)) for k in (start, 1 - start)]
        return np.array(halves, np.float32)

    (first, seen), (second, also) = np.sum(side_by_side(sums, parts, starts.tolist()), axis=0)
    return first / np.maximum(seen, np.float32(1e-3)), second / np.maximum(also, np.float32(1e-3))


def leaf_of(part: Toned, atlas: Float32Array, paints: Paints, mm_per_px: float) -> Float32Array:
    """Tone (3, n, h, w) of the leaf around each place of each copy; 0 where it is not known.

    What looks like ground or shadow may be bare: it counts little. Leaf varies so slowly that the means of blocks tell
    its tone.
    """
    width_px, motif = LEAF_MM / mm_per_px, (atlas[METAL] + atlas[SHADOW])[None]
    step, out = block_side_px(width_px, motif.shape[1:]), np.empty_like(part.tones)
    beside = blurred(shrunk(motif, step), width_px, step)[0] > BESIDE_SHARE
    for k in groups_of(len(part.weight), size=LEAVES_AT_ONCE):
        few = Toned(part.tones[:, k], part.metal[k], part.weight[k])
        around = _weighed(few, atlas, _sure_leaf(few, atlas[METAL]), paint_of(paints))
        _leaf_around(shrunk(around, step), beside, width_px, step, out[:, k])
    return out


def _sure_leaf(part: Toned, metal: Float32Array) -> Float32Array:
    """Places (n, h, w) of each copy that are whole leaf: 1, else 0."""
    sure = (part.metal > 0.7) & (part.weight > 0.5) & (metal > CORE_SHARE * float(metal.max()))
    return cv2.erode(tall(sure.view(np.uint8)), np.ones((3, 3), np.uint8)).reshape(sure.shape).astype(np.float32)


def _weighed(part: Toned, atlas: Float32Array, sure: Float32Array, paint: Float32Array) -> Float32Array:
    """Tones times weights, and the weights (8 × n, h, w), of sure leaf and of the thin leaf a copy itself shows."""
    tones, seen = part.tones, part.weight
    away2, along = dot(tones, tones), np.tensordot(paint, tones, 1)
    along *= np.float32(-2.0)
    along += away2
    along += paint @ paint
    np.minimum(away2, np.maximum(along, 0.0, out=along), out=away2)
    away2 /= away2 + np.float32(CLEAR_SD**2)
    thin = np.where(atlas[METAL] > THIN_SHARE, atlas[METAL], np.float32(0.0))
    own = np.multiply(thin, seen, out=along)
    out = np.empty((2, 4, *seen.shape), np.float32)
    core = np.multiply(away2, sure, out=out[0, 3])
    np.multiply(tones, core, out=out[0, :3])
    np.subtract(tones, (paint[:, None, None] * atlas[SHADOW])[:, None], out=out[1, :3])
    out[1, :3] *= own
    np.multiply(own, thin, out=out[1, 3])
    return out.reshape(-1, *seen.shape[1:])


def _leaf_around(weighed: Float32Array, beside: BoolArray, width_px: float, step: int, out: Float32Array) -> None:
    """Tone of the leaf around each place, put into `out` (3, n, h, w), from what `_weighed` gives of blocks."""
    n, size = len(weighed) // 8, weighed.shape[1:]
    near = blurred(weighed, width_px, step)
    far = each_widely(weighed[: 4 * n], FAR_RATIO * width_px / step).reshape(4, n, *size)
    total, own = near.reshape(2, 4, n, *size)
    known = total[3] > LEAST_REACH
    lacks = beside & ~known
    thinly = _thin_leaf(own, far)
    np.copyto(total, thinly, where=lacks)
    np.copyto(known, thinly[3] > 0.0, where=lacks)
    total *= known / np.maximum(total[3], np.float32(FAR_REACH))
    total[3] = known
    large = enlarged(total.reshape(4 * n, *size), step, out.shape[2:]).reshape(4, *out.shape[1:])
    np.multiply(large[:3], (large[3] >= 0.5) / np.maximum(large[3], np.float32(0.5)), out=out)


def _thin_leaf(own: Float32Array, far: Float32Array) -> Float32Array:
    """Tone of leaf where none is sure, times a weight, and this weight (4, n, rows, columns); 0 without leaf.

    In least squares by the thin leaf that a copy itself shows, drawn to the sure leaf that is further off: `own` and
    `far` (4, n, rows, columns) are tones times weights, and these weights, blurred.
    """
    reach = far[3]
    out = far * (np.float32(FAR_TRUST) * (reach > FAR_REACH) / np.maximum(reach, np.float32(FAR_REACH)))
    out += own * (reach > 0.0)
    return out


@dataclass(frozen=True, eq=False)
class Products:
    """Scalar products (n, h, w) of a copy's tone, the tone of its leaf and the paint, at each place.

    Attributes
    ----------
    leaf2, leaf_paint, leaf_tone, paint_tone, tone2 : (n, h, w) arrays
    paint2 : float
    """

    leaf2: Float32Array
    leaf_paint: Float32Array
    leaf_tone: Float32Array
    paint_tone: Float32Array
    tone2: Float32Array
    paint2: np.float32

    @classmethod
    def of(cls, tones: Float32Array, leaf: Float32Array, paint: Float32Array) -> Products:
        """Of tones and leaf (3, n, h, w) and the paint (3,)."""
        with_leaf, with_tone = ((paint @ k.reshape(3, -1)).reshape(k.shape[1:]) for k in (leaf, tones))
        return cls(
            dot(leaf, leaf), with_leaf, dot(leaf, tones), with_tone, dot(tones, tones), np.float32(paint @ paint)
        )

    def left2(self, metal: Float32Array, shadow: Float32Array) -> Float32Array:
        """Square (n, h, w) of what shares (h, w) of metal and shadow leave of the tone."""
        rest = metal * self.leaf2
        rest += (np.float32(2.0) * shadow) * self.leaf_paint
        rest -= np.float32(2.0) * self.leaf_tone
        rest *= metal
        rest -= (np.float32(2.0) * shadow) * self.paint_tone
        rest += self.tone2
        rest += shadow * shadow * self.paint2
        return np.maximum(rest, np.float32(0.0), out=rest)


def _solve(
    parts: Sequence[Toned],
    products: Sequence[Products],
    atlas: Float32Array,
    paints: Paints,
    *,
    odd_share: float | None,
) -> Consensus:
    ridge = np.float32(CLEAR_SD**2)
    sums = side_by_side(lambda part, own: _sums(part.weight, own, atlas, odd_share), parts, products)
    uu, uv, uy, vv, vy = (np.sum(layers, axis=0) for layers in zip(*sums, strict=True))
    known = uu > 0.0
    known |= not known.any()  # beyond known leaf there is none: sharpening would make it of nothing, round by round
    uu, vv = uu + ridge, vv + ridge
    uy, vy = uy + ridge * atlas[METAL], vy + ridge * atlas[SHADOW]
    metal = np.clip((uy * vv - vy * uv) / (uu * vv - uv**2), 0.0, 1.0) * known
    metal = _without_odd_pixels(metal.astype(np.float32))
    shadow = np.clip((vy - metal * uv) / vv, 0.0, 1.0 - metal)
    return Consensus(metal, shadow if paints.shadow is not None else 0.0 * metal)


def _sums(
    weight: Float32Array, own: Products, atlas: Float32Array, odd_share: float | None
) -> tuple[Float32Array, ...]:
    """Sums (h, w) over the copies of leaf and paint with themselves, each other and the tones: uu, uv, uy, vv, vy."""
    if odd_share is not None:
        far2 = own.left2(atlas[METAL], atlas[SHADOW])
        far2 /= own.leaf2 + (own.paint2 + np.float32(CLEAR_SD**2))
        far2 *= np.float32(1.0 / odd_share**2)
        far2 += np.float32(1.0)
        weight = np.divide(weight, far2, out=far2)
    pairs = (own.leaf2, own.leaf_paint, own.leaf_tone, own.paint_tone)
    uu, uv, uy, vy = (np.einsum("nhw,nhw->hw", weight, pair) for pair in pairs)
    return uu, uv, uy, own.paint2 * weight.sum(0), vy


def _without_odd_pixels(share: Float32Array) -> Float32Array:
    """The map with single pixels that have nothing of their neighbours set to these: tones of leaf and paint nearly
    on one line with the ground leave the shares of a pixel open."""
    around = cv2.medianBlur(share, 3)
    return np.where(np.abs(share - around) > 0.5, around, share)


def paint_of(paints: Paints) -> Float32Array:
    """The shadow's tone (3,) in noise deviations from the ground; 0 if there is no shadow."""
    if paints.shadow is None:
        return np.zeros(3, np.float32)
    return np.asarray(paints.whitening @ (paints.shadow - 1.0), np.float32)


def contrasts_of(leaf: Float32Array, beneath: Float32Array, paints: Paints) -> NDArray[np.uint8]:
    """By how much (n, h, w, 3) leaf is lighter, yellower and greener than what is beneath, in hundredths about 128.

    From its tone (3, n, h, w) and the share (h, w) of shadow beneath; 0 where the leaf's tone is not known.
    """
    known = dot(leaf, leaf) > 0.0
    away = leaf - paint_of(paints)[:, None, None, None] * beneath
    away *= known
    back = np.asarray(STEPS_A_RATIO * OPPONENT @ np.linalg.inv(paints.whitening), np.float32)
    steps = back @ away.reshape(3, -1)
    steps += np.float32(EVEN + 0.5)
    np.clip(steps, 0.0, 255.0, out=steps)
    return np.asarray(cv2.merge(list(steps.astype(np.uint8)))).reshape(*leaf.shape[1:], 3)


def shade_of(paints: Paints) -> Float32Array:
    """By how much (3,) shadow is lighter, yellower and greener than ground, in ratios to it; 0 if there is none."""
    if paints.shadow is None:
        return np.zeros(3, np.float32)
    return np.asarray(OPPONENT @ (paints.shadow - 1.0), np.float32)


def beneath_metal(both: Consensus, mm_per_px: float) -> Float32Array:
    """Share (h, w) of shadow in what lies beneath or beside the metal: that of the bare places around, the near first.

    A place that is hardly bare tells hardly anything of its own.
    """
    bare = 1.0 - both.metal
    sums = np.zeros((2, *bare.shape), np.float32)
    for reach_mm, trust in NEAR_MM:
        for total, layer in zip(sums, (both.shadow * bare, bare * bare), strict=True):
            total += np.float32(trust) * widely(layer, reach_mm / mm_per_px)
    return np.asarray(np.clip(sums[0] / np.maximum(sums[1], 1e-6), 0.0, 1.0), np.float32)


def _of_copies(
    part: Toned, leaf: Float32Array, both: Consensus, beneath: Float32Array, paints: Paints
) -> tuple[Float32Array, Float32Array]:
    """Shares (n, h, w) of metal and shadow in each copy; where tones do not tell, those of all copies."""
    paint = paint_of(paints)[:, None, None, None]
    base, known, paint2 = paint * beneath, dot(leaf, leaf) > 0.0, np.float32((paint**2).sum())
    step = leaf - base
    step *= known
    pull = dot(step, part.tones) - dot(step, base)
    metal = (pull + CLEAR_SD**2 * both.metal) / (dot(step, step) + CLEAR_SD**2)
    metal = np.clip(np.where(known, metal, np.minimum(part.metal, both.metal)), 0.0, 1.0)
    shade = dot(paint, part.tones) - metal * dot(paint, leaf)
    shade = (shade + CLEAR_SD**2 * both.shadow) / (paint2 + CLEAR_SD**2)
    return metal.astype(np.float32), np.clip(shade, 0.0, 1.0 - metal).astype(np.float32)
