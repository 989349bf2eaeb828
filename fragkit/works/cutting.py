"""What is cut out of leaf for every form and size of a layout: the whole box of a motif, or its parts one by one."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.works.nesting import Size, pieces_per_leaf
from fragkit.works.tiling import tile

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.motifs import Motif

Outlines = Sequence[NDArray[Any]]

_SCALE_STEPS = 200
_PART_STEP_MM = 0.1


@dataclass(frozen=True, kw_only=True)
class Need:
    """Motifs of one form and scale, before any leaf is chosen."""

    form: str
    scale_ratio: float
    n_motifs: int
    metal: tuple[NDArray[Any], ...]
    shadow: tuple[NDArray[Any], ...]

    @property
    def box_mm(self) -> Size:
        width, height = np.ptp(np.vstack(self.metal), axis=0)
        return float(width), float(height)


@dataclass(frozen=True, kw_only=True)
class FormCut:
    """Equal pieces for the motifs of one form and size.

    Attributes
    ----------
    form : str
    scale_ratio : float
        Size against the full motif, rounded up to half a percent.
    n_motifs : int
        Pieces of this kind; the motifs, when whole boxes are cut.
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
class Parting:
    """Whole boxes against separate parts of the motif, in leaves cut.

    Attributes
    ----------
    n_leaves_whole, n_leaves_parts : int
    n_parts : int
        Separate parts of the whole motif.
    """

    n_leaves_whole: int
    n_leaves_parts: int
    n_parts: int

    @property
    def words(self) -> str:
        whole, parts = f"{self.n_leaves_whole:,}", f"{self.n_leaves_parts:,}"
        if self.n_leaves_parts < self.n_leaves_whole:
            rest = f"that takes {parts} leaves instead of {whole}, but {self.n_parts} pieces to lay for each motif"
            return f"Cheaper in leaf: cutting the {self.n_parts} parts of a motif separately; {rest}."
        if self.n_leaves_parts == self.n_leaves_whole:
            return f"Cutting the {self.n_parts} parts of a motif separately takes just as many leaves, {whole}."
        return f"Cheaper in leaf: the whole box, {whole} leaves; its {self.n_parts} parts separately take {parts}."


def needs_of(layout: Layout, motif: Motif) -> tuple[Need, ...]:
    """Forms and sizes of a layout, the commonest first; the motif stands in for forms without outlines."""
    counts: Counter[tuple[str, float]] = Counter()
    for wall in layout.walls:
        scales = np.ceil(np.round(np.asarray(wall.scale_ratio, float) * _SCALE_STEPS, 6)) / _SCALE_STEPS
        counts.update(zip(wall.form, scales.tolist(), strict=True))
    return tuple(
        Need(
            form=form,
            scale_ratio=scale,
            n_motifs=count,
            metal=_scaled(outlines_of(layout.forms, form, motif, "metal"), scale),
            shadow=_scaled(outlines_of(layout.forms, form, motif, "shadow"), scale),
        )
        for (form, scale), count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    )


def outlines_of(forms: Mapping[str, Any], form: str, motif: Motif, layer: str) -> Outlines:
    """Outlines of one layer of a form, or those of the motif."""
    layers = forms.get(form) or {}
    return tuple(layers.get(layer) or motif.outlines.get(layer, ()))


def area_mm2(outlines: Outlines) -> float:
    """Area of outlines; one inside another is a hole."""
    return float(_shape(outlines).area)


def grown(box_mm: Size, scale: float, margin_mm: float) -> Size:
    """A box scaled, with the margin all round."""
    return box_mm[0] * scale + 2 * margin_mm, box_mm[1] * scale + 2 * margin_mm


def cut_whole(need: Need, leaf_mm: Size, margin_mm: float, lap_mm: float) -> FormCut:
    """Each motif from one piece, its whole box."""
    return _cut(need, need.metal, need.n_motifs, leaf_mm, margin_mm, lap_mm)


def cut_parts(need: Need, leaf_mm: Size, margin_mm: float, lap_mm: float) -> tuple[FormCut, ...]:
    """Each separate part of a motif from a piece of its own; parts of one size (to 0.1 mm) are cut together."""
    sorts: dict[tuple[int, int], list[NDArray[Any]]] = {}
    for part in _parts(need.metal):
        ring = np.asarray(part.exterior.coords)
        width, height = np.ceil(np.ptp(ring, axis=0) / _PART_STEP_MM - 1e-6).astype(int).tolist()
        sorts.setdefault((width, height), []).append(ring)
    return tuple(
        _cut(need, (rings[0],), need.n_motifs * len(rings), leaf_mm, margin_mm, lap_mm) for rings in sorts.values()
    )


def n_parts(outlines: Outlines) -> int:
    """Separate parts of the metal."""
    return len(_parts(outlines))


def count_leaves(cuts: Sequence[FormCut], leaf_mm: Size) -> int:
    """Whole leaves: full ones kind by kind, then the leftovers of all kinds together if that needs fewer."""
    tiled = sum(cut.n_motifs * cut.leaves_per_motif for cut in cuts if not cut.pieces_per_leaf)
    nested = [cut for cut in cuts if cut.pieces_per_leaf]
    full = sum(cut.n_motifs // cut.pieces_per_leaf for cut in nested)
    left_over = [cut for cut in nested if cut.n_motifs % cut.pieces_per_leaf]
    if not left_over:
        return tiled + full
    largest = max(cut.piece_mm[0] for cut in left_over), max(cut.piece_mm[1] for cut in left_over)
    shared = pieces_per_leaf(largest, leaf_mm)
    n_pieces = sum(cut.n_motifs % cut.pieces_per_leaf for cut in left_over)
    together = math.ceil(n_pieces / shared) if shared else len(left_over)
    return tiled + full + min(together, len(left_over))


def pieces_area_m2(cuts: Sequence[FormCut], leaf_mm: Size) -> float:
    """Leaf that ends in pieces: what is cut less this are the offcuts."""
    leaf_mm2 = leaf_mm[0] * leaf_mm[1]
    each = ((c.piece_mm[0] * c.piece_mm[1] if c.pieces_per_leaf else c.leaves_per_motif * leaf_mm2) for c in cuts)
    return 1e-6 * sum(cut.n_motifs * area for cut, area in zip(cuts, each, strict=True))


def _cut(need: Need, outlines: Outlines, n_pieces: int, leaf_mm: Size, margin_mm: float, lap_mm: float) -> FormCut:
    width, height = np.ptp(np.vstack(outlines), axis=0).tolist()
    piece_mm = grown((width, height), 1.0, margin_mm)
    per_leaf = pieces_per_leaf(piece_mm, leaf_mm)
    tiles = 1 if per_leaf else tile(outlines, leaf_mm, margin_mm=margin_mm, lap_mm=lap_mm).n_leaves
    return FormCut(
        form=need.form,
        scale_ratio=need.scale_ratio,
        n_motifs=n_pieces,
        piece_mm=piece_mm,
        pieces_per_leaf=per_leaf,
        leaves_per_motif=tiles,
    )


def _scaled(outlines: Outlines, scale: float) -> tuple[NDArray[Any], ...]:
    return tuple(scale * np.asarray(line, float) for line in outlines)


def _shape(outlines: Outlines) -> Any:
    area = shapely.Polygon()
    for line in outlines:
        if len(line) >= 3:
            area = area.symmetric_difference(shapely.Polygon(line).buffer(0))
    return area


def _parts(outlines: Outlines) -> list[Any]:
    shape = _shape(outlines)
    return [part for part in getattr(shape, "geoms", [shape]) if part.geom_type == "Polygon" and not part.is_empty]
