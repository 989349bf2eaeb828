"""Whether the motif is the same on both sides of an axis, or when turned: tested, never assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.motifs import outlines as lines
from fragkit.motifs.copies import Grid
from fragkit.motifs.motif import Motif
from fragkit.motifs.sharpening import CAUTION, edge_width_px, sharpen
from fragkit.opencv import cv2
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

TURNS = (2, 3, 4, 5, 6)
AXIS_STEP_DEG = 3.0
N_DRAWS = 40
LEAST_WEIGHT = 0.5
NOT_TOLD_SD = 2.0
LEAST_SD_PX = 0.15
"""What blur leaves unknown of an edge, as in the area of the metal."""


@dataclass(frozen=True, kw_only=True)
class Symmetry:
    """One symmetry of the metal, tested.

    Attributes
    ----------
    kind : str
        "mirror" or "turn".
    angle_deg : float
        Direction of the mirror's axis from the horizontal (90 is upright), or the turn.
    mismatch_mm : float
        Mean distance between the metal's edge and that of its image, noise taken off.
    sd_mm : float
        One standard deviation of an edge: half of what two halves of the examples differ by, and what blur leaves open.
    holds : bool
        Whether the mismatch is within two standard deviations of none.
    """

    kind: str
    angle_deg: float
    mismatch_mm: float
    sd_mm: float
    holds: bool

    def __repr__(self) -> str:
        name = f"mirror at {self.angle_deg:.0f}°" if self.kind == "mirror" else f"turn by {self.angle_deg:.0f}°"
        return f"<Symmetry: {name}, mismatch {with_sd(self.mismatch_mm, self.sd_mm, 'mm')}>"

    def _repr_html_(self) -> str:
        verdict = "not told apart from symmetric" if self.holds else "not symmetric"
        return card(
            "Symmetry", [(self.kind, f"{self.angle_deg:.0f}°"), ("verdict", verdict), ("test", repr(self)[1:-1])]
        )


def find_symmetries(motif: Motif, *, rng: np.random.Generator) -> tuple[Symmetry, ...]:
    """The best mirror axis through the metal's centroid and the turns by a half to a sixth, best first.

    Notes
    -----
    The area by which the metal and its image differ, divided by twice the edge's length, is a mean distance of edges.
    Noise makes it positive too: the examples are parted into two halves again and again, and what the halves differ by
    is taken off in squares.
    The halves are of examples as they are, not straightened: a hand's bends are what makes the mean of a few copies of
    a symmetric motif asymmetric. Halves of straightened copies agree without it, and on simulated walls they called a
    third of symmetric motifs asymmetric.
    """
    copies = motif.metal + motif.residuals
    weight = motif.seen.astype(np.float32)
    edge_mm = max(lines.total_length(motif.outlines["metal"]), 1.0)
    axis = _best_axis(motif, np.arange(0.0, 180.0, AXIS_STEP_DEG))
    axis = _best_axis(motif, axis + np.linspace(-AXIS_STEP_DEG, AXIS_STEP_DEG, 25))
    tested = [("mirror", axis)] + [("turn", 360.0 / n) for n in TURNS]
    means = [_halves(copies, weight, motif.metal, rng) for _ in range(N_DRAWS)]
    found = [_tested(motif, kind, angle, means, edge_mm) for kind, angle in tested]
    return tuple(sorted(found, key=lambda s: s.mismatch_mm))


def _best_axis(motif: Motif, angles_deg: FloatArray) -> float:
    """The mirror axis of these with the smallest mismatch."""
    away = [_distance(motif.metal, _image(motif.metal, motif, "mirror", float(a)), 1.0, 1.0) for a in angles_deg]
    return float(angles_deg[int(np.argmin(away))])


def symmetrised(motif: Motif, symmetry: Symmetry) -> Motif:
    """The motif made symmetric, because someone asks for it; how far that moves its edges is in the notes.

    Metal's map and outlines are the mean of the metal and its images; the shadow, which is painted for one light,
    stays as it is.
    """
    order = 2 if symmetry.kind == "mirror" else round(360.0 / symmetry.angle_deg)
    angles = [symmetry.angle_deg * k for k in range(1, order)] if symmetry.kind == "turn" else [symmetry.angle_deg]
    images = [_image(motif.metal, motif, symmetry.kind, angle) for angle in angles]
    metal = np.asarray(np.mean([motif.metal, *images], axis=0), np.float32)
    width_px = edge_width_px(metal)
    typical = metal if width_px is None else sharpen(metal, CAUTION * width_px)
    grid = Grid(mm_per_px=motif.mm_per_px, shape=metal.shape, centre_px=(motif.origin_px[0], motif.origin_px[1]))
    outlines = {**motif.outlines, "metal": lines.outlines_of(typical, grid)}
    note = (
        f"Made symmetric on request ({symmetry.kind}, {symmetry.angle_deg:.0f}°): its edge differs from its image by "
        f"{with_sd(symmetry.mismatch_mm, symmetry.sd_mm, 'mm')} in the mean."
    )
    return replace(
        motif,
        metal=frozen_array(metal, np.float32),
        ground=frozen_array(np.clip(1.0 - metal - motif.shadow, 0.0, 1.0), np.float32),
        outlines=outlines,
        doubts_mm={k: halves for k, halves in motif.doubts_mm.items() if k != "metal"},
        bands_mm={k: bands for k, bands in motif.bands_mm.items() if k != "metal"},
        metal_area_mm2=lines.total_area(outlines["metal"]),
        notes=(*motif.notes, note),
    )


def _halves(
    copies: Float32Array, weight: Float32Array, whole: Float32Array, rng: np.random.Generator
) -> tuple[Float32Array, Float32Array]:
    """Two means (h, w) of independent halves of the examples; the whole's where a half shows nothing."""
    order = rng.permutation(len(copies))
    parts = []
    for members in (order[::2], order[1::2]):
        total = weight[members].sum(0)
        mean = (copies[members] * weight[members]).sum(0) / np.maximum(total, np.float32(1e-3))
        parts.append(np.where(total > LEAST_WEIGHT, mean, whole).astype(np.float32))
    return parts[0], parts[1]


def _tested(
    motif: Motif, kind: str, angle: float, means: list[tuple[Float32Array, Float32Array]], edge_mm: float
) -> Symmetry:
    pitch = motif.mm_per_px
    across = np.array([_distance(a, _image(b, motif, kind, angle), pitch, edge_mm) for a, b in means])
    within = np.array([_distance(a, b, pitch, edge_mm) for a, b in means])
    squares = across**2 - within**2
    mismatch = float(np.sqrt(max(squares.mean(), 0.0)))
    sd = float(np.hypot(within.mean() / 2.0, LEAST_SD_PX * pitch))
    return Symmetry(
        kind=kind, angle_deg=float(angle), mismatch_mm=mismatch, sd_mm=sd, holds=mismatch < NOT_TOLD_SD * sd
    )


def _distance(one: Float32Array, other: Float32Array, mm_per_px: float, edge_mm: float) -> float:
    """Area by which two maps differ over the length of their edges: a mean distance, mm."""
    return float(np.abs(one - other).sum()) * mm_per_px**2 / edge_mm


def _image(metal: Float32Array, motif: Motif, kind: str, angle_deg: float) -> Float32Array:
    """The map mirrored at an axis through the centre, or turned anticlockwise about it."""
    t = np.radians(angle_deg)
    if kind == "mirror":
        linear = np.array([[np.cos(2.0 * t), -np.sin(2.0 * t)], [-np.sin(2.0 * t), -np.cos(2.0 * t)]])
    else:
        linear = np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
    centre = np.asarray(motif.origin_px, float)
    matrix = np.column_stack([linear, centre - linear @ centre])
    return np.asarray(cv2.warpAffine(metal, matrix, metal.shape[::-1], flags=cv2.INTER_LINEAR), np.float32)
