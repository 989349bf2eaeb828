"""The hand in the full-size sheets: scatter, turn and size, bounded, independent, without waves along a row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

BOUND_SD = 2.0
"""No motif is scattered further than this many standard deviations, per coordinate; an assumption."""
WINDOW = 5
MAX_WAVE_MM = 1.0
"""A row's moving mean over five motifs stays this close to its line; an assumption."""
_SWEEPS = 200
_CLOSE_MM = 1e-9


@dataclass(frozen=True, kw_only=True)
class Hand:
    """What of the old hand is reproduced: standard deviations of place (per coordinate), turn and size."""

    scatter_sd_mm: float
    turn_sd_deg: float
    size_sd_ratio: float


NO_HAND = Hand(scatter_sd_mm=0.0, turn_sd_deg=0.0, size_sd_ratio=0.0)


def draw_stance(n: int, *, hand: Hand, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Turns (n,) in degrees and sizes (n,) about 1 of motifs: independent, normal, within ±2 sd."""
    drawn = np.clip(rng.normal(size=(2, n)), -BOUND_SD, BOUND_SD)
    return hand.turn_sd_deg * drawn[0], 1.0 + hand.size_sd_ratio * drawn[1]


def draw_scatter(
    row: NDArray[np.int64],
    along_mm: FloatArray,
    *,
    sd_mm: float,
    rng: np.random.Generator,
    max_wave_mm: float = MAX_WAVE_MM,
) -> FloatArray:
    """Offsets (n, 2) in mm of motifs from their sites.

    Parameters
    ----------
    row : (n,) int array
        Row of each motif.
    along_mm : (n,) array
        Its place in the row.
    sd_mm : float
        Standard deviation per coordinate, before bounding.

    Notes
    -----
    Independent normal offsets within ±2 sd, however the original came by its scatter: scatter that adds up from
    motif to motif would draw waves. Where the mean of five neighbours in a row leaves the line by more than
    the bound, the five are moved back together by the excess, again and again until no five do (projections on
    convex sets, which end at offsets that satisfy all of them).
    """
    offsets = np.zeros((len(row), 2))
    if sd_mm <= 0 or not len(row):
        return offsets
    drawn = rng.normal(0.0, sd_mm, offsets.shape)
    offsets = np.clip(drawn, -BOUND_SD * sd_mm, BOUND_SD * sd_mm)
    order = np.lexsort((along_mm, row))
    calm = _calm(offsets[order], row[order], max_wave_mm)
    offsets[order] = calm
    return offsets


def _calm(offsets: FloatArray, row: NDArray[np.int64], bound_mm: float) -> FloatArray:
    out = np.array(offsets)
    begins = np.arange(len(row) - WINDOW + 1)
    begins = begins[row[begins] == row[begins + WINDOW - 1]] if len(begins) else begins
    for _ in range(_SWEEPS):
        worst = 0.0
        for phase in range(WINDOW):
            at = begins[begins % WINDOW == phase][:, None] + np.arange(WINDOW)
            mean = out[at].mean(axis=1)
            excess = mean - np.clip(mean, -bound_mm, bound_mm)
            out[at] -= excess[:, None]
            worst = max(worst, float(np.abs(excess).max(initial=0.0)))
        if worst < _CLOSE_MM:
            break
    return out
