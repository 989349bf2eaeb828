"""Leaf for a whole layout, counted by cutting."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.works.metals import COMMON_PRACTICE, METALS, Metal, areal_mass_g_m2, find_metal
from fragkit.works.nesting import Nesting, Size, Step, nest, pieces_per_leaf, staircase
from fragkit.works.tiling import tile

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.motifs import Motif
    from fragkit.survey import WorksEntry

MARGIN_MM = 4.0
LAP_MM = 2.0
SPOILAGE_RATIO = 0.10
RESERVE_RATIO = 0.05

Outlines = Sequence[NDArray[Any]]


@dataclass(frozen=True, kw_only=True)
class Assumption:
    """A number that nobody measured here: what, how much, on whose word."""

    name: str
    value: str
    source: str


@dataclass(frozen=True, kw_only=True)
class FormCut:
    """Motifs that need the same cut piece.

    Attributes
    ----------
    form : str
    scale_ratio : float
        Size against the full motif, rounded up to half a percent.
    n_motifs : int
    piece_mm : (width, height)
        Box of the metal with the margin all round.
    pieces_per_leaf : int
        0 when one leaf is too small.
    leaves_per_motif : int
        1, or more when leaves must be laid edge over edge.
    """

    form: str
    scale_ratio: float
    n_motifs: int
    piece_mm: Size
    pieces_per_leaf: int
    leaves_per_motif: int


@dataclass(frozen=True, kw_only=True)
class MetalNeed:
    """What the whole layout needs in one metal, in its commonest format or the one stated."""

    metal: str
    leaf_mm: Size
    leaves_per_book: int
    n_leaves: int
    n_books: int
    mass_g: tuple[float, float] | None
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
    margin_steps, scale_steps : tuple of Step
        Pieces per leaf against the margin (mm) and against the size of the motif (1 is as found).
    next_step : str
        Distance to the neighbouring steps, in words.
    metal_area_m2, leaf_area_m2 : float
        Metal on the wall; leaf bought.
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
    n_leaves_by_area: float
    cutting: Nesting | None
    margin_steps: tuple[Step, ...]
    scale_steps: tuple[Step, ...]
    next_step: str
    metal_area_m2: float
    leaf_area_m2: float
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
        return card("Leaf by cutting", rows, notes=self.notes)


@dataclass(frozen=True, kw_only=True)
class _Need:
    """Motifs of one form and scale, before any leaf is chosen."""

    form: str
    scale_ratio: float
    n_motifs: int
    outlines: tuple[NDArray[Any], ...]

    @property
    def box_mm(self) -> Size:
        points = np.vstack(self.outlines)
        width, height = np.ptp(points, axis=0)
        return float(width), float(height)


def take_off(
    layout: Layout,
    motif: Motif,
    works: WorksEntry,
    *,
    lap_mm: float = LAP_MM,
    spoilage_ratio: float = SPOILAGE_RATIO,
    reserve_ratio: float = RESERVE_RATIO,
) -> TakeOff:
    """Leaves and books for every motif of a layout, counted by cutting.

    Parameters
    ----------
    layout : Layout
    motif : Motif
        Its metal outlines stand in for forms that have none of their own.
    works : WorksEntry
        Metal, leaf format and margin, as far as the study states them.
    lap_mm : float
        How far leaves lie over each other when a motif is larger than one.
    spoilage_ratio, reserve_ratio : float
        Leaves that tear, and leaves of the same batch kept for later repair, per leaf cut.

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
    for name, value in (("margin_mm", margin_mm), ("spoilage", spoilage_ratio), ("reserve", reserve_ratio)):
        if not value >= 0:
            raise ValueError(f"{name} is {value}; it must be 0 or more. State it as a plain positive number.")
    leaf_mm, per_book, format_source, notes = _format(works)
    needs = _needs(layout, motif)
    forms = tuple(_cut(need, leaf_mm, margin_mm, lap_mm) for need in needs)
    n_cut = _leaves(forms, leaf_mm)
    n_spoilt, n_reserve = _allowances(n_cut, spoilage_ratio, reserve_ratio)
    metal_area_mm2 = sum(need.n_motifs * _area_mm2(need.outlines) for need in needs)
    box_mm = _whole_box(layout, motif)
    margin_steps = staircase(
        lambda m: _grown(box_mm, 1.0, m), leaf_mm, low=0.0, high=max(10.0, 2 * margin_mm)
    )
    scale_steps = staircase(lambda s: _grown(box_mm, s, margin_mm), leaf_mm, low=0.6, high=1.4)
    n_leaves = n_cut + n_spoilt + n_reserve
    piece_mm = _grown(box_mm, 1.0, margin_mm)
    cutting = nest(piece_mm, leaf_mm)
    needed = _metals(works, needs, margin_mm, lap_mm, (spoilage_ratio, reserve_ratio))
    return TakeOff(
        n_motifs=sum(need.n_motifs for need in needs),
        metal=works.metal,
        leaf_mm=leaf_mm,
        leaves_per_book=per_book,
        format_source=format_source,
        margin_mm=margin_mm,
        forms=forms,
        n_leaves_cut=n_cut,
        n_leaves_spoilt=n_spoilt,
        n_leaves_reserve=n_reserve,
        n_leaves=n_leaves,
        n_books=math.ceil(n_leaves / per_book),
        n_leaves_by_area=metal_area_mm2 / (leaf_mm[0] * leaf_mm[1]),
        cutting=cutting if cutting.n_pieces else None,
        margin_steps=margin_steps,
        scale_steps=scale_steps,
        next_step=_next_step(margin_steps, scale_steps, margin_mm),
        metal_area_m2=metal_area_mm2 * 1e-6,
        leaf_area_m2=n_leaves * leaf_mm[0] * leaf_mm[1] * 1e-6,
        metals=needed,
        assumptions=_assumptions(works, lap_mm, spoilage_ratio, reserve_ratio, forms),
        notes=(*notes, *_doubts(motif, margin_steps, margin_mm)),
    )


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
        metal = _stand_in(works.metal) if stated else find_metal(works.metal)
    leaf_mm = works.leaf_side_mm or metal.leaf_mm
    source = "as stated in the study" if works.leaf_side_mm else metal.format_source
    if works.leaf_side_mm is None and metal.other_formats:
        others = "; ".join(metal.other_formats)
        notes.append(
            f"Leaf of {leaf_mm[0]:g} × {leaf_mm[1]:g} mm is assumed for {metal.name}; also met: {others}. "
            "Ask the supplier, and order one format only: mixed formats cut differently and their laps show."
        )
    return (
        (float(leaf_mm[0]), float(leaf_mm[1])),
        works.leaves_per_book or metal.leaves_per_book,
        source,
        notes,
    )


def _stand_in(name: str) -> Metal:
    """The listed metal, or gold's entry when format and book are stated and so nothing of it is used."""
    try:
        return find_metal(name)
    except ValueError:
        return METALS["gold"]


def _needs(layout: Layout, motif: Motif) -> tuple[_Need, ...]:
    counts: Counter[tuple[str, float]] = Counter()
    for wall in layout.walls:
        scales = np.ceil(np.round(np.asarray(wall.scale_ratio, float) * 200, 6)) / 200
        counts.update(zip(wall.form, scales.tolist(), strict=True))
    return tuple(
        _Need(
            form=form,
            scale_ratio=scale,
            n_motifs=count,
            outlines=tuple(scale * np.asarray(line, float) for line in _metal_of(layout.forms, form, motif)),
        )
        for (form, scale), count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    )


def _metal_of(forms: Mapping[str, Any], form: str, motif: Motif) -> Outlines:
    layers = forms.get(form) or {}
    return tuple(layers.get("metal") or motif.outlines["metal"])


def _whole_box(layout: Layout, motif: Motif) -> Size:
    width, height = np.ptp(np.vstack(_metal_of(layout.forms, "whole", motif)), axis=0)
    return float(width), float(height)


def _area_mm2(outlines: Outlines) -> float:
    """Area of the metal; an outline inside another is a hole."""
    area = shapely.Polygon()
    for line in outlines:
        area = area.symmetric_difference(shapely.Polygon(line).buffer(0))
    return float(area.area)


def _grown(box_mm: Size, scale: float, margin_mm: float) -> Size:
    return box_mm[0] * scale + 2 * margin_mm, box_mm[1] * scale + 2 * margin_mm


def _cut(need: _Need, leaf_mm: Size, margin_mm: float, lap_mm: float) -> FormCut:
    piece_mm = _grown(need.box_mm, 1.0, margin_mm)
    per_leaf = pieces_per_leaf(piece_mm, leaf_mm)
    tiles = 1 if per_leaf else tile(need.outlines, leaf_mm, margin_mm=margin_mm, lap_mm=lap_mm).n_leaves
    return FormCut(
        form=need.form,
        scale_ratio=need.scale_ratio,
        n_motifs=need.n_motifs,
        piece_mm=piece_mm,
        pieces_per_leaf=per_leaf,
        leaves_per_motif=tiles,
    )


def _leaves(forms: Sequence[FormCut], leaf_mm: Size) -> int:
    """Whole leaves: full ones form by form, then the leftovers of all forms together if that needs fewer."""
    tiled = sum(cut.n_motifs * cut.leaves_per_motif for cut in forms if not cut.pieces_per_leaf)
    nested = [cut for cut in forms if cut.pieces_per_leaf]
    full = sum(cut.n_motifs // cut.pieces_per_leaf for cut in nested)
    left_over = [cut for cut in nested if cut.n_motifs % cut.pieces_per_leaf]
    if not left_over:
        return tiled + full
    largest = max(cut.piece_mm[0] for cut in left_over), max(cut.piece_mm[1] for cut in left_over)
    shared = pieces_per_leaf(largest, leaf_mm)
    n_pieces = sum(cut.n_motifs % cut.pieces_per_leaf for cut in left_over)
    together = math.ceil(n_pieces / shared) if shared else len(left_over)
    return tiled + full + min(together, len(left_over))


def _allowances(n_cut: int, spoilage_ratio: float, reserve_ratio: float) -> tuple[int, int]:
    """Leaves for tearing and for repair, each in whole leaves."""
    return math.ceil(n_cut * spoilage_ratio - 1e-9), math.ceil(n_cut * reserve_ratio - 1e-9)


def _metals(
    works: WorksEntry, needs: Sequence[_Need], margin_mm: float, lap_mm: float, ratios: tuple[float, float]
) -> tuple[MetalNeed, ...]:
    stated = None
    if works.metal is not None:
        stated = next((name for name, metal in METALS.items() if metal is _stand_in(works.metal)), None)
    rows = []
    for metal in METALS.values():
        own = metal.name == stated
        leaf_mm = works.leaf_side_mm if own and works.leaf_side_mm else metal.leaf_mm
        per_book = works.leaves_per_book if own and works.leaves_per_book else metal.leaves_per_book
        forms = [_cut(need, leaf_mm, margin_mm, lap_mm) for need in needs]
        n_cut = _leaves(forms, leaf_mm)
        n_leaves = n_cut + sum(_allowances(n_cut, *ratios))
        rows.append(
            MetalNeed(
                metal=metal.name,
                leaf_mm=leaf_mm,
                leaves_per_book=per_book,
                n_leaves=n_leaves,
                n_books=math.ceil(n_leaves / per_book),
                mass_g=_mass_g(metal, n_leaves, leaf_mm),
                tarnish=metal.tarnish,
                source=metal.tarnish_source,
                stated=own,
            )
        )
    return tuple(rows)


def _mass_g(metal: Metal, n_leaves: int, leaf_mm: Size) -> tuple[float, float] | None:
    if metal.mass_g_per_1000 is None or metal.mass_leaf_mm is None:
        return None
    area_m2 = n_leaves * leaf_mm[0] * leaf_mm[1] * 1e-6
    low, high = (areal_mass_g_m2(mass, metal.mass_leaf_mm) * area_m2 for mass in metal.mass_g_per_1000)
    return low, high


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


def _assumptions(
    works: WorksEntry,
    lap_mm: float,
    spoilage_ratio: float,
    reserve_ratio: float,
    forms: Sequence[FormCut],
) -> tuple[Assumption, ...]:
    found = []
    if works.margin_mm is None:
        found.append(
            Assumption(name="margin when cutting", value=f"{MARGIN_MM:g} mm", source=COMMON_PRACTICE)
        )
    if any(cut.leaves_per_motif > 1 for cut in forms):
        source = "about 2 mm: How to apply leaf to walls & ceilings, goldleafsupplies.co.uk"
        found.append(Assumption(name="lap of leaf over leaf", value=f"{lap_mm:g} mm", source=source))
    found.append(Assumption(name="torn leaves", value=f"{spoilage_ratio:.0%}", source=COMMON_PRACTICE))
    found.append(
        Assumption(name="kept for repair, same batch", value=f"{reserve_ratio:.0%}", source=COMMON_PRACTICE)
    )
    return tuple(found)
