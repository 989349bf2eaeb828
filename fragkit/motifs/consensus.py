"""The motif from its damaged examples: their consensus, outlines, spread, and a label for every pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.motifs import outlines as lines
from fragkit.motifs.bending import each_warped
from fragkit.motifs.centres import Centres
from fragkit.motifs.copies import Grid, finer, regrid, tall
from fragkit.motifs.details import common_layers
from fragkit.motifs.doubt import Drawn, doubt_of, origin_cov_mm2
from fragkit.motifs.labels import Copied, Read, drawn_on, in_detail, label_picture, override
from fragkit.motifs.later import GUESS_NOTE, part_later_work
from fragkit.motifs.learning import Learned, Sheet, cut_copies, learn_copies, open_sheet
from fragkit.motifs.mixture import GROUND, METAL, SHADOW
from fragkit.motifs.motif import Motif
from fragkit.motifs.reducing import enlarged_labels, reduced, reduced_labels, reduction
from fragkit.motifs.remains import Remains, Shown, backs_of, detailed, remains_on, toned_copies
from fragkit.motifs.ring import RingCorrelation, ring_correlation
from fragkit.motifs.shares import (
    Consensus,
    Toned,
    beneath_metal,
    divide,
    mean_halves,
    shade_of,
)
from fragkit.motifs.sharpening import CAUTION, edge_width_px, sharpen
from fragkit.motifs.silhouette import Strays, stray_from_silhouette
from fragkit.motifs.stance import measure_stance
from fragkit.motifs.straightening import Bends
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import at_once, gathered, one_opencv_thread, side_by_side, with_one_blas_thread

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
LabelArray = NDArray[np.uint8]

FINEST_MM = 0.2
"""The finest grid of the result; otherwise that of the finest picture."""
FEWEST = 3
FINEST_GAP_PX = 2.0
"""A bare line narrower than this many picture pixels disappears between edges that vary from copy to copy."""
N_BENDINGS, LEAST_SHARE = 2, 0.012
BENDING_MM = 0.4
"""Bends are read on a grid of this pitch where that of the result is finer."""
USUAL_EDGE_SD_MM, LEAST_EDGE_SD_MM = 0.6, 0.05
"""Sd of a copy's edge: as the invented free hand of `simulate` has it, where it cannot be measured; and at least."""
COPIES_AT_ONCE = 24
"""Copies are read in groups of so many, which threads share, however many threads there are."""
TRUST_LOST = 0.6
"""How far the atlas is trusted at a site whose motif was not found."""


@with_one_blas_thread
@one_opencv_thread()
def build_motif(
    examples: Sequence[tuple[Picture, Centres]], *, labels: Sequence[LabelArray | None] | None = None
) -> Motif:
    """The motif as all its examples show it, with outlines in mm, spread, and labels of every picture.

    Parameters
    ----------
    examples : sequence of (Picture, Centres)
        True-scale pictures and the centres found on them.
    labels : sequence of (h, w) uint8 arrays or None, optional
        The user's labels, one per picture (None for a picture without): 0 undecided, 1 ground, 2 shadow, 3
        metal, 4 loss, 5 later work. They override what is found.

    Returns
    -------
    Motif
        Relative to its metal centroid; the area's sd holds copy-to-copy spread and the blur of the pixels,
        not the scale of the pictures.

    Raises
    ------
    ValueError
        If there are no examples, or the labels do not fit the pictures.
    EstimationError
        If fewer than three examples were found, or no metal stands out.
    """
    given = _checked_labels(examples, labels)
    ratios = [reduction(*pair) for pair in examples]
    sheets = side_by_side(_opened, *zip(*examples, strict=True), given, ratios)
    sheets, learned = learn_copies(sheets)
    fine = finer(learned.grid, max(FINEST_MM, min(s.fine.mm_per_px for s in sheets)))
    shares = _share(sheets, learned, fine)
    (labelled, guessed), motif = at_once(
        partial(_labelled, sheets, learned, shares), partial(_motif, sheets, shares, fine)
    )
    shapes = [picture.coverage.shape for picture, _ in examples]
    full = [_full_size(*parts) for parts in zip(labelled, given, ratios, shapes, strict=True)]
    final, sure = zip(*full, strict=True)
    return replace(motif, labels=final, label_percent=sure, notes=((GUESS_NOTE,) if guessed else ()) + motif.notes)


def _labelled(
    sheets: Sequence[Sheet], learned: Learned, shares: _Shares
) -> tuple[list[tuple[LabelArray, LabelArray]], bool]:
    """Labels of each sheet's fine picture, how sure each is, and whether later work was parted from loss by a guess."""
    copied = _copied(sheets, learned, shares)
    read = side_by_side(partial(_label, learned), sheets, copied)
    drawn, (parted, guessed) = at_once(
        lambda: side_by_side(drawn_on, read, sheets, copied), lambda: part_later_work(read, sheets)
    )
    return side_by_side(in_detail, read, parted, drawn, sheets), guessed


def _full_size(
    detailed: tuple[LabelArray, LabelArray], given: LabelArray | None, ratio: int, shape: tuple[int, int]
) -> tuple[LabelArray, LabelArray]:
    """Labels of the whole picture, and the probability of each in hundredths; what the user labelled is sure."""
    codes, percent = (enlarged_labels(layer, ratio, shape) for layer in detailed)
    if given is not None:
        codes, percent = override(codes, given), np.where(given > 0, np.uint8(100), percent)
    return frozen_array(codes, np.uint8), frozen_array(percent, np.uint8)


def _opened(picture: Picture, centres: Centres, given: LabelArray | None, ratio: int) -> Sheet:
    """The sheet of a picture reduced to what the motif needs."""
    labels = given if given is None or ratio == 1 else reduced_labels(given, ratio)
    return open_sheet(reduced(picture, ratio), centres, labels)


def _checked_labels(examples: Sequence[tuple[Picture, Centres]], labels: Any) -> list[LabelArray | None]:
    if not examples:
        raise ValueError("No examples were given; give at least one picture with its centres.")
    given = [None] * len(examples) if labels is None else list(labels)
    if len(given) != len(examples):
        raise ValueError(f"{len(given)} label pictures for {len(examples)} pictures; give one for each, or None.")
    for n, ((picture, _), mask) in enumerate(zip(examples, given, strict=True)):
        if mask is not None and mask.shape != picture.coverage.shape:
            raise ValueError(
                f"Labels {n} are {mask.shape}, their picture is {picture.coverage.shape}; make them the same size."
            )
    found = sum(int(np.sum(centres.found)) for _, centres in examples)
    if found < FEWEST:
        raise EstimationError(
            "The motif cannot be built.",
            found=f"{found} examples",
            needed=f"at least {FEWEST} found examples",
        )
    return given


@dataclass(frozen=True, eq=False)
class _Shares:
    """What the copies show.

    Shares of metal and shadow in each copy (n, h, w) and how far it is seen; in all of them straightened (3, h, w), in
    a typical one; the copies straightened, from `detail` (n, h, w, 6), and the fields (n, 2, h, w)
    that lead from a copy to the straight motif.
    """

    metal: Float32Array
    weight: Float32Array
    atlas: Float32Array
    typical: Float32Array
    resolution: RingCorrelation
    details: LabelArray
    backs: Float32Array
    shown: Shown


def _share(sheets: Sequence[Sheet], learned: Learned, fine: Grid) -> _Shares:
    """What every pixel of every copy shows, and what all copies show together.

    Copies are cut along their bends, what they show together is sharpened to a typical copy, which tells bare lines,
    and all is read again; bends vary so slowly that they are read on a coarser grid.
    """
    pitch = fine.mm_per_px
    used = [part for sheet in sheets for part in sheet.parts(COPIES_AT_ONCE)]
    coarse = finer(learned.grid, max(pitch, BENDING_MM))
    bends, typical = _straightened(used, learned, coarse)
    fields = bends.fields_on(fine)
    prior = regrid(typical, coarse, fine)
    parts, both, leaves = _read(used, learned, prior, fields, fine)
    shown = Shown(both, beneath_metal(both, pitch), prior, _typical(both.metal, both.shadow), bends, fine)

    def of_part(part: Toned, leaf: Float32Array, own: Float32Array) -> tuple[NDArray[Any], ...]:
        metal, layers = detailed(learned, shown, part, leaf)
        back = backs_of(own, pitch)
        return *_led_back(metal, part.weight, back), layers, back

    (metal, weight, details, backs), resolution = at_once(
        lambda: gathered(of_part, [len(own) for own in fields], parts, leaves, fields),
        lambda: ring_correlation(*mean_halves(parts), mm_per_px=pitch),
    )
    return _Shares(
        metal=metal,
        weight=weight,
        atlas=np.stack([both.metal, both.shadow, 1.0 - both.metal - both.shadow]),
        typical=shown.typical,
        resolution=resolution,
        details=details,
        backs=backs,
        shown=shown,
    )


def _led_back(metal: Float32Array, weight: Float32Array, back: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Two straightened layers (n, h, w) as they lie in the copies."""
    both = each_warped(
        np.asarray(cv2.merge([tall(metal), tall(weight)]), np.float32), back[:, 0], back[:, 1], metal.shape[1:]
    )
    first, second = (np.asarray(layer, np.float32).reshape(metal.shape) for layer in cv2.split(both))
    return first, second


def _straightened(sheets: Sequence[Sheet], learned: Learned, grid: Grid) -> tuple[Bends, Float32Array]:
    """How each copy is bent, and the typical copy (3, h, w).

    Where a fine picture is finer than that in which surfaces are told apart, the first bends are read on the grid that
    the copies were learned on.
    """
    first = learned.grid if max(sheet.step for sheet in sheets) > 1 else grid
    bends = Bends.none([len(sheet.xy_mm) for sheet in sheets], first)
    bends, typical = _straighter(sheets, learned, bends, regrid(learned.atlas, learned.grid, first))
    bends, typical = bends.on(grid), regrid(typical, first, grid)
    for _ in range(N_BENDINGS - 1):
        bends, typical = _straighter(sheets, learned, bends, typical)
    return bends, typical


def _straighter(
    sheets: Sequence[Sheet], learned: Learned, bends: Bends, typical: Float32Array
) -> tuple[Bends, Float32Array]:
    parts, both, leaves = _read(sheets, learned, typical, bends.fields(), bends.grid)
    return bends.further(sheets, parts, leaves, both, learned.paints), _typical(both.metal, both.shadow)


def _read(
    sheets: Sequence[Sheet], learned: Learned, typical: Float32Array, fields: Sequence[Float32Array], grid: Grid
) -> tuple[list[Toned], Consensus, list[Float32Array]]:
    """The copies of each sheet, what they show together, and the tone of the leaf on each."""

    def part(sheet: Sheet, own: Float32Array) -> Toned:
        return toned_copies(learned, typical, cut_copies([sheet], grid, own))

    parts = side_by_side(part, sheets, fields)
    return parts, *divide(parts, typical, learned.paints, grid.mm_per_px)


def _typical(metal: Float32Array, shadow: Float32Array) -> Float32Array:
    """Shares (3, h, w) of metal, shadow and ground in a typical copy, nowhere quite 0."""
    width_px = edge_width_px(metal)
    if width_px is not None:
        metal = sharpen(metal, CAUTION * width_px)
        shadow = np.minimum(sharpen(shadow, CAUTION * width_px), 1.0 - metal)
    layers = np.stack([metal, shadow, 1.0 - metal - shadow])
    return np.asarray((1.0 - 3.0 * LEAST_SHARE) * layers + LEAST_SHARE, np.float32)


def _copied(sheets: Sequence[Sheet], learned: Learned, shares: _Shares) -> list[Copied]:
    """The copies of each picture, and after them what is left of motifs that were not found."""
    ends = np.cumsum([len(sheet.xy_mm) for sheet in sheets])[:-1]
    parts = zip(np.split(shares.details, ends), np.split(shares.backs, ends), strict=True)
    own_of = zip(sheets, parts, strict=True)
    return [_with_remains(sheet, learned, shares.shown, *own) for sheet, own in own_of]


def _with_remains(sheet: Sheet, learned: Learned, shown: Shown, details: LabelArray, backs: Float32Array) -> Copied:
    more = remains_on(sheet, learned, shown) if len(sheet.xy_mm) else Remains.none(shown.grid)
    return Copied(
        xy_mm=np.concatenate([sheet.xy_mm, more.xy_mm]),
        layers=np.concatenate([details, more.layers]),
        backs=np.concatenate([backs, more.backs]),
        atlas=shown.typical,
        common=common_layers(shown.typical, shown.beneath),
        shade=shade_of(learned.paints),
        grid=shown.grid,
    )


def _label(learned: Learned, sheet: Sheet, copied: Copied) -> Read:
    """What a picture shows; nothing is read where no motif was found."""
    if len(sheet.xy_mm) == 0:
        return Read.nothing(sheet.picture.coverage.shape)
    lost = np.array([s in ("lost", "not there", "outside") for s in sheet.centres.status])
    near = 0.25 * np.sqrt(sheet.centres.net.cell_area_mm2)
    sites = [(xy, 1.0) for xy in copied.xy_mm]
    sites += [(xy, TRUST_LOST) for xy in sheet.centres.xy_mm[lost] if np.hypot(*(copied.xy_mm - xy).T).min() > near]
    return label_picture(sheet, sites, copied, learned.surfaces)


def _motif(sheets: Sequence[Sheet], shares: _Shares, grid: Grid) -> Motif:
    """The motif without labels."""
    atlas, pitch = shares.atlas, grid.mm_per_px
    found = {name: lines.outlines_of(shares.typical[k], grid) for name, k in (("metal", METAL), ("shadow", SHADOW))}
    if not found["metal"]:
        raise EstimationError("The metal has no outline.", found="no place that is metal on half of the examples")
    middle = lines.centroid(found["metal"])
    outlines = {name: tuple(frozen_array(p - middle) for p in parts) for name, parts in found.items()}
    width, height = _box(outlines["metal"] + outlines["shadow"])
    metal_width, metal_height = _box(outlines["metal"])
    strays = stray_from_silhouette(shares.typical[METAL], shares.metal, shares.weight, grid)
    drawn = _drawn(shares, strays, found["metal"], grid)
    doubts = {name: doubt_of(k, found[name], drawn) for name, k in (("metal", METAL), ("shadow", SHADOW))}
    seen = shares.weight > 0.5
    rng = np.random.default_rng(len(seen))
    index = _index(sheets)
    return Motif(
        mm_per_px=pitch,
        origin_px=frozen_array(np.array(grid.centre_px) + middle / pitch * [1.0, -1.0]),
        metal=frozen_array(atlas[METAL]),
        shadow=frozen_array(atlas[SHADOW]),
        ground=frozen_array(atlas[GROUND]),
        support=frozen_array(shares.weight.sum(0)),
        outlines=outlines,
        width_mm=width,
        height_mm=height,
        metal_width_mm=metal_width,
        metal_height_mm=metal_height,
        metal_area_mm2=lines.total_area(outlines["metal"]),
        metal_area_sd_mm2=lines.area_sd_mm2(shares.metal, shares.weight, found["metal"], pitch, rng),
        shadow_area_mm2=lines.total_area(outlines["shadow"]),
        n_examples=len(index),
        weights=_weights(index, shares),
        centre_offset_mm=frozen_array(middle),
        shifts_mm=frozen_array(np.concatenate([s.xy_mm - s.centres.xy_mm[s.centres.found] for s in sheets])),
        residuals=frozen_array(np.where(seen, shares.metal - atlas[METAL], 0.0), np.float32),
        seen=frozen_array(seen),
        example_index=frozen_array(index, np.int64),
        silhouette_mm=frozen_array(strays.outline_mm - middle) if strays else None,
        strays_mm=frozen_array(np.nan_to_num(strays.strays_mm)) if strays else None,
        strays_seen=frozen_array(np.isfinite(strays.strays_mm)) if strays else None,
        shape_spread_mm=strays.spread.stray_mm if strays and strays.spread else None,
        spread=strays.spread if strays else None,
        shapes=strays.shapes if strays else None,
        stance=measure_stance(shares.metal, shares.weight, grid),
        resolution=shares.resolution,
        labels=(),
        doubts_mm={k: tuple(frozen_array(doubts[k].half_mm(p)) for p in parts) for k, parts in found.items()},
        bands_mm={k: _moved(doubts[k].bands(parts), middle) for k, parts in found.items()},
        notes=_doubts(shares, outlines, max(sheet.fine.mm_per_px for sheet in sheets)),
    )


def _drawn(shares: _Shares, strays: Strays | None, metal: Sequence[FloatArray], grid: Grid) -> Drawn:
    return Drawn(
        atlas=shares.atlas,
        typical=shares.typical,
        width_px=edge_width_px(shares.atlas[METAL]),
        support=shares.weight.sum(0),
        spread_mm=_edge_sd_mm(strays),
        origin_cov_mm2=origin_cov_mm2(metal, grid.mm_per_px),
        grid=grid,
    )


def _moved(bands: tuple[tuple[FloatArray, ...], ...], middle: FloatArray) -> tuple[tuple[FloatArray, ...], ...]:
    """The rings of each band from another middle."""
    return tuple(tuple(frozen_array(ring - middle) for ring in rings) for rings in bands)


def _edge_sd_mm(strays: Strays | None) -> float:
    """Sd of a copy's edge about the outline, turn and size among it; that of a free hand where too little shows."""
    return (
        USUAL_EDGE_SD_MM if strays is None or strays.spread is None else max(strays.spread.stray_mm, LEAST_EDGE_SD_MM)
    )


def _box(outlines: Sequence[FloatArray]) -> tuple[float, float]:
    """Width and height in mm of the box round all outlines."""
    width, height = np.ptp(np.concatenate(outlines), axis=0)
    return float(width), float(height)


def _index(sheets: Sequence[Sheet]) -> NDArray[np.int64]:
    """Picture number, i, j (n, 3) of the examples."""
    rows = [np.column_stack([np.full(len(s.xy_mm), k), s.centres.index[s.centres.found]]) for k, s in enumerate(sheets)]
    return np.concatenate(rows)


def _weights(index: NDArray[np.int64], shares: _Shares) -> tuple[tuple[int, int, int, float], ...]:
    """Picture number, i, j and visible share of the metal of every example."""
    metal = shares.atlas[METAL]
    shown = (shares.weight * metal).sum((1, 2)) / metal.sum()
    return tuple((int(k), int(i), int(j), float(w)) for (k, i, j), w in zip(index, shown, strict=True))


def _doubts(shares: _Shares, outlines: dict[str, tuple[FloatArray, ...]], pitch: float) -> tuple[str, ...]:
    notes = []
    if not outlines["shadow"]:
        notes.append("No painted shadow was found beside the metal.")
    thin = (shares.atlas[METAL] > 0.5) & (shares.weight.sum(0) < 2.0)
    if thin.any():
        share = 100.0 * thin.sum() / (shares.atlas[METAL] > 0.5).sum()
        notes.append(f"{share:.0f} % of the metal is shown by fewer than two undamaged examples.")
    notes.append(
        f"Bare lines between parts of the leaf narrower than about {FINEST_GAP_PX * pitch:.1f} mm may be partly "
        "closed; the metal's area then counts a part of them."
    )
    if len(shares.metal) < 8:
        notes.append(f"Only {len(shares.metal)} examples: leaf and paint are told apart by few differences.")
    return tuple(notes)
