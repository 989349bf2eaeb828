"""Which surface each pixel of each copy shows, and which it shows at each place of the motif.

One model for all copies. At each place of the motif the undamaged surface is metal, shadow or ground with
probabilities that all copies share (the atlas); each surface has one density over tones; each pixel of each
copy may instead be foreign (loss or later work), with a probability smooth in space and a density of its
own, learned where the atlas says ground and the pixel is not. So one-sided damage does not pull the
consensus, as it pulls a pixel-wise mean or median.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.blurring import each_widely, widely
from fragkit.motifs.copies import Copies
from fragkit.motifs.tones import BOXES, ENOUGH_TONES, CodeArray, ToneBoxes, boxes_for
from fragkit.opencv import cv2
from fragkit.threads import groups_of, side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

METAL, SHADOW, GROUND, FOREIGN = range(4)
GIVEN_CODES = {METAL: (3,), SHADOW: (2,), GROUND: (1,), FOREIGN: (4, 5)}
"""The user's labels that name each surface."""
FLOORS = (0.02, 0.002, 0.002, 0.15)
"""Even share of each density: a tone that none of the original surfaces has is foreign."""
DAMAGE_MM = 1.5
"""Width (sd) over which damage is taken to hang together."""
SHARPEN = 1.25
"""Power to which shares are raised in each step: copies are alike."""
ENOUGH_PIXELS, THIN_OUT = 300_000, 2
"""Tones are learned from every second row and column where there are more pixels than these."""
CODES_AT_ONCE = 32_768
"""So many tones are looked up at once: what is found stays in the processor's own memory."""
SHOWN_RATIO = 0.25
"""Places that fewer copies cover than this share of the most, such as the rim of the cell, are not the motif's."""
LEAST_LEAF = 0.15
"""The leaf of a motif is wider than its mixed pixels on this share of it at least: its shadow is a copy moved aside."""
BAND_MM = 0.20
"""Width (sd) to which the atlas is band-limited."""


@dataclass(frozen=True, eq=False)
class Surfaces:
    """The tones of metal, shadow, ground and foreign surfaces.

    Attributes
    ----------
    boxes : ToneBoxes
    density : (4, n_boxes) float32 array
    foreign_ratio : float
        Share of the pixels that is foreign.
    """

    boxes: ToneBoxes
    density: Float32Array
    foreign_ratio: float

    def at(self, codes: CodeArray) -> Float32Array:
        """Densities (4, ...) at the tones of these boxes, looked up for all surfaces at once."""
        flat = codes.ravel()
        found = np.empty((len(self.density), 1, flat.size), np.float32)
        for first in range(0, flat.size, CODES_AT_ONCE):
            few = slice(first, first + CODES_AT_ONCE)
            cv2.split(self._by_box.take(flat[few], axis=0, mode="clip")[None], list(found[..., few]))
        return found.reshape(len(found), *codes.shape)

    @cached_property
    def _by_box(self) -> Float32Array:
        """Densities (n_boxes, 4)."""
        return np.ascontiguousarray(self.density.T)


def start(copies: Copies) -> tuple[Surfaces, Float32Array]:
    """First surfaces and atlas (3, h, w), from the copies alone.

    Notes
    -----
    Ground is the tone near 1; foreign is what else lies where ground prevails. In the rest, places are
    parted in two by how much the copies differ there: paint is alike from copy to copy, leaf tarnishes.
    """
    colours, inside = copies.colours, copies.inside
    boxes = _boxes_of(copies)
    codes = _sorted(boxes, colours)
    near = _near_ground(colours, inside)
    count = np.maximum(inside.sum(0), 1)
    share = cv2.GaussianBlur((near.sum(0) / count).astype(np.float32), (0, 0), max(0.6, 0.5 / copies.mm_per_px))
    sound = float(np.quantile(share, 0.9))
    ground = np.clip(share / sound, 0.0, 1.0)
    is_shown = count > SHOWN_RATIO * count.max()
    is_ground, is_motif = ground > 0.85, _near_the_middle((ground < 0.5) & is_shown)
    density = np.empty((4, int(np.prod(BOXES))), np.float32)
    density[GROUND] = boxes.density(codes, near.astype(np.float32), floor_ratio=FLOORS[GROUND])
    foreign = (inside & ~near & is_ground).astype(np.float32)
    density[FOREIGN] = boxes.density(codes, foreign, floor_ratio=FLOORS[FOREIGN])
    painted = (inside & is_motif & ~near).astype(np.float32)
    mixed = boxes.density(codes, painted, floor_ratio=0.0)
    lost = 1.0 - sound
    own = 1.0 - np.clip(lost * density[FOREIGN] / np.maximum(mixed, 1e-9), 0.0, 1.0)
    weight = painted * own[codes].astype(np.float32)
    metal = _uneven_places(colours, weight, is_motif)
    atlas = np.stack([metal, is_motif & ~metal, ~is_motif]).astype(np.float32)
    atlas = _limited(0.90 * atlas + 0.10 / 3.0, 1.0)
    for surface in (METAL, SHADOW):
        density[surface] = boxes.density(codes, weight * (atlas[surface] > 0.5), floor_ratio=FLOORS[surface])
    return Surfaces(boxes, density, lost), atlas


def learn(surfaces: Surfaces, atlas: Float32Array, copies: Copies, *, n_steps: int) -> tuple[Surfaces, Float32Array]:
    """Surfaces and atlas after `n_steps` of expectation and maximisation on the copies."""
    boxes = _boxes_of(copies)
    codes = _sorted(boxes, copies.colours)
    like, foreign = likelihood(surfaces, copies), None
    for step in range(n_steps):
        if step:
            like = _densities(surfaces, codes, copies.given)
        own, foreign = expect(like, atlas, copies.inside, surfaces.foreign_ratio, copies.mm_per_px, foreign)
        surfaces = _tones(boxes, codes, own, foreign, atlas)
        atlas = _consensus(own, atlas, copies.mm_per_px)
    return surfaces, atlas


def likelihood(surfaces: Surfaces, copies: Copies) -> Float32Array:
    """Densities (4, n, h, w) of the surfaces at the tone of every pixel, the user's labels heeded."""
    return _densities(surfaces, _sorted(surfaces.boxes, copies.colours), copies.given)


def _boxes_of(copies: Copies) -> ToneBoxes:
    """Boxes for the tones that copies show, from some of them."""
    seen = np.flatnonzero(copies.inside)
    return boxes_for(copies.colours.reshape(-1, 3)[seen[:: max(1, len(seen) // ENOUGH_TONES)]])


def _sorted(boxes: ToneBoxes, colours: Float32Array) -> CodeArray:
    """The boxes (n, h, w) of the tones of copies."""
    return np.concatenate(side_by_side(lambda k: boxes.sort(colours[k]), groups_of(len(colours))))


def _densities(surfaces: Surfaces, codes: CodeArray, given: NDArray[np.uint8]) -> Float32Array:
    """Densities (4, n, h, w) of the surfaces in copies, the user's labels heeded."""
    like = np.empty((len(surfaces.density), *codes.shape), np.float32)

    def look_up(k: slice) -> None:
        like[:, k] = surfaces.at(codes[k])

    side_by_side(look_up, groups_of(len(codes)))
    return clamp(like, given)


def clamp(like: Float32Array, given: NDArray[np.uint8]) -> Float32Array:
    """Densities (4, ...) made all but impossible where the user's label (0 to 5) names another surface."""
    if not given.any():
        return like
    for surface, codes in GIVEN_CODES.items():
        like[surface][(given != 0) & ~np.isin(given, codes)] *= np.float32(1e-6)
    return like


def expect(
    like: Float32Array,
    atlas: Float32Array,
    inside: BoolArray,
    foreign_ratio: float,
    mm_per_px: float,
    foreign: Float32Array | None = None,
) -> tuple[Float32Array, Float32Array]:
    """Probabilities (3, n, h, w) of metal, shadow, ground, and (n, h, w) of foreign, of each pixel.

    Outside the picture all four are 0.
    """
    own, now = np.empty((3, *inside.shape), np.float32), np.empty(inside.shape, np.float32)
    prior = atlas[:, None]

    def part(k: slice) -> None:
        odd, total, before = like[FOREIGN, k], undamaged(like[:, k], prior), None if foreign is None else foreign[k]
        around = _damage_around(odd, total, inside[k], foreign_ratio, mm_per_px, before)
        now[k] = _foreign(odd, total, around, inside[k])
        shown = (np.float32(1.0) - now[k]) * inside[k] / np.maximum(total, np.float32(1e-30))
        np.multiply(like[:FOREIGN, k], prior, out=own[:, k])
        own[:, k] *= shown

    side_by_side(part, groups_of(len(inside)))
    return own, now


def damage_around(
    like: Float32Array, prior: Float32Array, inside: BoolArray, foreign_ratio: float, mm_per_px: float
) -> Float32Array:
    """Prior (h, w) of foreign surface at each pixel of a picture, by what is round it, from its own `prior` (3, h, w)
    of what was there."""
    odd, total, inside = like[FOREIGN][None], undamaged(like, prior)[None], inside[None]
    return _damage_around(odd, total, inside, foreign_ratio, mm_per_px, None)[0]


def foreign_of(like: Float32Array, prior: Float32Array, inside: BoolArray, around: Float32Array) -> Float32Array:
    """Probability (h, w) of foreign surface at each pixel of a picture, by its tone and by `damage_around` it."""
    return _foreign(like[FOREIGN], undamaged(like, prior), around, inside)


def undamaged(like: Float32Array, prior: Float32Array) -> Float32Array:
    """Density (...) of the tone of each pixel if nothing foreign lies there."""
    total = like[METAL] * prior[METAL]
    total += like[SHADOW] * prior[SHADOW]
    total += like[GROUND] * prior[GROUND]
    return total


def _damage_around(
    odd: Float32Array,
    total: Float32Array,
    inside: BoolArray,
    foreign_ratio: float,
    mm_per_px: float,
    foreign: Float32Array | None,
) -> Float32Array:
    """Prior (n, h, w) of foreign surface by what is round each pixel."""
    around = _reach(inside, mm_per_px)
    if foreign is not None:
        return _spread(foreign, around, mm_per_px)
    prior = np.full(total.shape, foreign_ratio, np.float32)
    for _ in range(2):
        prior = _spread(_foreign(odd, total, prior, inside), around, mm_per_px)
    return prior


def _foreign(odd: Float32Array, own: Float32Array, prior: Float32Array, inside: BoolArray) -> Float32Array:
    weighed, share = prior * odd, (1.0 - prior) * own
    share += weighed
    np.maximum(share, np.float32(1e-30), out=share)
    np.divide(weighed, share, out=share)
    share *= inside
    return share


def _reach(inside: BoolArray, mm_per_px: float) -> Float32Array:
    """How much (n, h, w) of the neighbourhood of each pixel lies inside the picture."""
    whole = np.ones(inside.shape[1:], np.float32)
    layers = [whole if layer.all() else widely(layer.astype(np.float32), DAMAGE_MM / mm_per_px) for layer in inside]
    return np.maximum(np.stack(layers), np.float32(1e-3))


def _spread(foreign: Float32Array, around: Float32Array, mm_per_px: float) -> Float32Array:
    """Prior of damage at each pixel: the mean of its neighbourhood."""
    out = each_widely(foreign, DAMAGE_MM / mm_per_px)
    out /= around
    return np.clip(out, np.float32(0.01), np.float32(0.97), out=out)


def _tones(
    boxes: ToneBoxes, codes: CodeArray, own: Float32Array, foreign: Float32Array, atlas: Float32Array
) -> Surfaces:
    """Densities of the surfaces; foreign tones are learned where the atlas is sure of ground."""
    on_ground, step = atlas[GROUND] > 0.9, THIN_OUT if codes.size > ENOUGH_PIXELS else 1
    thin = np.s_[..., ::step, ::step]
    weights = [*own[thin], foreign[thin]]
    places = [*(layer > 0.3 for layer in atlas[thin]), on_ground[thin]]
    some = codes[thin].reshape(len(codes), -1).astype(np.intp)

    def density(weight: Float32Array, place: BoolArray, floor: float) -> Float32Array:
        at = np.flatnonzero(place)
        flat = weight.reshape(len(some), -1)
        return boxes.density(some.take(at, axis=1), flat.take(at, axis=1), floor_ratio=floor)

    densities = side_by_side(density, weights, places, FLOORS)
    damaged = float(foreign.sum(0)[on_ground].sum())
    read = float(own.sum((0, 1))[on_ground].sum()) + damaged
    ratio = damaged / read if read > 0.0 else 0.05
    return Surfaces(boxes, np.stack(densities), float(np.clip(ratio, 0.02, 0.7)))


def _consensus(own: Float32Array, atlas: Float32Array, mm_per_px: float) -> Float32Array:
    """The atlas after one step: shares among the copies that show the place, one neighbour's vote added.

    Shares are sharpened: save for the wandering of an edge a place is painted alike in all copies, so what is
    there on some of them only is rather damage in the same place.
    """
    shown = own.sum(1)
    prior = _limited(atlas, max(0.5, 0.4 / mm_per_px))
    new = ((shown + prior) / (shown.sum(0) + 1.0)) ** SHARPEN
    return _limited(new / new.sum(0), BAND_MM / mm_per_px)


def _limited(atlas: Float32Array, width_px: float) -> Float32Array:
    if width_px < 0.2:
        return atlas
    smooth = np.stack([cv2.GaussianBlur(layer, (0, 0), width_px) for layer in atlas])
    return np.asarray(smooth / smooth.sum(0))


def _near_ground(colours: Float32Array, inside: BoolArray) -> BoolArray:
    """Pixels of a tone that the ground has, by a robust covariance about the ratio 1."""
    seen = np.flatnonzero(inside)
    sample = colours.reshape(-1, 3)[seen[:: max(1, len(seen) // ENOUGH_TONES)]]
    columns = np.ascontiguousarray(sample.T)
    near = np.abs(sample - 1.0).max(axis=1) < 0.06
    for _ in range(4):
        chosen = columns.compress(near, axis=1)
        centre = np.median(chosen, axis=1)
        inverse = np.linalg.inv(np.cov(chosen - centre[:, None]) * 1.2 + 1e-6 * np.eye(3))
        near = _distance2(sample, centre, inverse) < 11.0
    parts = side_by_side(lambda k: _distance2(colours[k], centre, inverse) < 11.0, groups_of(len(colours)))
    return np.asarray(inside & np.concatenate(parts))


def _distance2(colours: Float32Array, centre: Float32Array, inverse: NDArray[Any]) -> Float32Array:
    """Squared distance (...) of colours (..., 3) from a centre by an inverse covariance."""
    white = np.linalg.cholesky(inverse).T
    away = cv2.transform(colours.reshape(-1, 1, 3), np.column_stack([white, -white @ centre]).astype(np.float32))
    first, second, third = cv2.split(away)
    return np.asarray((first * first + second * second + third * third).reshape(colours.shape[:-1]))


def _near_the_middle(mask: BoolArray) -> BoolArray:
    """The mask without specks and without parts that touch the grid's border only by chance."""
    names, n = ndimage.label(mask)
    size = np.bincount(names.ravel(), minlength=n + 1)
    keep = size >= max(6, 0.004 * mask.size)
    keep[0] = False
    return np.asarray(keep[names])


def _uneven_places(colours: Float32Array, weight: Float32Array, is_motif: BoolArray) -> BoolArray:
    """Places where copies differ as leaf does.

    The mixed pixels of the motif's edge may differ more from copy to copy than either part does: where nothing but a
    rim would be leaf, the motif is parted without its edge.
    """
    uneven = _parted(colours, weight, is_motif, is_motif)
    body = ndimage.binary_opening(uneven, np.ones((2, 2)))
    if body.sum() >= LEAST_LEAF * is_motif.sum():
        return uneven
    return _parted(colours, weight, is_motif, ndimage.binary_erosion(is_motif))


def _parted(colours: Float32Array, weight: Float32Array, is_motif: BoolArray, looked_at: BoolArray) -> BoolArray:
    """The more uneven of two groups of places by mean tone and spread (k-means); the others follow the nearest."""
    total = np.maximum(weight.sum(0), 1e-6)
    mean = (colours * weight[..., None]).sum(0) / total[..., None]
    light = colours.mean(axis=3)
    spread = np.sqrt((weight * (light - mean.mean(axis=2)) ** 2).sum(0) / total)
    known = looked_at & (total > 1.5)
    if known.sum() < 4:
        return is_motif
    log_spread = np.log(spread[known] + 0.01)
    features = np.column_stack([mean[known] / 0.10, log_spread / 0.25])
    low, high = np.quantile(log_spread, [0.25, 0.75])
    middles = np.stack([features[log_spread <= low].mean(0), features[log_spread >= high].mean(0)])
    for _ in range(25):
        far = ((features[:, None] - middles) ** 2).sum(2)
        group = far.argmin(1)
        middles = np.stack([features[group == g].mean(0) if (group == g).any() else middles[g] for g in (0, 1)])
    out = np.zeros_like(is_motif)
    out[known] = group == int(middles[:, 3].argmax())
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return is_motif & out[tuple(nearest)]
