"""The condition of each pixel of a picture: sound, lost, or covered by later work, read from all that speaks for it.

Tone alone does not tell bare plaster from the pale ground it shines like, nor a filler from bright leaf. What is round
a place speaks too: the damage beside it, brush lines and grain, the tones on either side of a border, a motif that
should be there and is not. How all this is weighed was learned on simulated fragments whose truth is known, with
plaster and later work of any tone (`tests/motifs/learn_condition.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.condition_weights import CENTRES, HIDDEN, HIDDEN_OFFSETS, LAST, LAST_OFFSETS, SCALES
from fragkit.motifs.damage import thinning
from fragkit.motifs.light import shrink
from fragkit.motifs.mixture import METAL, SHADOW, widely
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.tones import OPPONENT, summed
from fragkit.opencv import cv2

Float32Array = NDArray[np.float32]
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
ROWS_AT_ONCE, HALO_PX = 32, 8
"""Pixels are judged so many rows at a time; blurs of a pixel reach no further than so many rows."""
N_CLOSE = 19
"""So many signs are those of the pixel itself, the others of what is round it."""
INWARD = np.ascontiguousarray((HIDDEN / SCALES[:, None]).T)
OFFSETS = (HIDDEN_OFFSETS - INWARD @ CENTRES)[:, None]


def blocks_px(mm_per_px: float) -> int:
    """Side of the blocks over whose means the surroundings are looked at."""
    return max(2, thinning(mm_per_px))


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
        Side in px of the blocks in which surroundings are looked at.
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


def textures_of(ratio: Float32Array, step: int, mm_per_px: float) -> Float32Array:
    """Grain at three widths, run of the brush at two, and blotches: logarithms (6, h / step, w / step) of a part."""
    pitch = mm_per_px * step
    light = np.asarray(cv2.transform(ratio, OPPONENT[:1]), np.float32)
    fine = np.minimum(np.abs(light - cv2.GaussianBlur(light, (0, 0), FINE_PX)), MOST_GRAIN)
    across, along = (np.minimum(np.abs(cv2.Sobel(light, cv2.CV_32F, *k)), MOST_STEP) for k in ((1, 0), (0, 1)))
    grain, across, along, light = (shrink(layer, step) for layer in (fine, across, along, light))
    uneven = np.abs(np.subtract(*_about(light, pitch)))
    layers = [
        cv2.GaussianBlur(grain, (0, 0), BLUR_PX),
        *_about(grain, pitch),
        *_about(along, pitch),
        *_about(across, pitch),
    ]
    logs = [cv2.log(layer + LEAST_ROUGH) for layer in (*layers, widely(uneven, FAR_MM / pitch))]
    return np.stack([*logs[:3], logs[3] - logs[5], logs[4] - logs[6], logs[7]])


def _about(layer: Float32Array, pitch: float) -> list[Float32Array]:
    return [widely(layer, width / pitch) for width in (NEAR_MM, FAR_MM)]


def condition_of(seen: Seen, textures: Float32Array, own: slice) -> tuple[Float32Array, Float32Array]:
    """Probability (rows, w) that something foreign lies on each pixel of a part's `own` rows, and log odds (rows, w) of
    later work to loss.

    Parameters
    ----------
    textures : (6, h / step, w / step) array
        From `textures_of`, less what they are on the picture's ground.
    """
    wide, tones = surroundings_of(seen, textures)
    around = np.tensordot(INWARD[:, N_CLOSE:], _moved(wide), axes=1)
    around += OFFSETS[..., None]
    tops = range(own.start, own.stop, ROWS_AT_ONCE)
    parts = [_judged(seen, around, tones, top, min(top + ROWS_AT_ONCE, own.stop)) for top in tops]
    foreign, later = (np.concatenate(layers) for layers in zip(*parts, strict=True))
    return foreign, later


def _moved(layers: list[Float32Array]) -> Float32Array:
    """Layers (h, w) in one array (n, h, w), each given up as it is moved: twice all of them is too much to hold."""
    out = np.empty((len(layers), *layers[0].shape), np.float32)
    for k in reversed(range(len(layers))):
        out[k] = layers.pop()
    return out


def _judged(
    seen: Seen, around: Float32Array, tones: Mapping[str, Float32Array], top: int, bottom: int
) -> tuple[Float32Array, Float32Array]:
    """What `condition_of` gives, of some rows."""
    hidden = INWARD[:, :N_CLOSE] @ np.stack([layer.ravel() for layer in close_signs(seen, tones, top, bottom)])
    for layer, coarse in zip(hidden, around, strict=True):
        layer += _enlarged(coarse, seen, top, bottom).ravel()
    np.maximum(hidden, np.float32(0.0), out=hidden)
    sound, lost, covered = (LAST.T @ hidden + LAST_OFFSETS[:, None]).reshape(3, bottom - top, -1)
    either = cv2.max(lost, covered) + cv2.log(np.float32(1.0) + cv2.exp(-cv2.absdiff(lost, covered)))
    foreign = np.float32(1.0) / (np.float32(1.0) + cv2.exp(np.clip(sound - either, -30.0, 30.0)))
    return foreign, covered - lost


def close_signs(seen: Seen, tones: Mapping[str, Float32Array], top: int, bottom: int) -> list[Float32Array]:
    """What speaks for a condition or against it in the pixels of some rows: `N_CLOSE` layers (rows, w), in the order of
    the weights."""
    above, below = max(top - HALO_PX, 0), min(bottom + HALO_PX, len(seen.found))
    kept, rows = slice(top - above, bottom - above), slice(top, bottom)
    looks = _looks(seen, slice(above, below))
    light = np.ascontiguousarray(looks[..., 0])
    smooth = np.asarray(cv2.GaussianBlur(looks, (0, 0), BLUR_PX), np.float32)[kept]
    edge = (light - cv2.GaussianBlur(light, (0, 0), FINE_PX))[kept]
    near = {name: _enlarged(tone, seen, top, bottom) for name, tone in tones.items()}
    between = [*_between(smooth, near["damage"], near["ground"]), *_between(smooth, near["damage"], near["leaf"])]
    nats = np.clip(seen.nats[:, rows], -MOST_NATS, MOST_NATS)
    own = (seen.missed[rows], _odds(seen.found[rows]), seen.prior[METAL, rows], seen.prior[SHADOW, rows])
    return [*cv2.split(smooth), light[kept], edge, *nats, *own, *between]


def _looks(seen: Seen, rows: slice) -> Float32Array:
    """Lightness and two opponent colours (rows, w, 3), those of the ground beyond the picture."""
    looks = np.asarray(cv2.transform(seen.ratio[rows], OPPONENT), np.float32)
    looks[~seen.inside[rows]] = (1.0, 0.0, 0.0)
    return looks


def _odds(probability: Float32Array) -> Float32Array:
    share = np.clip(probability, np.float32(3e-4), np.float32(1.0 - 3e-4))
    return np.asarray(cv2.log(share / (np.float32(1.0) - share)))


def surroundings_of(seen: Seen, textures: Float32Array) -> tuple[list[Float32Array], dict[str, Float32Array]]:
    """What is round a place: layers (h / step, w / step), in the order of the weights after the close signs, and tones
    (h / step, w / step, 3) of damage, ground and leaf there."""
    pitch, n_rows = seen.mm_per_px * seen.step, seen.step * (ROWS_AT_ONCE // seen.step)
    tops = range(0, len(seen.found) - seen.step + 1, n_rows)
    small = _joined([_in_blocks(seen, slice(top, top + n_rows)) for top in tops])
    near, far, farthest = widths = [width / pitch for width in (NEAR_MM, FAR_MM, FARTHEST_MM)]
    wide = [*textures]
    for width in (near, far):
        wide += cv2.split(widely(small["looks"], width))
    wide += [widely(small["found"], width) for width in widths]
    wide += [widely(small["here"], width) / (widely(small["bare"], width) + np.float32(0.1)) for width in widths]
    wide += [widely(small["shown"], k) / (widely(small["metal"], k) + np.float32(0.05)) for k in (far, farthest)]
    wide += [widely(small[name], far) for name in ("inside", "missed")]
    tones = {}
    for name in ("damage", "ground", "leaf"):
        around = widely(small[name], near)
        wide.append(np.ascontiguousarray(around[..., 3]))
        both = around + np.float32(0.02) * widely(small[name], far)
        tones[name] = np.asarray(both[..., :3] / (both[..., 3:] + np.float32(1e-5)), np.float32)
    return wide, tones


def _joined(parts: list[dict[str, Float32Array]]) -> dict[str, Float32Array]:
    return {name: np.concatenate([part.pop(name) for part in parts]) for name in list(parts[0])}


def _in_blocks(seen: Seen, rows: slice) -> dict[str, Float32Array]:
    """Means over blocks of what is seen in some rows; damage, ground and leaf as sums of tones and of what is there."""
    looks, found, metal, nats = _looks(seen, rows), seen.found[rows], seen.prior[METAL, rows], seen.nats[:, rows]
    bare, sound = seen.on_ground[rows].astype(np.float32), found < UNSURE
    weights = {"damage": found * (found > SURE), "ground": bare * sound, "leaf": metal * (sound & (metal > MOSTLY))}
    layers = {
        "looks": looks,
        "found": found,
        "bare": bare,
        "here": np.clip(nats[3], -FEW_NATS, FEW_NATS) * bare,
        "metal": metal,
        "shown": np.clip(nats[2], -FEW_NATS, FEW_NATS) * metal,
        "inside": seen.inside[rows].astype(np.float32),
        "missed": seen.missed[rows],
        **{name: np.dstack([looks * weight[..., None], weight]) for name, weight in weights.items()},
    }
    return {name: shrink(layer, seen.step) for name, layer in layers.items()}


def _between(tone: Float32Array, inner: Float32Array, outer: Float32Array) -> list[Float32Array]:
    """How far (h, w) each tone lies from damage to a sound surface, 0 to 1 between them; by how much they differ; and
    how far it lies off that line: the last two as logarithms."""
    across, away = outer - inner, tone - inner
    size = summed(across * across) + np.float32(3e-4)
    along = np.clip(summed(away * across) / size, -2.0, 3.0)
    off = away - along[..., None] * across
    return [along, cv2.log(size), cv2.log(summed(off * off) + LEAST_ROUGH)]


def _enlarged(layer: Float32Array, seen: Seen, top: int, bottom: int) -> Float32Array:
    """Some rows (rows, w) of the part, of a layer of its blocks (h / step, w / step)."""
    step, n, width = seen.step, len(layer), seen.found.shape[1]
    first, last = min(max(top // step - 1, 0), n - 1), min(-(-bottom // step) + 1, n)
    above = first * step
    large = as_fine(
        np.ascontiguousarray(layer[first:last]), (max(last * step, bottom) - above, width), step, smooth=True
    )
    return large[top - above : bottom - above]


def ground_textures(textures: Float32Array, found: Float32Array, on_ground: BoolArray) -> Float32Array:
    """The medians (6, 1, 1) of textures (6, rows, columns) where bare ground shows, in blocks that are all there."""
    whole = textures.shape[1:]
    bare = (on_ground & (found < UNSURE))[: whole[0], : whole[1]]
    if not bare.any():
        bare = np.ones_like(bare)
    return np.median(textures[:, bare], axis=1).astype(np.float32)[:, None, None]
