"""What the copies share: the tones of the surfaces, the atlas, and better centres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.motifs.alignment import corrections, picture_shifts
from fragkit.motifs.centres import Centres
from fragkit.motifs.copies import Copies, Grid, cut, grid_over, regrid
from fragkit.motifs.edges import Paints, paints_from
from fragkit.motifs.light import divide_by_ground, shrink
from fragkit.motifs.mixture import GROUND, METAL, SHADOW, Surfaces, expect, learn, likelihood, start
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
LabelArray = NDArray[np.uint8]

COARSE_MM, MIDDLE_MM = 1.0, 0.6
"""Grids: over the whole cell, to find the motif; over the motif, to learn and align."""
MARGIN_MM = 5.0
AGREE_RATIO, AGREE_ROUNDS, AGREED_MM = 0.04, 4, 0.08
"""Pictures are brought to one centre in at most so many rounds, each by at most this share of the repeat, until
what is left is small; the alignment of single copies takes care of that."""
LEAST_SHADOW = 0.02
"""A shadow covers at least this share of the metal's area."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """One picture, in ratios to its ground, with its found centres."""

    picture: Picture
    ratio: Float32Array
    centres: Centres
    xy_mm: FloatArray
    given: LabelArray | None


@dataclass(frozen=True, eq=False)
class Learned:
    """What the copies share: tones of the surfaces, atlas (3, h, w) on `grid`, mean paint and noise."""

    surfaces: Surfaces
    atlas: Float32Array
    grid: Grid
    paints: Paints


def open_sheet(picture: Picture, centres: Centres, given: LabelArray | None) -> Sheet:
    if not np.any(centres.found):
        return Sheet(picture, np.ones((*picture.coverage.shape, 3), np.float32), centres, np.empty((0, 2)), given)
    return Sheet(picture, divide_by_ground(picture, centres), centres, centres.xy_mm[centres.found], given)


def learn_copies(sheets: Sequence[Sheet]) -> tuple[list[Sheet], Learned]:
    """Sheets with corrected centres, and what was learned from their copies."""
    sheets = _agree_on_centre(list(sheets))
    surfaces, atlas, grid = _find_extent(sheets)
    pitch = grid.mm_per_px
    half = np.arange(sum(len(s.xy_mm) for s in sheets)) % 2 == 0
    cov = np.concatenate([s.centres.cov_mm2[s.centres.found] for s in sheets])
    for n_steps in (5, 3):
        copies = cut_copies(sheets, grid)
        surfaces, atlas = learn(surfaces, atlas, copies, n_steps=n_steps)
        own, _ = expect(likelihood(surfaces, copies), atlas, copies.inside, surfaces.foreign_ratio, pitch)
        sheets = _moved(sheets, corrections(own, cov, mm_per_px=pitch, half=half))
    return sheets, Learned(surfaces, atlas, grid, paints_from(own, copies.colours))


def _agree_on_centre(sheets: list[Sheet]) -> list[Sheet]:
    """The sheets with their centres brought to one point of the motif.

    Each picture's centres refer to a point that was learned from that picture alone; those points differ by up to
    a millimetre or two where shadow and tarnish show differently.
    """
    if sum(len(sheet.xy_mm) >= 3 for sheet in sheets) < 2:
        return sheets
    grid = _cell_grid(sheets[0].centres)
    picture = np.repeat(np.arange(len(sheets)), [len(sheet.xy_mm) for sheet in sheets])
    limit = AGREE_RATIO * float(min(np.hypot(*sheets[0].centres.net.a_mm), np.hypot(*sheets[0].centres.net.b_mm)))
    copies = cut_copies(sheets, grid, COARSE_MM)
    surfaces, atlas = learn(*start(copies), copies, n_steps=3)
    for _ in range(AGREE_ROUNDS):
        own, _ = expect(likelihood(surfaces, copies), atlas, copies.inside, surfaces.foreign_ratio, COARSE_MM)
        shifts = picture_shifts(own, picture, mm_per_px=COARSE_MM, limit_mm=limit)
        sheets = _moved(sheets, shifts)
        if np.abs(shifts).max() < AGREED_MM:
            break
        copies = cut_copies(sheets, grid, COARSE_MM)
        surfaces, atlas = learn(surfaces, atlas, copies, n_steps=1)
    return sheets


def _cell_grid(centres: Centres) -> Grid:
    """A coarse grid over the whole cell of the net."""
    reach = np.abs(centres.net.a_mm) / 2.0 + np.abs(centres.net.b_mm) / 2.0
    return grid_over(COARSE_MM, -reach, reach)


def cut_copies(sheets: Sequence[Sheet], grid: Grid, step_mm: float = 0.0) -> Copies:
    """The copies of all sheets on `grid`, from means over `step_mm` if that is above a pixel."""
    own_cell = _own_cell(grid, sheets[0].centres)
    colours, labels = [], []
    for sheet in sheets:
        step = max(1, int(step_mm / sheet.picture.mm_per_px + 1e-6))
        masked = np.where(sheet.picture.coverage[..., None], sheet.ratio, np.float32("nan"))
        colours.append(cut(shrink(masked, step), _shrunk(sheet.picture, step), sheet.xy_mm, grid))
        given = np.zeros(sheet.picture.coverage.shape, np.float32) if sheet.given is None else sheet.given
        labels.append(np.nan_to_num(cut(given.astype(np.float32), sheet.picture, sheet.xy_mm, grid, smooth=False)))
    stack = np.concatenate(colours)
    inside = np.isfinite(stack).all(axis=3) & own_cell
    stack[~inside] = 1.0
    return Copies(
        colours=stack,
        inside=inside,
        given=np.concatenate(labels).astype(np.uint8),
        mm_per_px=grid.mm_per_px,
    )


def _shrunk(picture: Picture, step: int) -> Picture:
    """The frame of the picture's block means."""
    shift = (step - 1) / 2.0 * picture.mm_per_px * np.array([1.0, -1.0])
    return replace(picture, mm_per_px=picture.mm_per_px * step, origin_mm=picture.origin_mm + shift)


def _own_cell(grid: Grid, centres: Centres) -> BoolArray:
    """Places of the grid that are nearer to the centre than to any other site of the net."""
    x, y = np.meshgrid(*grid.offsets_mm())
    a, b = centres.net.a_mm, centres.net.b_mm
    neighbours = [i * a + j * b for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    return np.all([2.0 * (x * v[0] + y * v[1]) <= v @ v for v in neighbours], axis=0)


def _find_extent(sheets: Sequence[Sheet]) -> tuple[Surfaces, Float32Array, Grid]:
    """First surfaces, atlas and grid, which covers the motif and a margin of ground, from coarse copies."""
    grid = _cell_grid(sheets[0].centres)
    copies = cut_copies(sheets, grid, COARSE_MM)
    surfaces, atlas = learn(*start(copies), copies, n_steps=5)
    surfaces, atlas = _without_rim(surfaces, atlas)
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
    middle = grid_over(MIDDLE_MM, np.minimum(low, -MARGIN_MM), np.maximum(high, MARGIN_MM))
    return surfaces, regrid(atlas, grid, middle), middle


def _without_rim(surfaces: Surfaces, atlas: Float32Array) -> tuple[Surfaces, Float32Array]:
    """No shadow, if what was taken for it is nowhere wider than the mixed pixels round the metal."""
    body = cv2.morphologyEx((atlas[SHADOW] > 0.5).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    if body.sum() >= LEAST_SHADOW * (atlas[METAL] > 0.5).sum():
        return surfaces, atlas
    density = surfaces.density.copy()
    density[SHADOW] = 1e-9
    whole = atlas.copy()
    whole[METAL] += whole[SHADOW] * (whole[METAL] > whole[GROUND])
    whole[SHADOW] = 0.0
    return replace(surfaces, density=density), whole / whole.sum(0)


def _moved(sheets: Sequence[Sheet], shifts: FloatArray) -> list[Sheet]:
    ends = np.cumsum([len(s.xy_mm) for s in sheets])[:-1]
    parts = np.split(shifts, ends)
    return [replace(s, xy_mm=s.xy_mm + part) for s, part in zip(sheets, parts, strict=True)]
