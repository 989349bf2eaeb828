"""The condition of each pixel of a picture: sound, lost, or covered by later work, read from all that speaks for it.

Tone alone does not tell bare plaster from the pale ground it shines like, nor a filler from bright leaf. What is round
a place speaks too: the damage beside it, brush lines and grain, the tones on either side of a border, a motif that
should be there and is not. How all this is weighed was learned on simulated fragments whose truth is known, with
plaster and later work of any tone (`tests/motifs/learn_condition.py`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.blurring import widely
from fragkit.motifs.condition_weights import CENTRES, HIDDEN, HIDDEN_OFFSETS, LAST, LAST_OFFSETS, SCALES
from fragkit.motifs.light import shrink
from fragkit.motifs.mixture import GROUND, METAL
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.tones import OPPONENT, summed
from fragkit.opencv import cv2
from fragkit.threads import groups_of, side_by_side

Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]
BoolArray = NDArray[np.bool_]

NEAR_MM, FAR_MM, FARTHEST_MM = 1.5, 4.0, 10.0
"""Widths (sd) over which the surroundings are looked at."""
FINE_PX, LEAST_ROUGH = 1.2, np.float32(1e-4)
MOST_GRAIN, MOST_STEP = np.float32(0.2), np.float32(1.0)
"""What differs more from the pixels beside it is an edge and no grain."""
SURE, UNSURE = np.float32(0.7), np.float32(0.3)
"""Surroundings count as damaged, or as sound, by a first probability above and below these."""
MOSTLY = np.float32(0.5)
MOST_NATS, FEW_NATS = np.float32(8.0), np.float32(4.0)
"""Odds of a pixel count up to so many nats, and up to so many among those round it."""
BLUR_PX = 0.8
PLACES_AT_ONCE = 32_768
"""So many pixels are judged at a time."""
ENOUGH_PLACES = 50_000
"""About so many places tell what the textures of the ground are."""
CLEARLY = 0.02
"""A pixel is in doubt that is sound, or foreign, by a probability neither below this nor as near to one."""
N_CLOSE, N_OWN = 19, 13
"""So many signs are those of the pixel itself, the others of what is round it; so many need no tones around."""
TONES = ("damage", "ground", "leaf")
INWARD = np.ascontiguousarray((HIDDEN / SCALES[:, None]).T)
OFFSETS = (HIDDEN_OFFSETS - INWARD @ CENTRES)[:, None]


@dataclass(frozen=True, eq=False)
class Seen:
    """What is known of the pixels (h, w) of a part of a picture before their condition is.

    Attributes
    ----------
    ratio : (h, w, 3) array
        Ratios to the ground.
    prior : (3, h, w) array
        Metal, shadow and ground as they would be undamaged.
    nats : (4, h, w) array
        Log odds by tone of damage to the undamaged surface, of damage to ground and of metal to ground; then by colour
        and texture, of damage to ground, 0 where a motif would be.
    missed : (h, w) array
        From `missed_pattern`, 0 where no motif would be.
    found : (h, w) array
        A first probability of damage.
    on_ground, inside : (h, w) bool arrays
        Where bare ground would lie; what the picture covers.
    mm_per_px : float
    step : int
        Every how many-th row and column is seen of the surroundings.
    """

    ratio: Float32Array
    prior: Float32Array
    nats: Float32Array
    missed: Float32Array
    found: Float32Array
    on_ground: BoolArray
    inside: BoolArray
    mm_per_px: float
    step: int


def roughness_of(ratio: Float32Array, step: int) -> Float32Array:
    """Grain, changes across and along, and lightness: means (4, h / step, w / step) over blocks."""
    light = np.asarray(cv2.transform(ratio, OPPONENT[:1]), np.float32)
    fine = np.minimum(np.abs(light - cv2.GaussianBlur(light, (0, 0), FINE_PX)), MOST_GRAIN)
    across, along = (np.minimum(np.abs(cv2.Sobel(light, cv2.CV_32F, *k)), MOST_STEP) for k in ((1, 0), (0, 1)))
    return np.stack([shrink(layer, step) for layer in (fine, across, along, light)])


def textures_of(roughness: Float32Array, pitch: float) -> Float32Array:
    """Grain at three widths, run of the brush at two, and blotches: logarithms (6, rows, columns) in blocks of `pitch`
    mm, from `roughness_of`."""
    near, far = NEAR_MM / pitch, FAR_MM / pitch

    def about(layer: Float32Array) -> list[Float32Array]:
        return [widely(layer, width) for width in (near, far)]

    def of_grain(layer: Float32Array) -> list[Float32Array]:
        fine = np.asarray(cv2.GaussianBlur(layer, (0, 0), BLUR_PX), np.float32)
        return [_log(k) for k in (fine, *about(layer))]

    def of_lines(layer: Float32Array) -> list[Float32Array]:
        return [_log(k) for k in about(layer)]

    def of_light(layer: Float32Array) -> list[Float32Array]:
        close, around = about(layer)
        return [_log(widely(np.abs(close - around), far))]

    kinds = (of_grain, of_lines, of_lines, of_light)
    grain, across, along, blotches = side_by_side(lambda kind, layer: kind(layer), kinds, list(roughness))
    runs = [one - other for one, other in zip(along, across, strict=True)]
    return np.stack([*grain, *runs, *blotches])


def _log(layer: Float32Array) -> Float32Array:
    return np.asarray(cv2.log(layer + LEAST_ROUGH), np.float32)


def condition_of(
    seen: Seen, wide: Sequence[Float32Array], tones: Mapping[str, Float32Array], own: slice
) -> tuple[Float32Array, Float32Array]:
    """Probability (rows, w) that something foreign lies on each pixel of a part's `own` rows, and log odds (rows, w) of
    later work to loss.

    Parameters
    ----------
    wide, tones
        From `surroundings_of`, of the rows and columns of the part.

    Notes
    -----
    Every so many-th row and column is judged first. Where none of these pixels and of those next to them is in doubt,
    those between are as they are; the others are judged one by one.
    """
    shape, looks = seen.found.shape, looks_about(seen)
    around = np.tensordot(INWARD[:, N_CLOSE:], np.stack(wide), axes=1).reshape(len(INWARD), -1)
    around += OFFSETS
    few = seen.step * (np.arange(wide[0].shape[0])[:, None] * shape[1] + np.arange(wide[0].shape[1]))
    foreign, later = (k.reshape(few.shape) for k in _judged(seen, looks, around, tones, few.ravel()))
    doubtful = _doubtful(foreign)
    foreign, later = (as_fine(k, shape, seen.step, smooth=True)[own] for k in (foreign, later))
    rest = own.start * shape[1] + np.flatnonzero(as_fine(doubtful, shape, seen.step)[own])
    for whole, part in zip((foreign, later), _judged(seen, looks, around, tones, rest), strict=True):
        whole.reshape(-1)[rest - own.start * shape[1]] = part
    return foreign, later


@dataclass(frozen=True, eq=False)
class Places:
    """Numbers (n,) of some pixels of a part, row by row, and of the blocks in which they lie."""

    pixels: NDArray[np.intp]
    blocks: NDArray[np.intp]


def places_of(pixels: NDArray[np.intp], seen: Seen, shape: tuple[int, ...]) -> Places:
    """Some pixels of a part, and their blocks, of which there are `shape` rows and columns."""
    rows, columns = np.divmod(pixels, seen.found.shape[1])
    rows, columns = (np.minimum(k // seen.step, side - 1) for k, side in zip((rows, columns), shape, strict=True))
    return Places(pixels, rows * shape[1] + columns)


def _doubtful(foreign: Float32Array) -> LabelArray:
    """Blocks (rows, columns) which, with those next to them, are not all sound or all foreign."""
    kernel = np.ones((3, 3), np.uint8)
    least, most = cv2.erode(foreign, kernel), cv2.dilate(foreign, kernel)
    return ((most > CLEARLY) & (least < 1.0 - CLEARLY)).view(np.uint8)


def _judged(
    seen: Seen,
    looks: tuple[Float32Array, ...],
    around: Float32Array,
    tones: Mapping[str, Float32Array],
    pixels: NDArray[np.intp],
) -> Float32Array:
    """What `condition_of` gives (2, n), of some pixels."""
    out, shape = np.empty((2, len(pixels)), np.float32), tones["leaf"].shape
    for some in groups_of(len(pixels), size=PLACES_AT_ONCE):
        few = places_of(pixels[some], seen, shape[:2])
        hidden = INWARD[:, :N_CLOSE] @ close_signs(seen, looks, tones, few)
        hidden += around.take(few.blocks, axis=1)
        np.maximum(hidden, np.float32(0.0), out=hidden)
        out[:, some] = _weighed(hidden)
    return out


def _weighed(hidden: Float32Array) -> Float32Array:
    """What `condition_of` gives (2, n), of hidden units (k, n)."""
    sound, lost, covered = (LAST.T @ hidden + LAST_OFFSETS[:, None])[:, None]
    either = cv2.max(lost, covered) + cv2.log(np.float32(1.0) + cv2.exp(-cv2.absdiff(lost, covered)))
    foreign = np.float32(1.0) / (np.float32(1.0) + cv2.exp(np.clip(sound - either, -30.0, 30.0)))
    return np.concatenate([foreign, covered - lost])


def looks_about(seen: Seen) -> tuple[Float32Array, ...]:
    """Tones (h, w, 3) without their noise, lightness (h, w), and by how much it differs from that round it."""
    looks = _looks(seen)
    light = np.ascontiguousarray(looks[..., 0])
    smooth = np.asarray(cv2.GaussianBlur(looks, (0, 0), BLUR_PX), np.float32)
    return smooth, light, light - cv2.GaussianBlur(light, (0, 0), FINE_PX)


def close_signs(
    seen: Seen, looks: tuple[Float32Array, ...], tones: Mapping[str, Float32Array], places: Places
) -> Float32Array:
    """What speaks for a condition or against it in some pixels: `N_CLOSE` layers (k, n), in the order of the weights.

    Parameters
    ----------
    looks
        From `looks_about`.
    tones
        From `surroundings_of`.
    """
    smooth, light, edge = looks
    signs = np.empty((N_CLOSE, len(places.pixels)), np.float32)
    tone = smooth.reshape(-1, 1, 3).take(places.pixels, axis=0)
    cv2.split(tone, list(signs[:3, :, None]))
    layers = (light, edge, *seen.nats, seen.missed, seen.found, *seen.prior[:GROUND])
    for sign, layer in zip(signs[3:N_OWN], layers, strict=True):
        layer.reshape(-1).take(places.pixels, out=sign, mode="clip")
    np.clip(signs[5:9], -MOST_NATS, MOST_NATS, out=signs[5:9])
    signs[10] = _odds(signs[10]).ravel()
    damage, ground, leaf = (tones[name].reshape(-1, 1, 3).take(places.blocks, axis=0) for name in TONES)
    between = [*_between(tone, damage, ground), *_between(tone, damage, leaf)]
    for sign, layer in zip(signs[N_OWN:], between, strict=True):
        sign[:] = layer.ravel()
    return signs


def _looks(seen: Seen) -> Float32Array:
    """Lightness and two opponent colours (h, w, 3), those of the ground beyond the picture."""
    looks = np.asarray(cv2.transform(seen.ratio, OPPONENT), np.float32)
    looks[~seen.inside] = (1.0, 0.0, 0.0)
    return looks


def _odds(probability: Float32Array) -> Float32Array:
    share = np.clip(probability, np.float32(3e-4), np.float32(1.0 - 3e-4))
    return np.asarray(cv2.log(share / (np.float32(1.0) - share)))


def surroundings_of(seen: Seen, textures: Float32Array) -> tuple[list[Float32Array], dict[str, Float32Array]]:
    """What is round a place: layers (rows, columns), in the order of the weights after the close signs, and tones
    (rows, columns, 3) of damage, ground and leaf there.

    Parameters
    ----------
    seen : Seen
        Of every so many-th row and column, which tell what lies about as well as all would.
    textures : (6, rows, columns) array
        From `textures_of`, less what they are on the picture's ground.
    """
    near, far, farthest = widths = [width / seen.mm_per_px for width in (NEAR_MM, FAR_MM, FARTHEST_MM)]
    small, wide = _about(seen), [*textures]
    for width in (near, far):
        wide += cv2.split(widely(small["looks"], width))
    wide += [widely(small["found"], width) for width in widths]
    wide += [widely(small["here"], width) / (widely(small["bare"], width) + np.float32(0.1)) for width in widths]
    wide += [widely(small["shown"], k) / (widely(small["metal"], k) + np.float32(0.05)) for k in (far, farthest)]
    wide += [widely(small[name], far) for name in ("inside", "missed")]
    tones = {}
    for name in TONES:
        around = widely(small[name], near)
        wide.append(np.ascontiguousarray(around[..., 3]))
        both = around + np.float32(0.02) * widely(small[name], far)
        tones[name] = np.asarray(both[..., :3] / (both[..., 3:] + np.float32(1e-5)), np.float32)
    return wide, tones


def _about(seen: Seen) -> dict[str, Float32Array]:
    """What is seen; damage, ground and leaf as tones times what is there, and that."""
    looks, found, metal, nats = _looks(seen), seen.found, seen.prior[METAL], seen.nats
    bare, sound = seen.on_ground.astype(np.float32), found < UNSURE
    weights = {"damage": found * (found > SURE), "ground": bare * sound, "leaf": metal * (sound & (metal > MOSTLY))}
    one = cv2.merge([*cv2.split(looks), np.ones_like(found)])
    return {
        "looks": looks,
        "found": found,
        "bare": bare,
        "here": np.clip(nats[3], -FEW_NATS, FEW_NATS) * bare,
        "metal": metal,
        "shown": np.clip(nats[2], -FEW_NATS, FEW_NATS) * metal,
        "inside": seen.inside.astype(np.float32),
        "missed": seen.missed,
        **{name: cv2.multiply(one, cv2.merge([weight.astype(np.float32)] * 4)) for name, weight in weights.items()},
    }


def _between(tone: Float32Array, inner: Float32Array, outer: Float32Array) -> list[Float32Array]:
    """How far (h, w) each tone lies from damage to a sound surface, 0 to 1 between them; by how much they differ; and
    how far it lies off that line: the last two as logarithms."""
    across, away = outer - inner, tone - inner
    size = summed(across * across) + np.float32(3e-4)
    along = np.clip(summed(away * across) / size, -2.0, 3.0)
    off = away - along[..., None] * across
    return [along, cv2.log(size), cv2.log(summed(off * off) + LEAST_ROUGH)]


def ground_textures(textures: Float32Array, found: Float32Array, on_ground: BoolArray) -> Float32Array:
    """The medians (6, 1, 1) of textures (6, rows, columns) where bare ground shows, in blocks that are all there."""
    whole = textures.shape[1:]
    bare = (on_ground & (found < UNSURE))[: whole[0], : whole[1]]
    if not bare.any():
        bare = np.ones_like(bare)
    places = np.flatnonzero(bare)
    some = np.divmod(places[:: max(1, len(places) // ENOUGH_PLACES)], bare.shape[1])
    return np.median(textures[:, *some], axis=1).astype(np.float32)[:, None, None]
