"""What every pixel of a picture shows: ground, shadow, metal, loss or later work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.motifs.copies import Grid
from fragkit.motifs.damage import damage_odds, thinning
from fragkit.motifs.learning import Sheet
from fragkit.motifs.mixture import FOREIGN, GROUND, METAL, SHADOW, Surfaces, clamp, expect
from fragkit.motifs.neighbourhood import damage_goes_on
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
LabelArray = NDArray[np.uint8]
BoolArray = NDArray[np.bool_]

NOT_READ, GROUND_CODE, SHADOW_CODE, METAL_CODE, LOSS_CODE, LATER_CODE = range(6)
CRACK_MM = 0.6
"""Damage not twice as wide as this is a crack in the surface, not a loss of it."""
BORDER_PX = 9
"""Width over which the tones on either side of a border are averaged."""
WELL_RATIO = 0.8
"""Ground is learned around motifs that show at least so much of themselves."""


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


@dataclass(frozen=True, eq=False)
class Copied:
    """Copies of one picture.

    Attributes
    ----------
    shares : (2, n, rows, columns) array
        Of metal and shadow, straightened.
    backs : (n, 2, rows, columns) array
        Fields in px of `grid` from a place of the copy to that of the straight motif.
    atlas : (3, rows, columns) array
        Shares of metal, shadow and ground in a typical copy.
    """

    shares: Float32Array
    backs: Float32Array
    atlas: Float32Array
    grid: Grid


def label_picture(sheet: Sheet, sites: Sequence[tuple[FloatArray, float]], copied: Copied, surfaces: Surfaces) -> Read:
    """What every pixel of a picture shows.

    Parameters
    ----------
    sites : sequence of (xy_mm, trust)
        Where motifs are, those of `copied` first, and how far the atlas is trusted there (0 to 1).
    """
    picture, ratio = sheet.picture, sheet.ratio
    own_bends = [*copied.backs, *[None] * (len(sites) - len(copied.backs))]
    prior = _place(
        [(xy, trust * copied.atlas, back) for (xy, trust), back in zip(sites, own_bends, strict=True)],
        picture,
        copied.grid,
    )
    like = surfaces.at(surfaces.boxes.sort(ratio))
    inside, pitch, share = picture.coverage[None], picture.mm_per_px, surfaces.foreign_ratio
    step = thinning(pitch)
    thin = np.s_[..., ::step, ::step]
    _, foreign = expect(like[:, None][thin], prior[thin], inside[thin], share, pitch * step)
    on_ground = picture.coverage & (prior[GROUND] > 0.9) & between_motifs(sheet, reach_ratio=0.5)
    odds = damage_odds(ratio, foreign[0], on_ground, _well_left(sheet), pitch)
    like[FOREIGN] = np.where(on_ground, odds * (like[:3] * prior).sum(0), like[FOREIGN])
    _, foreign = expect(like[:, None], prior, inside, share, pitch)
    like[FOREIGN] = damage_goes_on(like, foreign[0], prior, ratio, surfaces, pitch)
    if sheet.given is not None:
        like = clamp(like, sheet.given)
    own, foreign = expect(like[:, None], prior, inside, share, pitch)
    wide = cv2.morphologyEx((foreign[0] > 0.5).astype(np.uint8), cv2.MORPH_OPEN, disc(CRACK_MM, sheet))
    own, lost = own[:, 0], cv2.medianBlur(wide, 5) > 0
    lost = _to_half_way(lost, on_ground & picture.coverage, ratio)
    copies = zip(sites, np.moveaxis(copied.shares, 1, 0), copied.backs, strict=False)
    divided = _place([(xy, pair, back) for (xy, _), pair, back in copies], picture, copied.grid)
    own = np.where(divided[GROUND] < 0.99, divided, own)
    own = own / np.maximum(own.sum(0), 1e-6)
    best = np.where(own[METAL] > 0.5, METAL, np.where(own[SHADOW] > own[GROUND], SHADOW, GROUND))
    codes = np.array([METAL_CODE, SHADOW_CODE, GROUND_CODE], np.uint8)[best]
    sure = np.take_along_axis(own, best[None], 0)[0] * (1.0 - foreign[0])
    codes[lost], sure[lost] = LOSS_CODE, foreign[0][lost]
    codes[~picture.coverage], sure[~picture.coverage] = NOT_READ, 0.0
    return Read(codes, sure)


def _to_half_way(lost: BoolArray, on_ground: BoolArray, ratio: Float32Array) -> BoolArray:
    """Damage with its border on the ground where the tone is half-way between those on either side.

    Ground varies less than damage, so that of the mixed pixels on a border most look damaged.
    """
    kernel = np.ones((3, 3), np.uint8)
    damage, sound = lost.astype(np.uint8), (~lost).astype(np.uint8)
    band = on_ground & (cv2.dilate(damage, kernel) > 0) & (cv2.erode(damage, kernel, iterations=2) == 0)
    cores = [cv2.erode(damage, kernel), cv2.erode(sound, kernel, iterations=2) * on_ground]
    near = [cv2.blur(core.astype(np.float32), (BORDER_PX, BORDER_PX)) for core in cores]
    tones = [
        cv2.blur(ratio * core[..., None], (BORDER_PX, BORDER_PX))[band] / np.maximum(share[band], 1e-3)[:, None]
        for core, share in zip(cores, near, strict=True)
    ]
    known = (near[0][band] > 0.02) & (near[1][band] > 0.02)
    step = tones[0] - tones[1]
    along = ((ratio[band] - tones[1]) * step).sum(1) / np.maximum((step**2).sum(1), 1e-6)
    out = lost.copy()
    out[band] = np.where(known, along > 0.5, lost[band])
    return np.asarray(cv2.medianBlur(out.astype(np.uint8), 3) > 0)


Layer = tuple[FloatArray, Float32Array, Float32Array | None]
"""Where a copy lies, its shares, and how it leads back to the straight motif."""


def _place(layers: Sequence[Layer], picture: Picture, grid: Grid) -> Float32Array:
    """Metal and shadow (2 or more layers) of copies on `grid` over the whole picture (3, h, w), the rest ground."""
    out = np.zeros((3, *picture.coverage.shape), np.float32)
    for xy_mm, copy, back in layers:
        _lay(out[:GROUND], copy[:GROUND], grid.to_grid(picture, xy_mm), back)
    out[GROUND] = np.clip(1.0 - out[METAL] - out[SHADOW], 0.002, 1.0)
    return out


def _lay(out: Float32Array, copy: Float32Array, to_grid: FloatArray, back: Float32Array | None) -> None:
    """Layers of a copy on a grid laid onto those (k, h, w) of the picture; where copies meet the larger value stays."""
    matrix = cv2.invertAffineTransform(to_grid)
    corners = matrix @ np.array([[0, copy.shape[2]], [0, copy.shape[1]], [1, 1]], float)
    left, top = np.maximum(np.floor(corners[:, 0]).astype(int), 0)
    right, bottom = np.minimum(np.ceil(corners[:, 1]).astype(int) + 1, out.shape[:0:-1])
    if right <= left or bottom <= top:
        return
    matrix[:, 2] -= (left, top)
    size = (int(right - left), int(bottom - top))
    if back is not None:
        scale, away = to_grid[0, 0], to_grid @ [left, top, 1.0]
        rows, columns = np.indices(size[::-1], np.float32)
        x, y = (cv2.warpAffine(layer, matrix, size, borderMode=cv2.BORDER_REPLICATE) for layer in back)
        x, y = x + np.float32(scale) * columns + np.float32(away[0]), y + np.float32(scale) * rows + np.float32(away[1])
    for whole, layer in zip(out, copy, strict=True):
        part = cv2.warpAffine(layer, matrix, size) if back is None else cv2.remap(layer, x, y, cv2.INTER_LINEAR)
        window = whole[top:bottom, left:right]
        np.maximum(window, part, out=window)


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
