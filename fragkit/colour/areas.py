"""Areas of the ground kept apart: those that a person marked, and parts of clearly another colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from fragkit.colour.cielab import linear_to_lab
from fragkit.colour.difference import delta_e00
from fragkit.colour.paints import difference_interval
from fragkit.colour.patches import PATCH_MM, Patches, cut_patches
from fragkit.colour.surface import CODES, Colour, Mask, Views, colour_of
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]

LAYERS = ("ground", "shadow")
MIN_SPLIT_PATCHES = 40
MIN_SHARE = 0.08
MIN_GAP = 4.0
"""Distance of the two means in standard deviations; one bell cut in two gives 2.65."""
MIN_TOGETHER = 0.85
"""Share of neighbouring patches that are of the same part: parts lie together, dirt is strewn."""
MIN_STEP = 0.7
"""Step from one part to its neighbour, over the difference of the means: an edge, not a slow change."""
MIN_DELTA_E = 1.5
NEIGHBOUR_MM, ACROSS_MM = 1.5 * PATCH_MM, 2.6 * PATCH_MM
"""Neighbours; and how far apart two patches may be that face each other over one that the edge cuts."""


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaColours:
    """The colours of one area, and how far they are from the rest.

    Attributes
    ----------
    name : str
    is_marked : bool
        Marked by a person; otherwise proposed, since the ground there is clearly of another colour.
    ground, shadow : Colour or None
        None where the area shows too little of it.
    ground_apart, shadow_apart : (ΔE00, low, high) or None
        Difference from the rest and its 95 % interval; a common error of tone does not touch it.
    """

    name: str
    is_marked: bool
    ground: Colour | None
    shadow: Colour | None
    ground_apart: tuple[float, float, float] | None
    shadow_apart: tuple[float, float, float] | None

    @property
    def text(self) -> str:
        """What is to be said of the area."""
        if self.ground_apart is None:
            return f"{self.name}: too little ground to measure its colour."
        away, low, high = self.ground_apart
        how = "marked" if self.is_marked else "proposed: the ground here is clearly of another colour"
        surely = "the same within what can be told" if low <= 0.0 else "another colour"
        return f"{self.name} ({how}): ground ΔE00 {away:.1f} ({low:.1f} to {high:.1f}) from the rest, {surely}."


def find_areas(views: Views, marked: Sequence[Mapping[str, Mask]], names: Sequence[str]) -> tuple[AreaColours, ...]:
    """Each marked area through all pictures, and what is proposed in pictures (`names`) where nothing is marked."""
    none = [np.zeros(picture.coverage.shape, bool) for picture in views.pictures]
    rests, found = rest_of(views.pictures, marked), []
    for area in dict.fromkeys(name for own in marked for name in own):
        masks = [own.get(area, empty) for own, empty in zip(marked, none, strict=True)]
        found.append(measure_area(area, views, masks, rests, is_marked=True))
    for k in views.shown:
        part = None if marked[k] else propose_area(views.pictures[k], views.labels[k])
        if part is not None:
            inside, outside = [*none[:k], part, *none[k + 1 :]], [*none[:k], ~part, *none[k + 1 :]]
            found.append(measure_area(f"a part of {names[k]}", views, inside, outside, is_marked=False))
    return tuple(found)


def rest_of(pictures: Sequence[Picture], marked: Sequence[Mapping[str, Mask]]) -> list[Mask]:
    """Where (h, w) no area is marked, in each picture."""
    rests = [np.ones(picture.coverage.shape, bool) for picture in pictures]
    for rest, own in zip(rests, marked, strict=True):
        for mask in own.values():
            rest &= ~mask
    return rests


def measure_area(
    name: str, views: Views, inside: Sequence[Mask], outside: Sequence[Mask], *, is_marked: bool
) -> AreaColours:
    """The colours in masks `inside`, and how far they are from those in masks `outside`, one (h, w) a picture."""
    colours = {layer: views.colour(layer, inside) for layer in LAYERS}
    apart = {layer: _apart(layer, views.patches(layer, inside), views.patches(layer, outside)) for layer in LAYERS}
    return AreaColours(
        name=name,
        is_marked=is_marked,
        ground=colours["ground"],
        shadow=colours["shadow"],
        ground_apart=apart["ground"],
        shadow_apart=apart["shadow"],
    )


def _apart(layer: str, own: Patches, rest: Patches) -> tuple[float, float, float] | None:
    first, second = colour_of(layer, own), colour_of(layer, rest)
    if first is None or second is None:
        return None
    low, high = difference_interval(first.lab, second.lab, first.lab_cov + second.lab_cov)
    return float(delta_e00(first.lab, second.lab)), low, high


def propose_area(picture: Picture, codes: NDArray[np.uint8]) -> Mask | None:
    """Where (h, w) the ground is clearly of another colour than most of it; None where it is of one colour.

    Notes
    -----
    Patches of ground are parted in two where their colours part best. The parts count when each is a fair
    share, they are far apart for their scatter, they lie together, and the colour changes between them at an
    edge. Why they differ (cleaning, water, a repair) a person must see.
    """
    patches = cut_patches(picture, codes == CODES["ground"])
    if len(patches) < MIN_SPLIT_PATCHES:
        return None
    lab = linear_to_lab(patches.linear)
    part, gap = _parted(lab)
    if not MIN_SHARE <= part.mean() <= 1.0 - MIN_SHARE or gap < MIN_GAP:
        return None
    means = np.array([np.median(lab[part == side], axis=0) for side in (False, True)])
    together, step = _edges(patches.xy_mm, lab @ (means[1] - means[0]) / np.sum((means[1] - means[0]) ** 2), part)
    if together < MIN_TOGETHER or step < MIN_STEP or float(delta_e00(*means)) < MIN_DELTA_E:
        return None
    return _painted(picture, patches.xy_mm, part if part.mean() <= 0.5 else ~part)


def _parted(lab: FloatArray) -> tuple[Mask, float]:
    """The patches in two parts, and the distance of their means in standard deviations."""
    axis = np.linalg.svd(lab - np.median(lab, axis=0), full_matrices=False)[2][0]
    for _ in range(4):
        score = lab @ axis
        part = score > _best_cut(score)
        within = sum(np.cov(lab[part == side].T) * (part == side).mean() for side in (False, True))
        axis = np.linalg.solve(within + 1e-3 * np.eye(3), lab[part].mean(axis=0) - lab[~part].mean(axis=0))
    score = lab @ axis
    spread = np.sqrt((score[part].var() + score[~part].var()) / 2.0)
    return part, float(abs(score[part].mean() - score[~part].mean()) / spread)


def _best_cut(score: FloatArray) -> float:
    """The value that leaves the least variance within the two sides, at least three patches on each."""
    ordered = np.sort(score)
    n = np.arange(1, len(ordered))
    low = np.cumsum(ordered)[:-1]
    between = (low / n - (ordered.sum() - low) / (len(ordered) - n)) ** 2 * n * (len(ordered) - n)
    k = 2 + int(np.argmax(between[2:-2]))
    return float((ordered[k] + ordered[k + 1]) / 2.0)


def _edges(xy_mm: FloatArray, along: FloatArray, part: Mask) -> tuple[float, float]:
    """Share of neighbours in the same part, and the usual step between neighbours of different parts."""
    pairs = cKDTree(xy_mm).query_pairs(ACROSS_MM, output_type="ndarray")
    crosses = part[pairs[:, 0]] != part[pairs[:, 1]]
    is_near = np.linalg.norm(xy_mm[pairs[:, 0]] - xy_mm[pairs[:, 1]], axis=1) <= NEIGHBOUR_MM
    facing = pairs[crosses & ~is_near]
    if not len(facing) or not is_near.any():
        return 1.0, 0.0
    return float(1.0 - crosses[is_near].mean()), float(np.median(np.abs(along[facing[:, 0]] - along[facing[:, 1]])))


def _painted(picture: Picture, xy_mm: FloatArray, part: Mask) -> Mask:
    """Every pixel as its nearest patch."""
    height, width = picture.coverage.shape
    step = max(1, round(PATCH_MM / 4.0 / picture.mm_per_px))
    rows, columns = np.arange(0.0, height, step), np.arange(0.0, width, step)
    xy = picture.to_mm(np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2))
    coarse = part[cKDTree(xy_mm).query(xy)[1]].reshape(len(rows), len(columns))
    return np.asarray(coarse.repeat(step, axis=0).repeat(step, axis=1)[:height, :width])
