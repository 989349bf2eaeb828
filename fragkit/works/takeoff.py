"""Leaf for a whole layout, counted by cutting."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.works.assumptions import Assumption
from fragkit.works.costs import leaf_metal
from fragkit.works.cutting import (
    FormCut,
    Need,
    Outlines,
    Parting,
    area_mm2,
    count_leaves,
    cut_parts,
    cut_whole,
    grown,
    n_parts,
    needs_of,
    outlines_of,
    pieces_area_m2,
)
from fragkit.works.metals import COMMON_PRACTICE, METALS, Metal, find_metal, mass_g, metal_in
from fragkit.works.nesting import Nesting, Size, Step, nest, staircase

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.motifs import Motif
    from fragkit.survey import WorksEntry

MARGIN_MM = 4.0
LAP_MM = 2.0
SPOILAGE_RATIO = 0.10
RESERVE_RATIO = 0.05


@dataclass(frozen=True, kw_only=True)
class MetalNeed:
    """What the whole layout needs in one metal, in its commonest format or the one stated."""

    metal: str
    leaf_mm: Size
    leaves_per_book: int
    n_leaves_cut: int
    n_leaves: int
    n_books: int
    mass_g: tuple[float, float] | None
    mass_source: str
    tarnish: str
    source: str
    stated: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class TakeOff:
    """Leaf for a whole layout.

    Attributes
    ----------
    n_motifs : int
        The layout's number, nothing else.
    metal : str or None
        As stated in the study.
    leaf_mm, leaves_per_book, format_source
        The leaf that was counted.
    margin_mm : float
        Left round the metal when cutting.
    forms : tuple of FormCut
    n_leaves_cut, n_leaves_spoilt, n_leaves_reserve, n_leaves, n_books : int
        Leaves that end on the wall; allowance for those that tear; kept for repair; their sum; whole books.
    n_leaves_by_area : float
        Metal area over leaf area: what one would order if leaf could be poured.
    cutting : Nesting or None
        One leaf cut for whole motifs.
    parting : Parting or None
        Whole boxes against separate parts; None when the motif is of one piece.
    margin_steps, scale_steps : tuple of Step
        Pieces per leaf against the margin (mm) and against the size of the motif (1 is as found).
    next_step : str
        Distance to the neighbouring steps, in words.
    metal_area_m2, shadow_area_m2, leaf_area_m2 : float
        Metal and shadow on the wall; leaf bought.
    metal_area_sd_ratio : float
        Standard deviation of the motif's metal area, as a share of it.
    scrap_area_m2 : float
        Offcuts beside the pieces, for patching.
    metals : tuple of MetalNeed
        Side by side.
    assumptions : tuple of Assumption
    notes : tuple of str
    """

    n_motifs: int
    metal: str | None
    leaf_mm: Size
    leaves_per_book: int
    format_source: str
    margin_mm: float
    forms: tuple[FormCut, ...]
    n_leaves_cut: int
    n_leaves_spoilt: int
    n_leaves_reserve: int
    n_leaves: int
    n_books: int
    spoilage_ratio: float
    n_leaves_by_area: float
    cutting: Nesting | None
    parting: Parting | None
    margin_steps: tuple[Step, ...]
    scale_steps: tuple[Step, ...]
    next_step: str
    metal_area_m2: float
    shadow_area_m2: float
    metal_area_sd_ratio: float
    leaf_area_m2: float
    scrap_area_m2: float
    metals: tuple[MetalNeed, ...]
    assumptions: tuple[Assumption, ...]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return f"TakeOff({self.n_motifs} motifs, {self.n_leaves} leaves, {self.n_books} books)"

    def _repr_html_(self) -> str:
        rows = [
            ("Motifs", f"{self.n_motifs}"),
            ("Leaf", f"{self.metal or 'metal not stated'}, {self.leaf_mm[0]:g} × {self.leaf_mm[1]:g} mm"),
            (
                "By cutting",
                f"{self.n_leaves_cut} leaves, {self.n_leaves} with allowances, {self.n_books} books",
            ),
            ("By area alone", f"{self.n_leaves_by_area:.0f} leaves"),
            ("Next step", self.next_step),
        ]
        leaves = {
            "by area alone": self.n_leaves_by_area,
            "on the wall, by cutting": self.n_leaves_cut,
            "allowance for torn leaf": self.n_leaves_spoilt,
            "kept for repair": self.n_leaves_reserve,
        }
        drawn = sketch_bars("Leaves of metal", leaves, unit="leaves")
        return card("Leaf by cutting", rows, notes=self.notes, drawing=drawn)


def take_off(
    layout: Layout,
    motif: Motif,
    works: WorksEntry,
    *,
    lap_mm: float = LAP_MM,
) -> TakeOff:
    """Leaves and books for every motif of a layout, counted by cutting.

    Parameters
    ----------
    layout : Layout
    motif : Motif
        Its metal outlines stand in for forms that have none of their own.
    works : WorksEntry
        Metal, leaf format, margin, way of cutting and allowances, as far as the study states them.
    lap_mm : float
        How far leaves lie over each other when a motif is larger than one.

    Raises
    ------
    ValueError
        If a ratio or the margin is negative, or the metal is unknown and no format is stated.

    Notes
    -----
    Edge motifs of their own form or size are counted as they are. The pieces left over when every form fills
    whole leaves share leaves, each taking the place of the largest of them.
    """
    margin_mm = MARGIN_MM if works.margin_mm is None else works.margin_mm
    spoilage_ratio = SPOILAGE_RATIO if works.spoilage_ratio is None else works.spoilage_ratio
    reserve_ratio = RESERVE_RATIO if works.reserve_ratio is None else works.reserve_ratio
    for name, value in (("margin_mm", margin_mm), ("spoilage", spoilage_ratio), ("reserve", reserve_ratio)):
        if not value >= 0:
            raise ValueError(f"{name} is {value}; it must be 0 or more. State it as a plain positive number.")
    leaf_mm, per_book, format_source, notes = _format(works)
    needs = needs_of(layout, motif)
    cuts = _cuts(needs, works.cut, leaf_mm, margin_mm, lap_mm)
    n_cut = count_leaves(cuts, leaf_mm)
    n_spoilt, n_reserve = _allowances(n_cut, spoilage_ratio, reserve_ratio)
    n_leaves = n_cut + n_spoilt + n_reserve
    metal_mm2 = sum(need.n_motifs * area_mm2(need.metal) for need in needs)
    leaf_m2 = leaf_mm[0] * leaf_mm[1] * 1e-6
    stairs = _stairs(layout, motif, leaf_mm, margin_mm)
    return TakeOff(
        n_motifs=sum(need.n_motifs for need in needs),
        metal=works.metal,
        leaf_mm=leaf_mm,
        leaves_per_book=per_book,
        format_source=format_source,
        margin_mm=margin_mm,
        forms=cuts,
        n_leaves_cut=n_cut,
        n_leaves_spoilt=n_spoilt,
        n_leaves_reserve=n_reserve,
        n_leaves=n_leaves,
        n_books=math.ceil(n_leaves / per_book),
        spoilage_ratio=spoilage_ratio,
        n_leaves_by_area=metal_mm2 * 1e-6 / leaf_m2,
        cutting=stairs.cutting,
        parting=_parting(needs, outlines_of(layout.forms, "whole", motif, "metal"), leaf_mm, margin_mm, lap_mm),
        margin_steps=stairs.margin,
        scale_steps=stairs.scale,
        next_step=_next_step(stairs.margin, stairs.scale, margin_mm),
        metal_area_m2=metal_mm2 * 1e-6,
        shadow_area_m2=1e-6 * sum(need.n_motifs * area_mm2(need.shadow) for need in needs),
        metal_area_sd_ratio=float(motif.metal_area_sd_mm2 / motif.metal_area_mm2),
        leaf_area_m2=n_leaves * leaf_m2,
        scrap_area_m2=max(0.0, n_cut * leaf_m2 - pieces_area_m2(cuts, leaf_mm)),
        metals=_metals(works, needs, margin_mm, lap_mm, (spoilage_ratio, reserve_ratio)),
        assumptions=_assumptions(works, lap_mm, cuts),
        notes=(*notes, *_doubts(motif, stairs.margin, margin_mm)),
    )


@dataclass(frozen=True, kw_only=True)
class _Stairs:
    margin: tuple[Step, ...]
    scale: tuple[Step, ...]
    cutting: Nesting | None


def _stairs(layout: Layout, motif: Motif, leaf_mm: Size, margin_mm: float) -> _Stairs:
    width, height = np.ptp(np.vstack(outlines_of(layout.forms, "whole", motif, "metal")), axis=0).tolist()
    box_mm = width, height
    cutting = nest(grown(box_mm, 1.0, margin_mm), leaf_mm)
    return _Stairs(
        margin=staircase(lambda m: grown(box_mm, 1.0, m), leaf_mm, low=0.0, high=max(10.0, 2 * margin_mm)),
        scale=staircase(lambda s: grown(box_mm, s, margin_mm), leaf_mm, low=0.6, high=1.4),
        cutting=cutting if cutting.n_pieces else None,
    )


def _cuts(needs: Sequence[Need], how: str, leaf_mm: Size, margin_mm: float, lap_mm: float) -> tuple[FormCut, ...]:
    if how == "parts":
        return tuple(cut for need in needs for cut in cut_parts(need, leaf_mm, margin_mm, lap_mm))
    return tuple(cut_whole(need, leaf_mm, margin_mm, lap_mm) for need in needs)


def _parting(needs: Sequence[Need], whole: Outlines, leaf_mm: Size, margin_mm: float, lap_mm: float) -> Parting | None:
    """None when the motif is of one piece."""
    separate = n_parts(whole)
    if separate < 2:
        return None
    counts = [count_leaves(_cuts(needs, how, leaf_mm, margin_mm, lap_mm), leaf_mm) for how in ("whole", "parts")]
    return Parting(n_leaves_whole=counts[0], n_leaves_parts=counts[1], n_parts=separate)


def _format(works: WorksEntry) -> tuple[Size, int, str, list[str]]:
    """Leaf, leaves per book, where they come from, and what to warn about."""
    notes: list[str] = []
    stated = works.leaf_side_mm is not None and works.leaves_per_book is not None
    if works.metal is None:
        metal = METALS["gold"]
        notes.append(
            "No leaf metal is stated. Leaf is counted on the commonest gold leaf only to show the order of "
            "size; settle the metal by analysis of the fragments first."
        )
    else:
        metal = (metal_in(works.metal) or METALS["gold"]) if stated else find_metal(works.metal)
    leaf_mm, per_book, source = _format_of(metal, works, own=True)
    if source == metal.format_source and metal.other_formats:
        others = "; ".join(metal.other_formats)
        notes.append(
            f"Leaf of {leaf_mm[0]:g} × {leaf_mm[1]:g} mm is assumed for {metal.name}; also met: {others}. "
            "Ask the supplier, and order one format only: mixed formats cut differently and their laps show."
        )
    offered = _offered(works, metal.name)
    sizes = sorted({side for side, _ in offered} | ({leaf_mm[0]} if works.leaf_side_mm else set()))
    if len(sizes) > 1:
        named = " and ".join(f"{side:g} mm" for side in sizes)
        notes.append(
            f"MIXED FORMATS: {metal.name} leaf of {named} is stated. They cut differently, their laps show, and two "
            f"batches differ in tint: order one. {leaf_mm[0]:g} mm is counted here."
        )
    return leaf_mm, per_book, source, notes


def _format_of(metal: Metal, works: WorksEntry, *, own: bool) -> tuple[Size, int, str]:
    """Format as the study states it, else as the price list offers it, else the commonest."""
    offered = _offered(works, metal.name)
    side, book = offered[0] if offered else (None, None)
    source = metal.format_source
    leaf_mm = metal.leaf_mm
    if side is not None:
        leaf_mm, source = (side, side), "as offered in the price list"
    if own and works.leaf_side_mm is not None:
        leaf_mm, source = works.leaf_side_mm, "as stated in the study"
    per_book = (works.leaves_per_book if own else None) or book or metal.leaves_per_book
    return (float(leaf_mm[0]), float(leaf_mm[1])), per_book, source


def _offered(works: WorksEntry, metal: str) -> list[tuple[float, int | None]]:
    """Side and leaves per book of every leaf of this metal in the price list."""
    return [
        (price.side_mm, price.leaves_per_book)
        for price in works.prices
        if price.side_mm is not None and leaf_metal(price.item) == metal
    ]


def _allowances(n_cut: int, spoilage_ratio: float, reserve_ratio: float) -> tuple[int, int]:
    """Leaves for tearing and for repair, each in whole leaves."""
    return math.ceil(n_cut * spoilage_ratio - 1e-9), math.ceil(n_cut * reserve_ratio - 1e-9)


def _metals(
    works: WorksEntry, needs: Sequence[Need], margin_mm: float, lap_mm: float, ratios: tuple[float, float]
) -> tuple[MetalNeed, ...]:
    stated = metal_in(works.metal) if works.metal is not None else None
    rows = []
    for metal in METALS.values():
        own = metal is stated
        leaf_mm, per_book, _ = _format_of(metal, works, own=own)
        cuts = _cuts(needs, works.cut, leaf_mm, margin_mm, lap_mm)
        n_cut = count_leaves(cuts, leaf_mm)
        n_leaves = n_cut + sum(_allowances(n_cut, *ratios))
        mass = mass_g(metal, n_leaves * leaf_mm[0] * leaf_mm[1] * 1e-6)
        rows.append(
            MetalNeed(
                metal=metal.name,
                leaf_mm=leaf_mm,
                leaves_per_book=per_book,
                n_leaves_cut=n_cut,
                n_leaves=n_leaves,
                n_books=math.ceil(n_leaves / per_book),
                mass_g=None if mass is None else mass[0],
                mass_source="" if mass is None else mass[1],
                tarnish=metal.tarnish,
                source=metal.tarnish_source,
                stated=own,
            )
        )
    return tuple(rows)


def _next_step(margin_steps: Sequence[Step], scale_steps: Sequence[Step], margin_mm: float) -> str:
    """The neighbouring steps of the staircase, in words."""
    here = next((k for k, step in enumerate(margin_steps) if margin_mm <= step.upto), None)
    if here is None:
        return "One leaf is too small for a motif: leaves are laid edge over edge."
    words = [f"{margin_steps[here].n_pieces} from a leaf"]
    if here:
        gain = margin_steps[here - 1]
        words.append(f"{gain.n_pieces} with a margin of {_down(gain.upto)} mm or less")
    if here + 1 < len(margin_steps):
        words.append(f"only {margin_steps[here + 1].n_pieces} above {_down(margin_steps[here].upto)} mm")
    at = next((k for k, step in enumerate(scale_steps) if step.upto >= 1.0), None)
    if at:
        gain = scale_steps[at - 1]
        words.append(f"{gain.n_pieces} if the motif were {100 * (1 - gain.upto):.1f} % smaller")
    return "; ".join(words) + "."


def _down(value_mm: float) -> str:
    return f"{math.floor(value_mm * 10 + 1e-3) / 10:.1f}"


def _doubts(motif: Motif, margin_steps: Sequence[Step], margin_mm: float) -> tuple[str, ...]:
    """A step of the staircase within twice the spread of the motif's own outline."""
    if motif.shape_spread_mm is None:
        return ()
    reach_mm = 2 * motif.shape_spread_mm
    near = [step.upto for step in margin_steps[:-1] if abs(step.upto - margin_mm) <= reach_mm]
    if not near:
        return ()
    return (
        f"The pieces per leaf change at a margin of {near[0]:.1f} mm, and the motif's outline varies by "
        f"{motif.shape_spread_mm:.1f} mm from copy to copy: cut a trial leaf before ordering.",
    )


def _assumptions(works: WorksEntry, lap_mm: float, cuts: Sequence[FormCut]) -> tuple[Assumption, ...]:
    found = []
    if works.margin_mm is None:
        found.append(Assumption(name="margin when cutting", value=f"{MARGIN_MM:g} mm", source=COMMON_PRACTICE))
    if any(cut.leaves_per_motif > 1 for cut in cuts):
        source = "about 2 mm: How to apply leaf to walls & ceilings, goldleafsupplies.co.uk"
        found.append(Assumption(name="lap of leaf over leaf", value=f"{lap_mm:g} mm", source=source))
    if works.spoilage_ratio is None:
        found.append(Assumption(name="torn leaves", value=f"{SPOILAGE_RATIO:.0%}", source=COMMON_PRACTICE))
    if works.reserve_ratio is None:
        name = "kept for repair, same batch"
        found.append(Assumption(name=name, value=f"{RESERVE_RATIO:.0%}", source=COMMON_PRACTICE))
    return tuple(found)
