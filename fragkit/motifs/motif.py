"""The motif: the result of `build_motif`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.motifs.centres import Centres
from fragkit.motifs.parts import area_of, parts_of, rings_of
from fragkit.motifs.procrustes import Shapes
from fragkit.motifs.ring import RingCorrelation
from fragkit.motifs.spread import Spread
from fragkit.motifs.stance import Stance
from fragkit.sketch import sketch
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, eq=False, kw_only=True)
class Motif:
    """The motif as all its examples show it. Maps are (h, w), row 0 at the top.

    Attributes
    ----------
    mm_per_px : float
    origin_px : (2,) array
        Column and row of the motif's centre, its metal centroid, in the maps.
    metal, shadow, ground : (h, w) float32 arrays
        Share of the pixel that this surface takes, in the mean of the examples brought onto each other: each cut
        along its own bends, damage left out.
    support : (h, w) float32 array
        How many examples show the place, each weighted by how surely it is undamaged.
    outlines : mapping of str to tuple of (m, 2) arrays
        "metal" and "shadow": closed outlines in mm from the centre, y up; holes run clockwise.
    doubts_mm : mapping of str to tuple of (m,) arrays
        For every point of the outlines, half the width in mm that holds the true outline with 95 %.
    bands_mm : mapping of str to tuple of tuples of (m, 2) arrays
        What `doubt_bands` gives.
    width_mm, height_mm, metal_width_mm, metal_height_mm : float
        Boxes of metal and shadow together, and of metal.
    metal_area_mm2, metal_area_sd_mm2, shadow_area_mm2 : float
    n_examples : int
    weights : tuple of (picture number, i, j, weight)
        Visible share of the metal of every example.
    centre_offset_mm : (2,) array
        Where the metal centroid lies from the reference point of the centres that were given.
    shifts_mm : (n_examples, 2) array
        Corrections of the given centres, found by aligning the examples; `centre_offset_mm` not included.
    residuals : (n_examples, h, w) float32 array
        Share of metal in the example less that of the consensus; 0 where not seen.
    seen : (n_examples, h, w) bool array
    example_index : (n_examples, 3) array
        Picture number, i, j.
    silhouette_mm : (m, 2) array or None
        Outline of the largest connected part, its bare lines closed.
    strays_mm : (n_examples, points) array or None
        How far each example's edge lies outside the silhouette, every 0.5 mm along it; masked by `strays_seen`.
    shape_spread_mm : float or None
        How far examples stray from the outline (rms), place and noise taken off; None where too little is
        seen.
    spread : Spread or None
        The same with its sd, and with turn and size taken off: from every example, whatever arcs it still shows.
    shapes : Shapes or None
        Silhouettes of the examples that show nearly all of theirs, brought onto each other (Procrustes).
    stance : Stance or None
        How much the hand turned and sized its copies; None where fewer than eight show enough of it.
    resolution : RingCorrelation
        How fine a detail two halves of the examples agree on.
    labels : tuple of (h, w) uint8 arrays
        One per picture: 0 not read, 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work.
    label_percent : tuple of (h, w) uint8 arrays
        How sure each label is, 0 to 100 %: loss and later work together, since only a person can part them; 100 where
        the user gave the label, 0 where nothing was read.
    notes : tuple of str
    """

    mm_per_px: float
    origin_px: FloatArray
    metal: Float32Array
    shadow: Float32Array
    ground: Float32Array
    support: Float32Array
    outlines: Mapping[str, tuple[FloatArray, ...]]
    width_mm: float
    height_mm: float
    metal_width_mm: float
    metal_height_mm: float
    metal_area_mm2: float
    metal_area_sd_mm2: float
    shadow_area_mm2: float
    n_examples: int
    weights: tuple[tuple[int, int, int, float], ...]
    centre_offset_mm: FloatArray
    shifts_mm: FloatArray
    residuals: Float32Array
    seen: NDArray[np.bool_]
    example_index: NDArray[np.int64]
    silhouette_mm: FloatArray | None
    strays_mm: FloatArray | None
    strays_seen: NDArray[np.bool_] | None
    shape_spread_mm: float | None
    shapes: Shapes | None
    stance: Stance | None
    resolution: RingCorrelation
    labels: tuple[NDArray[np.uint8], ...]
    label_percent: tuple[NDArray[np.uint8], ...] = ()
    doubts_mm: Mapping[str, tuple[FloatArray, ...]] = field(default_factory=dict)
    spread: Spread | None = None
    bands_mm: Mapping[str, tuple[tuple[FloatArray, ...], ...]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def parts(self) -> tuple[tuple[FloatArray, ...], ...]:
        """The metal's connected parts (lobes, stem, dots), the largest first: the rings (m, 2) of each, holes too."""
        return tuple(rings_of(part) for part in parts_of(area_of(self.outlines.get("metal", ()))))

    def doubt_bands(self, layer: str) -> tuple[tuple[FloatArray, ...], ...]:
        """For each outline of a layer, the rings (m, 2) of the band that holds the true one with 95 %; after them
        those of parts too fine to have an outline, as a bare line of half a millimetre may be."""
        return self.bands_mm.get(layer, ())

    def __repr__(self) -> str:
        return (
            f"<Motif {self.width_mm:.1f} x {self.height_mm:.1f} mm, metal "
            f"{with_sd(self.metal_area_mm2, self.metal_area_sd_mm2, 'mm²')}, from {self.n_examples} examples>"
        )

    def _repr_html_(self) -> str:
        rows = [
            ("examples", str(self.n_examples)),
            ("metal and shadow", f"{self.width_mm:.1f} × {self.height_mm:.1f} mm"),
            ("metal", f"{self.metal_width_mm:.1f} × {self.metal_height_mm:.1f} mm"),
            ("metal area", with_sd(self.metal_area_mm2, self.metal_area_sd_mm2, "mm²")),
            ("spread of the outlines", "not measurable" if self.spread is None else self.spread.in_words()),
            ("outline of the metal known to", _doubt_words(self)),
            ("from copy to copy", "not measurable" if self.stance is None else self.stance.in_words()),
            ("narrowest line two halves show", _finest(self.resolution)),
        ]
        metal, shadow = self.outlines.get("metal", ()), self.outlines.get("shadow", ())
        drawn = sketch("Outline of the metal (shaded) and its shadow", rings_mm=metal, lines_mm=shadow)
        return card("Motif", rows, notes=self.notes, drawing=drawn)


def _doubt_words(motif: Motif) -> str:
    halves = motif.doubts_mm.get("metal", ())
    return "not measurable" if not halves else f"± {np.median(np.concatenate(halves)):.2f} mm (95 %)"


def _finest(resolution: RingCorrelation) -> str:
    return "nothing in common" if resolution.finest_mm is None else f"{resolution.finest_mm:.1f} mm"


def recentre(centres: Centres, motif: Motif, *, picture: int) -> Centres:
    """The centres as places of the motif's metal centroid, after the alignment of its examples.

    Parameters
    ----------
    centres : Centres
        Those of one picture as given to `build_motif`.
    motif : Motif
    picture : int
        Number of the picture among the examples of `build_motif`.

    Notes
    -----
    A found centre takes its own shift; the prediction of one that was not found takes the mean shift of its
    picture. Covariances stay as they were: alignment makes the centres better, not worse.
    """
    own = motif.shifts_mm[motif.example_index[:, 0] == picture]
    found = centres.found
    if len(own) != found.sum():
        raise ValueError(
            f"Picture {picture} gave {len(own)} examples, the centres have {int(found.sum())} found; "
            "give the centres from which the motif was built."
        )
    xy_mm = np.array(centres.xy_mm)
    xy_mm[found] += own
    if len(own):
        xy_mm[~found] += own.mean(axis=0)
    return replace(centres, xy_mm=frozen_array(xy_mm + motif.centre_offset_mm))
