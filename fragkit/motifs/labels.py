"""What every pixel of a picture shows: ground, shadow, metal, loss or later work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.motifs.copies import Grid, near
from fragkit.motifs.damage import Odds, damage_odds, looks_of, thinning
from fragkit.motifs.details import WHOLE
from fragkit.motifs.learning import Sheet
from fragkit.motifs.mixture import FOREIGN, GROUND, METAL, SHADOW, Surfaces, clamp, foreign_of, undamaged
from fragkit.motifs.neighbourhood import block_px, damage_goes_on
from fragkit.motifs.pattern import missed_pattern
from fragkit.motifs.reading import read_metal
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.strips import Strip, strips_of
from fragkit.motifs.tones import OPPONENT
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]
BoolArray = NDArray[np.bool_]

NOT_READ, GROUND_CODE, SHADOW_CODE, METAL_CODE, LOSS_CODE, LATER_CODE = range(6)
CRACK_MM = 0.6
"""Damage not twice as wide as this is a crack in the surface, not a loss of it."""
MARGIN_MM = 16.0
"""How far beyond its own rows a strip of the picture looks: what is damaged hangs together over less."""
BORDER_PX = 9
"""Width over which the tones on either side of a border are averaged."""
MOTIF_RATIO = 0.9
"""Where ground is no likelier than this, a motif would be."""
MOST_CHANNELS = 4
"""OpenCV moves so many layers at once."""
WELL_RATIO = 0.8
"""Ground is learned around motifs that show at least so much of themselves."""


@dataclass(frozen=True, eq=False)
class Read:
    """What the pixels of one picture show, by their own tones, loss and later work not yet parted.

    Attributes
    ----------
    codes : (h, w) uint8 array
        0 not read, 1 ground, 2 shadow, 3 metal, 4 foreign.
    beneath : (h, w) uint8 array
        0 not read, 1 ground, 2 shadow, 3 metal: what is there or was.
    own_percent, foreign_percent : (h, w) uint8 arrays
        Probability of what is beneath if nothing foreign lies there, and that something does.
    bare : (h, w) bool array
        Between the motifs: nothing but ground would be there.
    """

    codes: LabelArray
    beneath: LabelArray
    own_percent: LabelArray
    foreign_percent: LabelArray
    bare: BoolArray

    @classmethod
    def nothing(cls, shape: tuple[int, ...]) -> Read:
        empty = np.zeros(shape, np.uint8)
        return cls(empty, empty, empty, empty, np.zeros(shape, bool))

    def rows(self, rows: slice) -> Read:
        """What some rows show."""
        return Read(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, eq=False)
class Copied:
    """Copies of one picture.

    Attributes
    ----------
    xy_mm : (n, 2) array
        Their centres.
    layers : (n, rows, columns, 6) uint8 array
        From `detail`.
    common : (rows, columns, 2) uint8 array
        From `common_layers`.
    shade : (3,) array
        By how much shadow differs from ground, from `shade_of`.
    backs : (n, 2, rows, columns) array
        Fields in px of `grid` from a place of the copy to that of the straight motif.
    atlas : (3, rows, columns) array
        Shares of metal, shadow and ground in a typical copy.
    """

    xy_mm: FloatArray
    layers: LabelArray
    backs: Float32Array
    atlas: Float32Array
    common: LabelArray
    shade: Float32Array
    grid: Grid


def label_picture(sheet: Sheet, sites: Sequence[tuple[FloatArray, float]], copied: Copied, surfaces: Surfaces) -> Read:
    """What every pixel of a picture shows.

    Parameters
    ----------
    sites : sequence of (xy_mm, trust)
        Where motifs are, those of `copied` first, and how far the atlas is trusted there (0 to 1).
    """
    picture, places = sheet.picture, _places(sites, copied)
    strips = strips_of(
        picture.coverage.shape, margin_px=round(MARGIN_MM / picture.mm_per_px), multiple=_multiple(sheet)
    )
    within = between_motifs(sheet, reach_ratio=0.5)
    first = side_by_side(lambda strip: _first(strip, sheet, places, within, surfaces), strips)
    on_ground, found = (np.concatenate(layers) for layers in zip(*first, strict=True))
    pitch = picture.mm_per_px
    looks = looks_of(sheet.ratio, on_ground, pitch, strips)
    odds = damage_odds(looks, found, on_ground, _well_left(sheet), pitch)
    final = side_by_side(lambda strip: _by_tones(strip, sheet, places, on_ground, odds, surfaces), strips)
    beneath, percent, foreign, damaged = (np.concatenate(layers) for layers in zip(*final, strict=True))
    wide = cv2.morphologyEx(damaged, cv2.MORPH_OPEN, disc(CRACK_MM, sheet))
    lost = cv2.medianBlur(wide, 5) > 0
    sound = (on_ground, (beneath == METAL_CODE) & ~on_ground)
    lost = np.concatenate(side_by_side(lambda strip: _coarse_half_way(strip, lost, sound, sheet), strips))
    beneath[~picture.coverage] = NOT_READ
    codes = np.where(lost & picture.coverage, np.uint8(LOSS_CODE), beneath)
    return Read(codes, beneath, percent, foreign, on_ground)


def _multiple(sheet: Sheet) -> int:
    """Strips begin where blocks of pixels do, and pixels that stand for those around."""
    return int(np.lcm(thinning(sheet.picture.mm_per_px), block_px(sheet.picture.mm_per_px)))


def _places(sites: Sequence[tuple[FloatArray, float]], copied: Copied) -> Callable[[Picture], Float32Array]:
    """What gives the undamaged shares (3, h, w) of metal, shadow and ground in a part of a picture."""
    layers = {trust: cv2.merge(list(np.float32(trust) * copied.atlas[:GROUND])) for _, trust in sites}
    centres = np.array([xy_mm for xy_mm, _ in sites])
    bends = [*copied.backs, *[None] * (len(sites) - len(copied.backs))]

    def prior(picture: Picture) -> Float32Array:
        out = np.zeros((3, *picture.coverage.shape), np.float32)
        for k in near(picture, centres, copied.grid):
            _lay(out[:GROUND], layers[sites[k][1]], copied.grid.to_grid(picture, centres[k]), bends[k])
        np.subtract(1.0, out[METAL], out=out[GROUND])
        out[GROUND] -= out[SHADOW]
        np.clip(out[GROUND], 0.002, 1.0, out=out[GROUND])
        return out

    return prior


def _first(
    strip: Strip, sheet: Sheet, places: Callable[[Picture], Float32Array], within: BoolArray, surfaces: Surfaces
) -> tuple[BoolArray, Float32Array]:
    """Where (rows, w) bare ground would lie, and a first probability of damage at every few pixels of a strip."""
    part, pitch = sheet.rows(strip.outer), sheet.picture.mm_per_px
    prior, inside, step = places(part.picture), part.picture.coverage, thinning(pitch)
    on_ground = inside & (prior[GROUND] > 0.9) & within[strip.outer]
    thin = np.s_[..., ::step, ::step]
    like = surfaces.at(surfaces.boxes.sort(part.ratio[::step, ::step]))
    found = foreign_of(like, prior[thin], inside[thin], surfaces.foreign_ratio, pitch * step)
    return on_ground[strip.own], found[strip.every(step).own]


def _by_tones(
    strip: Strip,
    sheet: Sheet,
    places: Callable[[Picture], Float32Array],
    on_ground: BoolArray,
    odds: Odds,
    surfaces: Surfaces,
) -> tuple[LabelArray, LabelArray, LabelArray, LabelArray]:
    """Of a strip (rows, w): code and probability in hundredths of what is beneath, that of foreign surface, and where
    foreign surface is likelier than not."""
    part, pitch, share = sheet.rows(strip.outer), sheet.picture.mm_per_px, surfaces.foreign_ratio
    ratio, inside, prior = part.ratio, part.picture.coverage, places(part.picture)
    like = surfaces.at(surfaces.boxes.sort(ratio))
    like[FOREIGN] = np.where(on_ground[strip.outer], odds.at(strip.outer) * undamaged(like, prior), like[FOREIGN])
    found = foreign_of(like, prior, inside, share, pitch)
    like[FOREIGN] = damage_goes_on(like, found, prior, ratio, surfaces, pitch)
    like[FOREIGN] *= np.exp(missed_pattern(ratio, prior, surfaces, pitch) * (prior[GROUND] < MOTIF_RATIO))
    if part.given is not None:
        like = clamp(like, part.given)
    foreign = foreign_of(like, prior, inside, share, pitch)[strip.own]
    own = like[:FOREIGN, strip.own]
    own *= prior[:, strip.own]
    own *= inside[strip.own] / np.maximum(own.sum(0), np.float32(1e-30))
    in_hundredths = np.rint(100.0 * foreign).astype(np.uint8)
    return (*_named(*own), in_hundredths, (foreign > 0.5).astype(np.uint8))


def in_detail(read: Read, parted: LabelArray, sheet: Sheet, copied: Copied) -> tuple[LabelArray, LabelArray]:
    """Codes (h, w) of the sheet's fine picture, and the probability of each in hundredths.

    Parameters
    ----------
    parted : (rows, columns) uint8 array
        The codes of `read`, later work parted from loss.
    """
    strips = strips_of(parted.shape, margin_px=BORDER_PX + 3, multiple=1)
    parts = side_by_side(lambda strip: _detailed(strip, read.rows(strip.outer), parted, sheet, copied), strips)
    codes, percent = (np.concatenate(layers) for layers in zip(*parts, strict=True))
    return codes, percent


def _detailed(
    strip: Strip, read: Read, parted: LabelArray, sheet: Sheet, copied: Copied
) -> tuple[LabelArray, LabelArray]:
    """Codes and probabilities of a strip, which `read` shows with what is round it."""
    part, parted = sheet.rows(strip.outer), parted[strip.outer]
    shape = part.fine.coverage.shape
    beneath, own = (as_fine(layer, shape, sheet.step) for layer in (read.beneath, read.own_percent))
    _draw(beneath, own, part, copied)
    lost = (parted >= LOSS_CODE).astype(np.uint8)
    around = np.asarray(cv2.dilate(parted * lost, np.ones((5, 5), np.uint8)))
    damage = as_fine(np.where(lost > 0, parted, around), shape, sheet.step)
    is_lost = as_fine(lost * np.uint8(WHOLE), shape, sheet.step, smooth=True) > WHOLE // 2
    if lost.any() and lost.shape != shape:
        is_lost = _to_half_way(is_lost, lost > 0, read.bare, part)
    foreign = as_fine(read.foreign_percent, shape, sheet.step, smooth=True)
    codes = np.where(is_lost, damage, beneath)
    percent = np.where(is_lost, foreign, np.asarray(cv2.multiply(own, 100 - foreign, scale=0.01)))
    codes[~part.fine.coverage] = NOT_READ
    percent[codes == NOT_READ] = 0
    stop = None if strip.outer.stop == strip.inner.stop else strip.own.stop * sheet.step
    kept = slice(strip.own.start * sheet.step, stop)
    return codes[kept], percent[kept]


def _coarse_half_way(strip: Strip, lost: BoolArray, sound: Sequence[BoolArray], sheet: Sheet) -> BoolArray:
    """Damage of a strip (rows, w) with its border half-way on each sound surface (h, w), ground or leaf, in turn."""
    damage, part = np.ascontiguousarray(lost[strip.outer]), sheet.rows(strip.outer)
    for surface in sound:
        damage = _to_half_way(damage, damage, np.ascontiguousarray(surface[strip.outer]), part)
    return damage[strip.own]


def _draw(beneath: LabelArray, percent: LabelArray, sheet: Sheet, copied: Copied) -> None:
    """The copies' own shares (all but bare ground) put into what is beneath (h, w) and its probability."""
    shares = np.zeros((2, *beneath.shape), np.uint8)
    for k in near(sheet.fine, copied.xy_mm, copied.grid):
        layers = _stacked(copied.layers[k], copied.common)
        laid = _placed(layers, copied.grid.to_grid(sheet.fine, copied.xy_mm[k]), copied.backs[k], beneath.shape)
        if laid is None:
            continue
        window, placed = laid
        metal = read_metal(
            placed, np.asarray(cv2.transform(_ratios(sheet, window), OPPONENT), np.float32), copied.shade
        )
        bared = cv2.multiply(cv2.subtract(placed[..., 0], metal), placed[..., 7], scale=1.0 / WHOLE)
        shadow = cv2.min(cv2.add(placed[..., 1], bared), np.uint8(WHOLE) - metal)
        for whole, part in zip(shares, (metal, shadow), strict=True):
            np.maximum(whole[window], part, out=whole[window])
    there = cv2.max(*shares) > 2
    metal, shadow = (layer[there].astype(np.float32) for layer in shares)
    beneath[there], percent[there] = _named(metal, shadow, np.maximum(WHOLE - metal - shadow, np.float32(0.5)))


def _named(metal: Float32Array, shadow: Float32Array, ground: Float32Array) -> tuple[LabelArray, LabelArray]:
    """Code of the surface (...) with the largest share, and this share of all three in hundredths."""
    total = np.maximum(metal + shadow + ground, np.float32(1e-6))
    is_metal = metal > 0.5 * total
    is_shadow = ~is_metal & (shadow > ground)
    codes = np.where(is_metal, np.uint8(METAL_CODE), np.where(is_shadow, np.uint8(SHADOW_CODE), np.uint8(GROUND_CODE)))
    best = np.where(is_metal, metal, np.where(is_shadow, shadow, ground))
    return codes, np.rint(100.0 * best / total).astype(np.uint8)


def _to_half_way(lost: BoolArray, coarse: BoolArray, bare: BoolArray, sheet: Sheet) -> BoolArray:
    """Damage (h, w) with its border on a `bare` surface where the tone is half-way between those on either side.

    It is that of the sheet's picture, `coarse`, or the same enlarged to its fine picture.
    Ground varies less than damage, so that of the mixed pixels on a border most look damaged; leaf varies more.
    """
    step, kernel = max(1, lost.shape[0] // coarse.shape[0]), np.ones((3, 3), np.uint8)
    damage = lost.view(np.uint8)
    band = (cv2.dilate(damage, kernel, iterations=step) > 0) & (cv2.erode(damage, kernel, iterations=2 * step) == 0)
    band &= as_fine(bare.view(np.uint8), lost.shape, step) > 0
    places = np.divmod(np.flatnonzero(band), band.shape[1])
    at = tuple(np.minimum(k // step, side - 1) for k, side in zip(places, coarse.shape, strict=True))
    known, inner, outer = _sides(coarse, bare, sheet.ratio, at)
    across = outer - inner
    tone = sheet.ratio[at] if step == 1 else _tone(sheet, places)
    along = np.einsum("nc,nc->n", tone - inner, across) / np.maximum(np.einsum("nc,nc->n", across, across), 1e-6)
    out = lost.copy()
    out[places] = np.where(known, along < 0.5, lost[places])
    return np.asarray(cv2.medianBlur(out.view(np.uint8), 3) > 0)


def _ratios(sheet: Sheet, window: tuple[slice, slice]) -> Float32Array:
    """Ratios (h, w, 3) to the ground in a window of the fine picture."""
    if sheet.step == 1:
        return np.ascontiguousarray(sheet.ratio[window])
    row, column = (np.arange(k.start, k.stop) for k in window)
    return np.asarray(sheet.fine.pixels[window] * _gain(sheet, row[:, None], column[None]), np.float32)


def _tone(sheet: Sheet, places: tuple[NDArray[Any], ...]) -> Float32Array:
    """Ratios (n, 3) to the ground at some pixels of the fine picture."""
    return np.asarray(sheet.fine.pixels[places] * _gain(sheet, *places), np.float32)


def _gain(sheet: Sheet, row: NDArray[Any], column: NDArray[Any]) -> Float32Array:
    """What makes pixels of the fine picture ratios to the ground (..., 3), at some rows and columns."""
    assert sheet.light is not None
    frame, gain = sheet.light.frame, sheet.light.gain
    step = round(frame.mm_per_px / sheet.fine.mm_per_px)
    above = round((frame.origin_mm[1] - sheet.fine.origin_mm[1]) / sheet.fine.mm_per_px + 0.5 * (step - 1))
    return gain[np.minimum((row + above) // step, len(gain) - 1), np.minimum(column // step, gain.shape[1] - 1)]


def _sides(
    lost: BoolArray, bare: BoolArray, ratio: Float32Array, at: tuple[NDArray[Any], ...]
) -> tuple[BoolArray, Float32Array, Float32Array]:
    """Whether damage and sound ground are near some pixels (n,), and the mean tones (n, 3) of both."""
    kernel, square = np.ones((3, 3), np.uint8), (BORDER_PX, BORDER_PX)
    cores = [cv2.erode(lost.view(np.uint8), kernel), cv2.erode((~lost).view(np.uint8), kernel, iterations=2) * bare]
    tones, known = [], np.ones(len(at[0]), bool)
    for core in cores:
        near = cv2.blur(core.astype(np.float32), square)[at]
        tones.append(cv2.blur(cv2.copyTo(ratio, core), square)[at] / np.maximum(near, 1e-3)[:, None])
        known &= near > 0.02
    return known, tones[0], tones[1]


def _lay(out: NDArray[Any], layers: NDArray[Any], to_grid: FloatArray, back: Float32Array | None) -> None:
    """Layers (rows, columns, k) of a copy on a grid laid onto those (k, h, w) of the picture; where copies meet the
    larger value stays."""
    laid = _placed(layers, to_grid, back, out.shape[1:])
    if laid is not None:
        window, placed = laid
        for whole, part in zip(out, cv2.split(placed), strict=True):
            np.maximum(whole[window], part, out=whole[window])


def _placed(
    layers: NDArray[Any], to_grid: FloatArray, back: Float32Array | None, shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], NDArray[Any]] | None:
    """The window of a picture (h, w) that a copy on a grid covers, and its layers there; None if it lies beyond."""
    matrix = cv2.invertAffineTransform(to_grid)
    corners = matrix @ np.array([[0, layers.shape[1]], [0, layers.shape[0]], [1, 1]], float)
    left, top = np.maximum(np.floor(corners[:, 0]).astype(int), 0)
    right, bottom = np.minimum(np.ceil(corners[:, 1]).astype(int) + 1, shape[::-1])
    if right <= left or bottom <= top:
        return None
    matrix[:, 2] -= (left, top)
    size, window = (int(right - left), int(bottom - top)), np.s_[top:bottom, left:right]
    if back is None:
        return window, cv2.warpAffine(layers, matrix, size)
    scale, (x, y) = np.float32(to_grid[0, 0]), (to_grid @ [left, top, 1.0]).astype(np.float32)
    places = cv2.warpAffine(cv2.merge(list(back)), matrix, size, borderMode=cv2.BORDER_REPLICATE)
    columns, rows = cv2.split(places)
    columns += scale * np.arange(size[0], dtype=np.float32) + x
    rows += (scale * np.arange(size[1], dtype=np.float32) + y)[:, None]
    groups = [layers[..., k : k + MOST_CHANNELS] for k in range(0, layers.shape[2], MOST_CHANNELS)]
    placed = [cv2.remap(np.ascontiguousarray(k), columns, rows, cv2.INTER_LINEAR) for k in groups]
    return window, _stacked(*placed) if len(placed) > 1 else np.asarray(placed[0])


def _stacked(*parts: NDArray[Any]) -> NDArray[Any]:
    """Layers (h, w, k) of some arrays as those of one."""
    n = sum(part.shape[2] for part in parts)
    out = np.empty((*parts[0].shape[:2], n), parts[0].dtype)
    cv2.mixChannels(list(parts), [out], [place for k in range(n) for place in (k, k)])
    return out


def override(codes: LabelArray, given: LabelArray | None) -> LabelArray:
    """Codes with the user's labels wherever they are given (not 0)."""
    return codes if given is None else np.where(given != NOT_READ, given, codes).astype(np.uint8)


def disc(radius_mm: float, sheet: Sheet) -> NDArray[Any]:
    radius = max(1, round(radius_mm / sheet.picture.mm_per_px))
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))


def between_motifs(sheet: Sheet, *, reach_ratio: float) -> BoolArray:
    """The part of the picture (h, w) within the hull of the found motifs and a share of a cell round it."""
    picture, net = sheet.picture, sheet.centres.net
    hull = shapely.convex_hull(shapely.multipoints(picture.to_px(sheet.xy_mm)))
    hull = hull.buffer(1.0 + reach_ratio * float(np.sqrt(net.cell_area_mm2)) / picture.mm_per_px)
    corners = np.round(shapely.get_coordinates(hull)).astype(np.int32)
    return np.asarray(cv2.fillConvexPoly(np.zeros(picture.coverage.shape, np.uint8), corners, 1).astype(bool))


def _well_left(sheet: Sheet) -> BoolArray:
    """Whether (h, w) half of the motifs round each place, or the better half of them, shows well: there is ground."""
    picture, centres = sheet.picture, sheet.centres
    shown = np.where(centres.found, centres.visible_ratio, 0.0)
    least = min(WELL_RATIO, float(np.median(shown[centres.found])))
    good = shown >= least
    reach = round(0.5 * float(np.sqrt(centres.net.cell_area_mm2)) / picture.mm_per_px)
    out = np.zeros(picture.coverage.shape, np.uint8)
    for x, y in np.round(picture.to_px(centres.xy_mm[good])).astype(int):
        cv2.circle(out, (int(x), int(y)), reach, 1, -1)
    return out.astype(bool)
