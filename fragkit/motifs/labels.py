"""What every pixel of a picture shows: ground, shadow, metal, loss or later work."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.motifs.borders import BORDER_PX, fine_ratios, to_half_way
from fragkit.motifs.condition import Seen, condition_of, ground_textures, roughness_of, surroundings_of, textures_of
from fragkit.motifs.copies import Grid, near
from fragkit.motifs.damage import Odds, damage_odds, looks_of
from fragkit.motifs.details import WHOLE
from fragkit.motifs.learning import Sheet
from fragkit.motifs.mixture import FOREIGN, GROUND, METAL, SHADOW, Surfaces, clamp, damage_around, foreign_of, undamaged
from fragkit.motifs.pattern import missed_pattern
from fragkit.motifs.reading import NOT_LOOKED_AT, read_copy
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
MOST_ODDS, STEPS_A_NAT = 12.0, 10.0
"""How log odds of later work to loss are kept: up to so many nats, in so many steps each."""
MARGIN_MM = 24.0
"""How far beyond its own rows a strip of the picture looks: what is damaged hangs together over less. There, only what
every few pixels show is looked at."""
HALO_PX = 8
"""Blurs of single pixels reach no further."""
DRAWN_PX = 800_000
"""Strips of about so many pixels are drawn: copies on the borders of strips are drawn on either side."""
READ_PX = 16
"""A copy is read from no further than so many pixels of the fine picture."""
LEAST_LIKELY = np.float32(1e-20)
MOTIF_RATIO = 0.9
"""Where ground is no likelier than this, a motif would be."""
MOST_CHANNELS = 4
"""OpenCV moves so many layers at once."""
EVEN = 50
"""Hundredths above which foreign surface is likelier than not."""
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
    later : (h, w) int8 array
        Log odds of later work to loss, `STEPS_A_NAT` to one.
    bare : (h, w) bool array
        Between the motifs: nothing but ground would be there.
    """

    codes: LabelArray
    beneath: LabelArray
    own_percent: LabelArray
    foreign_percent: LabelArray
    later: NDArray[np.int8]
    bare: BoolArray

    @classmethod
    def nothing(cls, shape: tuple[int, ...]) -> Read:
        empty = np.zeros(shape, np.uint8)
        return cls(empty, empty, empty, empty, np.zeros(shape, np.int8), np.zeros(shape, bool))

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


@dataclass(frozen=True, eq=False)
class _Ground:
    """The ground of a picture: where it would lie bare (h, w), the odds of damage by its look, the undamaged shares
    (2, h, w) of metal and shadow, of 255, and textures (6, rows, columns) less what they are there."""

    where: BoolArray
    odds: Odds
    undamaged: LabelArray
    textures: Float32Array


@dataclass(frozen=True, eq=False)
class _Around:
    """What lies about the pixels of a strip, every few rows and columns: what is round each place as `surroundings_of`
    gives it, the prior of damage, and by how many nats the motif's pattern is missed."""

    wide: list[Float32Array]
    tones: dict[str, Float32Array]
    damage: Float32Array
    missed: Float32Array

    def rows(self, rows: slice) -> _Around:
        """What lies about some of the rows."""
        tones = {name: tone[rows] for name, tone in self.tones.items()}
        return _Around([layer[rows] for layer in self.wide], tones, self.damage[rows], self.missed[rows])


def label_picture(sheet: Sheet, sites: Sequence[tuple[FloatArray, float]], copied: Copied, surfaces: Surfaces) -> Read:
    """What every pixel of a picture shows.

    Parameters
    ----------
    sites : sequence of (xy_mm, trust)
        Where motifs are, those of `copied` first, and how far the atlas is trusted there (0 to 1).
    """
    picture, places = sheet.picture, _places(sites, copied)
    shape, step = picture.coverage.shape, sheet.thinning
    strips = strips_of(shape, margin_px=round(MARGIN_MM / picture.mm_per_px), multiple=step)
    ground = _ground(strips, sheet, places, surfaces)
    final = side_by_side(lambda strip: _final(strip, sheet, ground, surfaces), strips)
    beneath, percent, foreign, later = (np.concatenate(layers) for layers in zip(*final, strict=True))
    beneath[~picture.coverage] = NOT_READ
    codes = np.where((foreign > EVEN) & picture.coverage, np.uint8(LOSS_CODE), beneath)
    return Read(codes, beneath, percent, foreign, later, ground.where)


def _places(sites: Sequence[tuple[FloatArray, float]], copied: Copied) -> Callable[[Picture], LabelArray]:
    """What gives the undamaged shares (2, h, w) of metal and shadow, of 255, in a part of a picture."""
    layers = {trust: _whole_numbers(trust * copied.atlas[:GROUND]) for _, trust in sites}
    centres = np.array([xy_mm for xy_mm, _ in sites])
    bends = [*copied.backs, *[None] * (len(sites) - len(copied.backs))]

    def laid(picture: Picture) -> LabelArray:
        out = np.zeros((2, *picture.coverage.shape), np.uint8)
        for k in near(picture, centres, copied.grid):
            _lay(out, layers[sites[k][1]], copied.grid.to_grid(picture, centres[k]), bends[k])
        return out

    return laid


def _whole_numbers(shares: Float32Array) -> LabelArray:
    """Shares (2, rows, columns) as layers (rows, columns, 2), of 255."""
    return np.asarray(np.rint(WHOLE * np.moveaxis(shares, 0, -1)), np.uint8)


def _prior(undamaged: LabelArray) -> Float32Array:
    """Undamaged shares (3, h, w) of metal, shadow and ground, nowhere none of it, from those (2, h, w) of 255."""
    out = np.empty((3, *undamaged.shape[1:]), np.float32)
    np.multiply(undamaged, np.float32(1.0 / WHOLE), out=out[:GROUND])
    np.subtract(1.0, out[METAL], out=out[GROUND])
    out[GROUND] -= out[SHADOW]
    np.clip(out[GROUND], 0.002, 1.0, out=out[GROUND])
    return out


def _ground(
    strips: Sequence[Strip], sheet: Sheet, places: Callable[[Picture], LabelArray], surfaces: Surfaces
) -> _Ground:
    """The ground of a picture, learned where motifs show well."""
    pitch, step, within = sheet.picture.mm_per_px, sheet.thinning, between_motifs(sheet, reach_ratio=0.5)
    close = [_near(strip, sheet) for strip in strips]
    parts = side_by_side(lambda strip: _first(strip, sheet, places), close)
    undamaged, roughness = (np.concatenate([part[k] for part in parts], axis=1) for k in (0, 1))
    bare = cv2.add(undamaged[METAL], undamaged[SHADOW]) < (1.0 - MOTIF_RATIO) * WHOLE
    on_ground = sheet.picture.coverage & within & bare
    found = np.concatenate(side_by_side(lambda strip: _found(strip.every(step), sheet, undamaged, surfaces), strips))
    textures = textures_of(roughness, pitch * step)
    textures -= ground_textures(textures, found, on_ground[::step, ::step])
    looks = looks_of(sheet.ratio, on_ground, pitch, close)
    return _Ground(on_ground, damage_odds(looks, found, on_ground, _well_left(sheet), pitch), undamaged, textures)


def _first(strip: Strip, sheet: Sheet, places: Callable[[Picture], LabelArray]) -> tuple[LabelArray, Float32Array]:
    """Undamaged shares of a strip, and its roughness."""
    step = sheet.thinning
    roughness = roughness_of(sheet.ratio[strip.outer], step)[:, strip.every(step).own]
    return places(sheet.rows(strip.inner).picture), roughness


def _near(strip: Strip, sheet: Sheet) -> Strip:
    """The rows of a strip and the few that blurs of single pixels reach."""
    step, height = sheet.thinning, sheet.picture.coverage.shape[0]
    halo = -(-HALO_PX // step) * step
    return Strip(strip.inner, slice(max(strip.inner.start - halo, 0), min(strip.inner.stop + halo, height)))


def _found(thin: Strip, sheet: Sheet, undamaged: LabelArray, surfaces: Surfaces) -> Float32Array:
    """A first probability of damage at every few rows and columns, by tone alone."""
    step, pitch = sheet.thinning, sheet.picture.mm_per_px
    ratio, inside = sheet.ratio[::step, ::step][thin.outer], sheet.picture.coverage[::step, ::step][thin.outer]
    like, prior = surfaces.at(surfaces.boxes.sort(ratio)), _prior(undamaged[:, ::step, ::step][:, thin.outer])
    around = damage_around(like, prior, inside, surfaces.foreign_ratio, pitch * step)
    return foreign_of(like, prior, inside, around)[thin.own]


def _around(strip: Strip, sheet: Sheet, ground: _Ground, surfaces: Surfaces) -> _Around:
    """What lies about the pixels of a strip, from every few rows and columns of what is round it."""
    step, pitch = sheet.thinning, sheet.picture.mm_per_px
    textures = ground.textures[:, strip.every(step).outer]
    thin = np.s_[: textures.shape[1] * step : step, : textures.shape[2] * step : step]
    part = sheet.rows(strip.outer)
    ratio, inside = np.ascontiguousarray(part.ratio[thin]), part.picture.coverage[thin]
    bare, by_look = ground.where[strip.outer][thin], ground.odds.at(strip.outer, thin)
    prior = _prior(ground.undamaged[:, strip.outer][:, *thin])
    like, nats = _judged(ratio, prior, bare, by_look, surfaces, None if part.given is None else part.given[thin])
    damage = damage_around(like, prior, inside, surfaces.foreign_ratio, pitch * step)
    missed = missed_pattern(ratio, prior, surfaces, pitch * step)
    found, known = foreign_of(like, prior, inside, damage), missed * (prior[GROUND] < MOTIF_RATIO)
    seen = Seen(ratio, prior, nats, known, found, bare, inside, pitch * step, 1)
    return _Around(*surroundings_of(seen, textures), damage, missed)


def _judged(
    ratio: Float32Array,
    prior: Float32Array,
    bare: BoolArray,
    by_look: Float32Array,
    surfaces: Surfaces,
    given: LabelArray | None,
) -> tuple[Float32Array, Float32Array]:
    """Densities (4, h, w) of the surfaces at some pixels, foreign ones by their look on bare ground; and `_nats`."""
    like, by_look = surfaces.at(surfaces.boxes.sort(ratio)), by_look * bare
    nats = _nats(like, prior, by_look)
    np.multiply(by_look, undamaged(like, prior), out=like[FOREIGN], where=bare)
    return like if given is None else clamp(like, given), nats


def _final(
    strip: Strip, sheet: Sheet, ground: _Ground, surfaces: Surfaces
) -> tuple[LabelArray, LabelArray, LabelArray, NDArray[np.int8]]:
    """Of a strip (rows, w): code and probability in hundredths of what is beneath, that of foreign surface, and log
    odds of later work to loss."""
    pitch, step, near = sheet.picture.mm_per_px, sheet.thinning, _near(strip, sheet)
    above = near.outer.start - strip.outer.start
    about = _around(strip, sheet, ground, surfaces).rows(
        slice(above // step, -(-(above + near.outer.stop - near.outer.start) // step))
    )
    part, bare = sheet.rows(near.outer), ground.where[near.outer]
    ratio, inside, prior = part.ratio, part.picture.coverage, _prior(ground.undamaged[:, near.outer])
    like, nats = _judged(ratio, prior, bare, ground.odds.at(near.outer), surfaces, part.given)
    damage, missed = (as_fine(layer, bare.shape, step, smooth=True) for layer in (about.damage, about.missed))
    found = foreign_of(like, prior, inside, damage)
    own = like[:FOREIGN, near.own] * prior[:, near.own]
    own *= inside[near.own] / np.maximum(own.sum(0), np.float32(1e-30))
    beneath, percent = _named(*own)
    del like, own  # a picture of 24 megapixels must not hold them all
    seen = Seen(ratio, prior, nats, missed * (prior[GROUND] < MOTIF_RATIO), found, bare, inside, pitch, step)
    foreign, later = condition_of(seen, about.wide, about.tones, near.own)
    if part.given is not None:
        given = part.given[near.own]
        foreign = np.where(given == NOT_READ, foreign, given >= LOSS_CODE)
    in_hundredths = np.rint(100.0 * foreign * inside[near.own]).astype(np.uint8)
    steps = np.rint(np.clip(later, -MOST_ODDS, MOST_ODDS) * np.float32(STEPS_A_NAT)).astype(np.int8)
    return beneath, percent, in_hundredths, steps


def _nats(like: Float32Array, prior: Float32Array, by_look: Float32Array) -> Float32Array:
    """Log odds (4, h, w) as in `Seen`."""
    out = np.empty((4, *by_look.shape), np.float32)
    pairs = ((FOREIGN, undamaged(like, prior)), (FOREIGN, like[GROUND]), (METAL, like[GROUND]))
    for layer, (surface, other) in zip(out[:3], pairs, strict=True):
        cv2.log(like[surface] / np.maximum(other, LEAST_LIKELY) + LEAST_LIKELY, layer)
    out[3] = 0.0
    np.log(by_look, out=out[3], where=by_look > 0.0)
    return out


@dataclass(frozen=True, eq=False)
class Fine:
    """What each pixel (h, w) of a fine picture shows, read with the copies on it.

    Attributes
    ----------
    beneath, percent : (h, w) uint8 arrays
        Code of what is there or was, and its probability in hundredths.
    damage : (h, w) uint8 array
        Probability in hundredths that something foreign lies there, by `read_copy`; `NOT_LOOKED_AT` off the motifs.
    """

    beneath: LabelArray
    percent: LabelArray
    damage: LabelArray

    def rows(self, rows: slice) -> Fine:
        """What some rows show."""
        return Fine(*(getattr(self, field.name)[rows] for field in fields(self)))


def drawn_on(read: Read, sheet: Sheet, copied: Copied) -> Fine:
    """What the sheet's fine picture shows: the copies' own shares, and between them what was read."""
    drawn = Fine(*np.empty((3, *sheet.fine.coverage.shape), np.uint8))

    def draw(strip: Strip) -> None:
        part = drawn.rows(sheet.fine_rows(strip.inner))
        for layer, coarse in ((part.beneath, read.beneath), (part.percent, read.own_percent)):
            layer[:] = as_fine(coarse[strip.inner], layer.shape, sheet.step)
        part.damage[:] = NOT_LOOKED_AT
        _draw(part, read.foreign_percent[strip.outer], sheet.rows(strip.outer), copied, strip.own.start * sheet.step)

    margin_px = -(-READ_PX // sheet.step)
    side_by_side(draw, strips_of(read.codes.shape, margin_px=margin_px, multiple=1, size_px=DRAWN_PX))
    return drawn


def in_detail(read: Read, parted: LabelArray, drawn: Fine, sheet: Sheet) -> tuple[LabelArray, LabelArray]:
    """Codes (h, w) of the sheet's fine picture, and the probability of each in hundredths, where `drawn` was.

    Parameters
    ----------
    parted : (rows, columns) uint8 array
        The codes of `read`, later work parted from loss.
    drawn : Fine
        From `drawn_on`.
    """

    def fill(strip: Strip) -> None:
        part = drawn.rows(sheet.fine_rows(strip.inner))
        _detail(part, strip, read.rows(strip.outer), parted[strip.outer], sheet)

    side_by_side(fill, strips_of(parted.shape, margin_px=BORDER_PX + 3, multiple=1, size_px=DRAWN_PX))
    return drawn.beneath, drawn.percent


def _detail(drawn: Fine, strip: Strip, read: Read, parted: LabelArray, sheet: Sheet) -> None:
    """Codes and probabilities of a strip, put into what is `drawn` on it; what is round it is read and parted, too."""
    part, codes, percent = sheet.rows(strip.outer), drawn.beneath, drawn.percent
    shape, top = part.fine.coverage.shape, strip.own.start * sheet.step
    kept, by_copy = slice(top, top + len(codes)), drawn.damage != NOT_LOOKED_AT
    lost = (parted >= LOSS_CODE).astype(np.uint8)
    around = np.asarray(cv2.dilate(parted * lost, np.ones((5, 5), np.uint8)))
    around[around == NOT_READ] = LOSS_CODE
    damage = as_fine(np.where(lost, parted, around), shape, sheet.step)[kept]
    is_lost = as_fine(lost * np.uint8(WHOLE), shape, sheet.step, smooth=True) > WHOLE // 2
    if lost.any() and lost.shape != shape:
        is_lost = to_half_way(is_lost, lost > 0, read.bare, part)
    foreign = as_fine(read.foreign_percent, shape, sheet.step, smooth=True)
    is_lost, foreign = (np.ascontiguousarray(layer[kept]) for layer in (is_lost, foreign))
    np.copyto(foreign, drawn.damage, where=by_copy)
    np.copyto(is_lost, drawn.damage > EVEN, where=by_copy)
    cv2.multiply(percent, 100 - foreign, dst=percent, scale=0.01)
    for layer, of_damage in ((percent, foreign), (codes, damage)):
        np.copyto(layer, of_damage, where=is_lost)
    codes[~part.fine.coverage[kept]] = NOT_READ
    percent[codes == NOT_READ] = 0


def _draw(drawn: Fine, foreign_percent: LabelArray, sheet: Sheet, copied: Copied, top: int) -> None:
    """The copies' own shares (all but bare ground), and whether they are damaged, put into what is drawn on some rows
    of a sheet's fine picture, from `top` on; what is foreign (rows, columns) was judged on all rows of the sheet."""
    shape = sheet.fine.coverage.shape
    own, shares = slice(top, top + len(drawn.damage)), np.zeros((2, *shape), np.uint8)
    damage, foreign = np.full(shape, NOT_LOOKED_AT), as_fine(foreign_percent, shape, sheet.step, smooth=True)
    for k in near(sheet.fine, copied.xy_mm, copied.grid):
        layers = _in_fours(copied.layers[k], copied.common)
        laid = _placed(layers, copied.grid.to_grid(sheet.fine, copied.xy_mm[k]), copied.backs[k], shape)
        if laid is None:
            continue
        window, placed = laid
        looks = np.asarray(cv2.transform(fine_ratios(sheet, window), OPPONENT), np.float32)
        metal, damaged = read_copy(placed, looks, copied.shade, foreign[window])
        bared = cv2.multiply(cv2.subtract(placed[0], metal), placed[7], scale=1.0 / WHOLE)
        shadow = cv2.min(cv2.add(placed[1], bared), np.uint8(WHOLE) - metal)
        for whole, part in zip(shares, (metal, shadow), strict=True):
            np.maximum(whole[window], part, out=whole[window])
        np.minimum(damage[window], damaged, out=damage[window])
    drawn.damage[:] = damage[own]
    there = cv2.max(*shares[:, own]) > 2
    metal, shadow = (layer[there].astype(np.float32) for layer in shares[:, own])
    ground = np.maximum(WHOLE - metal - shadow, np.float32(0.5))
    drawn.beneath[there], drawn.percent[there] = _named(metal, shadow, ground)


def _named(metal: Float32Array, shadow: Float32Array, ground: Float32Array) -> tuple[LabelArray, LabelArray]:
    """Code of the surface (...) with the largest share, and this share of all three in hundredths."""
    total = np.maximum(metal + shadow + ground, np.float32(1e-6))
    is_metal = metal > 0.5 * total
    is_shadow = ~is_metal & (shadow > ground)
    codes = np.where(is_metal, np.uint8(METAL_CODE), np.where(is_shadow, np.uint8(SHADOW_CODE), np.uint8(GROUND_CODE)))
    best = np.where(is_metal, metal, np.where(is_shadow, shadow, ground))
    return codes, np.rint(100.0 * best / total).astype(np.uint8)


def _lay(out: NDArray[Any], layers: LabelArray, to_grid: FloatArray, back: Float32Array | None) -> None:
    """Layers (rows, columns, k) of a copy on a grid laid onto those (k, h, w) of the picture; where copies meet the
    larger value stays."""
    laid = _placed([layers], to_grid, back, out.shape[1:])
    if laid is not None:
        window, placed = laid
        for whole, part in zip(out, placed, strict=True):
            np.maximum(whole[window], part, out=whole[window])


def _placed(
    layers: Sequence[LabelArray], to_grid: FloatArray, back: Float32Array | None, shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], list[NDArray[Any]]] | None:
    """The window of a picture (h, w) that a copy on a grid covers, and each of its layers there; None if it lies
    beyond. `layers` (rows, columns, k) hold a few each."""
    matrix, (rows, columns) = cv2.invertAffineTransform(to_grid), layers[0].shape[:2]
    corners = matrix @ np.array([[0, columns], [0, rows], [1, 1]], float)
    left, top = np.maximum(np.floor(corners[:, 0]).astype(int), 0)
    right, bottom = np.minimum(np.ceil(corners[:, 1]).astype(int) + 1, shape[::-1])
    if right <= left or bottom <= top:
        return None
    matrix[:, 2] -= (left, top)
    size, window = (int(right - left), int(bottom - top)), np.s_[top:bottom, left:right]
    if back is None:
        return window, [plane for few in layers for plane in cv2.split(cv2.warpAffine(few, matrix, size))]
    scale, (x, y) = np.float32(to_grid[0, 0]), (to_grid @ [left, top, 1.0]).astype(np.float32)
    places = cv2.warpAffine(cv2.merge(list(back)), matrix, size, borderMode=cv2.BORDER_REPLICATE)
    across, down = cv2.split(places)
    across += scale * np.arange(size[0], dtype=np.float32) + x
    down += (scale * np.arange(size[1], dtype=np.float32) + y)[:, None]
    return window, [plane for few in layers for plane in cv2.split(cv2.remap(few, across, down, cv2.INTER_LINEAR))]


def _in_fours(*parts: LabelArray) -> list[LabelArray]:
    """Layers (h, w, k) of some arrays, together a multiple of four, as arrays of four layers each."""
    n = sum(part.shape[2] for part in parts)
    out = [np.empty((*parts[0].shape[:2], MOST_CHANNELS), np.uint8) for _ in range(0, n, MOST_CHANNELS)]
    cv2.mixChannels(list(parts), out, [place for k in range(n) for place in (k, k)])
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
