"""What the copies share: the tones of the surfaces, the atlas, and better centres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.motifs.alignment import corrections, picture_shifts
from fragkit.motifs.centres import Centres
from fragkit.motifs.copies import Copies, Grid, covered, cut, cut_light, grid_over, regrid
from fragkit.motifs.damage import thinning
from fragkit.motifs.light import Light, in_blocks, light_of, shrink
from fragkit.motifs.mixture import GROUND, METAL, SHADOW, Surfaces, expect, learn, likelihood, start
from fragkit.motifs.reducing import reduced, reduced_labels
from fragkit.motifs.shares import Paints, paints_from
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
LabelArray = NDArray[np.uint8]

COARSE_MM, MIDDLE_MM = 1.0, 0.6
"""Grids: over the whole cell, to find the motif; over the motif, to learn and align."""
LABEL_MM = 0.65
"""Surfaces are told apart in pixels of at most this size where the picture has them: tones vary over more."""
MARGIN_MM = 3.5
FIRST_LOOK = 96
"""The motif is found, and the pictures brought to one centre, by about so many of the best copies."""
FEWEST_OF_PICTURE = 12
AGREE_RATIO, AGREE_ROUNDS, AGREED_MM = 0.04, 4, 0.08
"""Pictures are brought to one centre in at most so many rounds, each by at most this share of the repeat, until
what is left is small; the alignment of single copies takes care of that."""
LEAST_SHADOW = 0.02
"""A shadow covers at least this share of the metal's area."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """One picture, in ratios to its ground, with its found centres.

    Attributes
    ----------
    picture : Picture
        As fine as the surfaces are told apart.
    ratio : (h, w, 3) float32 array
        Of its pixels to the ground.
    xy_mm : (n, 2) array
        Centres of the copies.
    given : (h, w) uint8 array or None
        The user's labels.
    fine : Picture
        As fine as the motif is drawn.
    light : Light or None
        That makes its pixels ratios; None where no motif was found.
    """

    picture: Picture
    ratio: Float32Array
    centres: Centres
    xy_mm: FloatArray
    given: LabelArray | None
    fine: Picture
    light: Light | None

    def parts(self, n: int) -> list[Sheet]:
        """The sheet with `n` of its copies at most, once for each of an even number of groups; no sheet if there are
        none."""
        n_pairs = -(-len(self.xy_mm) // (2 * n))
        return [replace(self, xy_mm=own) for own in np.array_split(self.xy_mm, max(2 * n_pairs, 1)) if len(own)]

    @property
    def step(self) -> int:
        """Pixels of the fine picture in the side of one of the picture's."""
        return max(1, self.fine.coverage.shape[0] // self.picture.coverage.shape[0])

    @property
    def thinning(self) -> int:
        """Every how many-th row and column of its picture tells what lies about a place."""
        return thinning(self.picture.mm_per_px)

    def rows(self, rows: slice) -> Sheet:
        """The sheet with some rows of its picture; the last ones hold what is left of the fine picture below."""
        given = None if self.given is None else self.given[rows]
        picture, fine = _rows_of(self.picture, rows), _rows_of(self.fine, self.fine_rows(rows))
        return replace(self, picture=picture, ratio=self.ratio[rows], given=given, fine=fine)

    def fine_rows(self, rows: slice) -> slice:
        """Rows of the fine picture, of some of the picture's; the last ones hold what is left below."""
        is_last = rows.stop >= self.picture.coverage.shape[0]
        return slice(rows.start * self.step, self.fine.coverage.shape[0] if is_last else rows.stop * self.step)


@dataclass(frozen=True, eq=False)
class Learned:
    """What the copies share: tones of the surfaces, atlas (3, h, w) on `grid`, mean paint and noise."""

    surfaces: Surfaces
    atlas: Float32Array
    grid: Grid
    paints: Paints


def _rows_of(picture: Picture, rows: slice) -> Picture:
    below_mm = rows.start * picture.mm_per_px * np.array([0.0, 1.0])
    pixels, coverage = picture.pixels[rows], picture.coverage[rows]
    return replace(picture, pixels=pixels, coverage=coverage, origin_mm=picture.origin_mm - below_mm)


def open_sheet(fine: Picture, centres: Centres, given: LabelArray | None) -> Sheet:
    step = max(1, int(LABEL_MM / fine.mm_per_px + 1e-6))
    picture = reduced(fine, step)
    labels = given if given is None or step == 1 else reduced_labels(given, step)
    if not np.any(centres.found):
        ratio = np.ones((*picture.coverage.shape, 3), np.float32)
        return Sheet(picture, ratio, centres, np.empty((0, 2)), labels, fine, None)
    light = light_of(picture, centres)
    return Sheet(picture, light.ratios(picture.pixels), centres, centres.xy_mm[centres.found], labels, fine, light)


def learn_copies(sheets: Sequence[Sheet]) -> tuple[list[Sheet], Learned]:
    """Sheets with corrected centres, and what was learned from their copies."""
    shifts, surfaces, atlas, grid = _first_look([_reduced(sheet, len(sheets)) for sheet in sheets])
    sheets = [replace(sheet, xy_mm=sheet.xy_mm + shift) for sheet, shift in zip(sheets, shifts, strict=True)]
    pitch = grid.mm_per_px
    half = np.arange(sum(len(s.xy_mm) for s in sheets)) % 2 == 0
    cov = np.concatenate([s.centres.cov_mm2[s.centres.found] for s in sheets])
    for n_steps in (3, 2):
        copies = cut_copies(sheets, grid)
        surfaces, atlas = learn(surfaces, atlas, copies, n_steps=n_steps)
        own, _ = expect(likelihood(surfaces, copies), atlas, copies.inside, surfaces.foreign_ratio, pitch)
        sheets = _moved(sheets, corrections(own, cov, mm_per_px=pitch, half=half))
    return sheets, Learned(surfaces, atlas, grid, paints_from(own, copies.colours))


def _reduced(sheet: Sheet, n_sheets: int) -> Sheet:
    """The sheet in block means of about `COARSE_MM`, with the copies that show most."""
    picture = sheet.picture
    step = max(1, int(COARSE_MM / picture.mm_per_px + 1e-6))
    coverage = shrink(picture.coverage.astype(np.float32), step) > 0.999
    frame = in_blocks(picture, step, picture.pixels[::step, ::step], coverage)
    shown = sheet.centres.visible_ratio[sheet.centres.found]
    best = np.sort(np.argsort(-shown, kind="stable")[: max(FEWEST_OF_PICTURE, FIRST_LOOK // n_sheets)])
    given = None if sheet.given is None else sheet.given[step // 2 :: step, step // 2 :: step]
    return replace(sheet, picture=frame, ratio=shrink(sheet.ratio, step), xy_mm=sheet.xy_mm[best], given=given)


def _first_look(small: list[Sheet]) -> tuple[list[FloatArray], Surfaces, Float32Array, Grid]:
    """A shift for each sheet, first surfaces and atlas, and the grid over the motif and a margin of ground."""
    cell = _cell_grid(small[0].centres)
    copies = cut_copies(small, cell)
    surfaces, atlas = learn(*start(copies), copies, n_steps=3)
    coarse = _extent(atlas, copies, cell, COARSE_MM)
    moved, surfaces, atlas = _agree_on_centre(small, surfaces, regrid(atlas, cell, coarse), coarse)
    copies = cut_copies(moved, coarse)
    surfaces, atlas = _without_rim(*learn(surfaces, atlas, copies, n_steps=2))
    middle = _extent(atlas, copies, coarse, MIDDLE_MM)
    shifts = [
        (new.xy_mm - old.xy_mm)[0] if len(old.xy_mm) else np.zeros(2) for new, old in zip(moved, small, strict=True)
    ]
    return shifts, surfaces, regrid(atlas, coarse, middle), middle


def _agree_on_centre(
    sheets: list[Sheet], surfaces: Surfaces, atlas: Float32Array, grid: Grid
) -> tuple[list[Sheet], Surfaces, Float32Array]:
    """The sheets with their centres brought to one point of the motif.

    Each picture's centres refer to a point that was learned from that picture alone; those points differ by up to
    a millimetre or two where shadow and tarnish show differently.
    """
    if sum(len(sheet.xy_mm) >= 3 for sheet in sheets) < 2:
        return sheets, surfaces, atlas
    picture = np.repeat(np.arange(len(sheets)), [len(sheet.xy_mm) for sheet in sheets])
    limit = AGREE_RATIO * float(min(np.hypot(*sheets[0].centres.net.a_mm), np.hypot(*sheets[0].centres.net.b_mm)))
    for _ in range(AGREE_ROUNDS):
        copies = cut_copies(sheets, grid)
        surfaces, atlas = learn(surfaces, atlas, copies, n_steps=1)
        own, _ = expect(likelihood(surfaces, copies), atlas, copies.inside, surfaces.foreign_ratio, COARSE_MM)
        shifts = picture_shifts(own, picture, mm_per_px=COARSE_MM, limit_mm=limit)
        sheets = _moved(sheets, shifts)
        if np.abs(shifts).max() < AGREED_MM:
            break
    return sheets, surfaces, atlas


def _cell_grid(centres: Centres) -> Grid:
    """A coarse grid over the whole cell of the net."""
    reach = np.abs(centres.net.a_mm) / 2.0 + np.abs(centres.net.b_mm) / 2.0
    return grid_over(COARSE_MM, -reach, reach)


def cut_copies(sheets: Sequence[Sheet], grid: Grid, bends: Float32Array | None = None) -> Copies:
    """The copies of all sheets on `grid`; those of one sheet cut along their bends if these are given.

    Where the grid is finer than the sheet's picture, tones are those of its fine picture.
    """
    own_cell = _own_cell(grid, sheets[0].centres)
    colours, inside, labels = [], [], []
    for sheet in sheets:
        colours.append(_tones(sheet, grid, bends))
        inside.append(covered(sheet.picture, sheet.xy_mm, grid, bends=bends))
        given = np.zeros((len(sheet.xy_mm), *grid.shape), np.uint8)
        if sheet.given is not None:
            given = cut(sheet.given, sheet.picture, sheet.xy_mm, grid, beyond=0.0, bends=bends)
        labels.append(given)
    stack, seen = _joined(colours), _joined(inside) & own_cell
    stack[~seen] = 1.0
    return Copies(colours=stack, inside=seen, given=_joined(labels), mm_per_px=grid.mm_per_px)


def _joined(parts: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Parts put together along their first axis; a single one as it is."""
    return np.concatenate(parts) if len(parts) > 1 else parts[0]


def _tones(sheet: Sheet, grid: Grid, bends: Float32Array | None) -> Float32Array:
    """Ratios (n, rows, columns, 3) of the copies to their ground."""
    if sheet.light is None or grid.mm_per_px > 0.99 * sheet.picture.mm_per_px or sheet.fine is sheet.picture:
        return np.asarray(cut(sheet.ratio, sheet.picture, sheet.xy_mm, grid, beyond=1.0, bends=bends))
    values = cut(sheet.fine.pixels, sheet.fine, sheet.xy_mm, grid, beyond=0.0, bends=bends)
    gains = cut_light(sheet.light.gain, sheet.light.frame, sheet.xy_mm, grid, beyond=1.0)
    return np.multiply(values, gains, out=gains)


def _own_cell(grid: Grid, centres: Centres) -> BoolArray:
    """Places of the grid that are nearer to the centre than to any other site of the net."""
    x, y = np.meshgrid(*grid.offsets_mm())
    a, b = centres.net.a_mm, centres.net.b_mm
    neighbours = [i * a + j * b for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    return np.all([2.0 * (x * v[0] + y * v[1]) <= v @ v for v in neighbours], axis=0)


def _extent(atlas: Float32Array, copies: Copies, grid: Grid, mm_per_px: float) -> Grid:
    """The grid of `mm_per_px` that covers the motif of the atlas and a margin of ground."""
    motif = (atlas[GROUND] < 0.5) & copies.inside.any(axis=0)
    metal = (atlas[METAL] > 0.5) & motif
    if metal.sum() < 12:
        raise EstimationError(
            "No metal stands out from the ground.",
            found=f"{metal.sum() * COARSE_MM**2:.0f} mm² of uneven surface at the motif",
            needed="a motif that differs from its ground on most examples",
        )
    rows, columns = np.nonzero(motif)
    x, y = grid.offsets_mm()
    low = np.array([x[columns.min()], y[rows.max()]]) - MARGIN_MM
    high = np.array([x[columns.max()], y[rows.min()]]) + MARGIN_MM
    return grid_over(mm_per_px, np.minimum(low, -MARGIN_MM), np.maximum(high, MARGIN_MM))


def _without_rim(surfaces: Surfaces, atlas: Float32Array) -> tuple[Surfaces, Float32Array]:
    """No shadow, if what was taken for it is nowhere wider than the mixed pixels round the metal; and none, if what was
    taken for metal is such a rim of the shadow: then the motif is of one tone, and all of it metal."""
    bodies = [_body_px(atlas[layer]) for layer in (METAL, SHADOW)]
    if bodies[METAL] < LEAST_SHADOW * bodies[SHADOW]:
        order = [SHADOW, METAL, *range(GROUND, len(surfaces.density))]
        surfaces, atlas = replace(surfaces, density=surfaces.density[order]), atlas[order[: len(atlas)]]
    elif bodies[SHADOW] >= LEAST_SHADOW * (atlas[METAL] > 0.5).sum():
        return surfaces, atlas
    density = surfaces.density.copy()
    density[SHADOW] = 1e-9
    whole = atlas.copy()
    whole[METAL] += whole[SHADOW] * (whole[METAL] > whole[GROUND])
    whole[SHADOW] = 0.0
    return replace(surfaces, density=density), whole / whole.sum(0)


def _body_px(share: Float32Array) -> int:
    """Pixels of a layer (h, w) that is there, without what is narrower than two."""
    return int(cv2.morphologyEx((share > 0.5).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)).sum())


def _moved(sheets: Sequence[Sheet], shifts: FloatArray) -> list[Sheet]:
    ends = np.cumsum([len(s.xy_mm) for s in sheets])[:-1]
    parts = np.split(shifts, ends)
    return [replace(s, xy_mm=s.xy_mm + part) for s, part in zip(sheets, parts, strict=True)]
