"""Damage that is correlated in space: losses, cracks, nail holes, water stains, patches of later paint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from fragkit.opencv import cv2
from fragkit.simulate.canvas import Canvas, Map, soft_step

LOSS_EDGE = 0.01
"""Width of a torn edge, in standard deviations of the field of losses: about a pixel."""

PAPER_DEPTH = 0.34
"""How much deeper a loss must be for the paper to have gone as well, in the same unit."""


@dataclass(frozen=True, kw_only=True)
class Wear:
    """What time did to a fragment.

    Attributes
    ----------
    loss_ratio : float
        Share of the fragment whose decorated surface is gone.
    loss_scale_mm : float
        Size of a typical loss.
    tarnish_ratio : float
        0 all leaf still bright, 1 all of it dark; between, it varies from place to place.
    abrasion_ratio : float
        Share of the leaf that is rubbed off in specks, more in some places than in others.
    overpaint_ratio : float
        Share of the fragment under patches of filler or later paint.
    n_cracks, n_nail_holes, n_stains : int
    """

    loss_ratio: float = 0.27
    loss_scale_mm: float = 85.0
    tarnish_ratio: float = 0.57
    abrasion_ratio: float = 0.04
    overpaint_ratio: float = 0.02
    n_cracks: int = 5
    n_nail_holes: int = 6
    n_stains: int = 2

    def __post_init__(self) -> None:
        for name in ("loss_ratio", "tarnish_ratio", "abrasion_ratio", "overpaint_ratio"):
            value = getattr(self, name)
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} is {value}; it is a share and must lie between 0 and 1")


UNWORN = Wear(
    loss_ratio=0.0,
    tarnish_ratio=1.0,
    abrasion_ratio=0.0,
    overpaint_ratio=0.0,
    n_cracks=0,
    n_nail_holes=0,
    n_stains=0,
)
"""A surface as new, but for its leaf, which is dark."""


def losses(canvas: Canvas, fragment: Map, *, wear: Wear, rng: np.random.Generator) -> tuple[Map, Map]:
    """Two maps 0..1: where the decorated surface is gone, and where the paper behind it is gone as well."""
    scale = wear.loss_scale_mm
    parts = ((1.0, 1.0), (0.3, 0.5), (0.1, 0.24), (0.035, 0.13), (0.012, 0.06))
    field = canvas.smooth_sum(*((part * scale, weight) for part, weight in parts), rng=rng)
    level = _level(field, fragment, wear.loss_ratio)
    below = np.subtract(np.float32(level), field, out=field)
    return soft_step(below, LOSS_EDGE), soft_step(below - np.float32(PAPER_DEPTH), LOSS_EDGE)


def abrasion(canvas: Canvas, wear: Wear, rng: np.random.Generator) -> Map:
    """Map 0..1 of specks where leaf is rubbed off."""
    field = canvas.smooth_sum((1.6, 1.0), (40.0, 0.7), rng=rng)
    if wear.abrasion_ratio <= 0.0:
        return np.zeros_like(field)
    level = np.hypot(1.0, 0.7) * ndtri(1.0 - wear.abrasion_ratio)
    return soft_step(field - np.float32(level), 0.5)


def overpaint(canvas: Canvas, fragment: Map, *, wear: Wear, rng: np.random.Generator) -> Map:
    """Map 0..1 of patches of filler and later paint."""
    field = canvas.smooth_sum((70.0, 1.0), (9.0, 0.12), rng=rng)
    return soft_step(np.float32(_level(field, fragment, wear.overpaint_ratio)) - field, 0.03)


def _level(field: Map, fragment: Map, share: float) -> float:
    """The value below which `share` of the field inside the fragment lies."""
    inside = field[::4, ::4][fragment[::4, ::4] > 0.5]
    if share <= 0.0 or inside.size == 0:
        return float(field.min()) - 9.0
    return float(np.quantile(inside, share))


def cracks(canvas: Canvas, n_cracks: int, rng: np.random.Generator) -> Map:
    """Map 0..1 of wandering cracks with a few branches."""
    drawn = np.zeros(canvas.shape, np.uint8)
    for _ in range(n_cracks):
        path = _wander(canvas, rng.uniform([0, 0], canvas.shape[::-1]), rng.uniform(0, 2 * np.pi), rng)
        width_px = max(1, round(rng.uniform(0.35, 0.9) / canvas.mm_per_px))
        cv2.polylines(drawn, [path], False, 255, width_px, cv2.LINE_AA)
        start = path[int(rng.integers(len(path)))].astype(float)
        branch = _wander(canvas, start, rng.uniform(0, 2 * np.pi), rng)[:40]
        cv2.polylines(drawn, [branch], False, 190, 1, cv2.LINE_AA)
    return cv2.GaussianBlur(drawn, (0, 0), 0.8).astype(np.float32) / np.float32(255.0)


def _wander(canvas: Canvas, start_px: np.ndarray, heading: float, rng: np.random.Generator) -> np.ndarray:
    n_steps = int(rng.integers(60, 220))
    headings = heading + np.cumsum(rng.normal(0.0, 0.16, n_steps)) + rng.normal(0.0, 0.3, n_steps)
    steps = np.column_stack([np.cos(headings), np.sin(headings)]) * 2.0 / canvas.mm_per_px
    return np.round(start_px + np.cumsum(steps, axis=0)).astype(np.int32)


def nail_holes(canvas: Canvas, n_holes: int, rng: np.random.Generator) -> tuple[Map, Map]:
    """Two maps 0..1: the holes, and the rust that spread round them."""
    holes = np.zeros(canvas.shape, np.uint8)
    for centre in rng.uniform([0, 0], canvas.shape[::-1], (n_holes, 2)):
        radius_px = round(rng.uniform(1.1, 2.3) / canvas.mm_per_px)
        cv2.circle(holes, tuple(int(c) for c in centre), radius_px, 255, -1, cv2.LINE_AA)
    sharp = cv2.GaussianBlur(holes, (0, 0), 1.0).astype(np.float32) / np.float32(255.0)
    halo = cv2.GaussianBlur(sharp[::4, ::4], (0, 0), 3.5 / (4 * canvas.mm_per_px))
    halo = cv2.resize(halo, canvas.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return sharp, np.clip(3.0 * halo, 0.0, 1.0)


def stains(canvas: Canvas, n_stains: int, rng: np.random.Generator) -> Map:
    """Map 0..1 of what water darkened: areas, and the darker tide line round each."""
    small = Canvas(box_mm=canvas.box_mm, mm_per_px=1.0)
    water = np.zeros(small.shape, np.float32)
    field = small.smooth_sum((160.0, 1.0), (30.0, 0.25), rng=rng)
    for level in np.linspace(1.2, 1.9, n_stains, dtype=np.float32):
        line = np.exp(-(((field - level) / np.float32(0.05)) ** 2))
        water = np.maximum(water, 0.16 * soft_step(field - level, 0.25) + 0.16 * line)
    return canvas.enlarge(water)
