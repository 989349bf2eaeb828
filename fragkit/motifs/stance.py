"""How much a hand turned and sized its copies, from what each of them still shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.copies import Grid
from fragkit.opencv import cv2
from fragkit.threads import in_groups

Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

WELL_SEEN_RATIO = 0.6
"""A copy that shows less of its metal than this is not counted: a part says little of the whole."""
FEWEST_COPIES = 8
BLUR_MM = 0.8
SURE = 0.47
NOISE_REACH_MM = 1.0
ENOUGH_COPIES = 64
"""The error of reading is learned from about so many copies: each of them shows some thousand sure places."""
_TURN, _SIZE = 2, 3


@dataclass(frozen=True, kw_only=True)
class Stance:
    """How copies differ in turn and size; error of reading them taken off.

    Attributes
    ----------
    turn_sd_deg, size_sd_ratio : float
        One standard deviation from copy to copy; 0 where the reading alone explains the differences.
    turn_reading_sd_deg, size_reading_sd_ratio : float
        Rms error of reading one copy.
    n : int
        Copies that show enough of their metal.
    """

    turn_sd_deg: float
    size_sd_ratio: float
    turn_reading_sd_deg: float
    size_reading_sd_ratio: float
    n: int

    def in_words(self) -> str:
        """Both spreads with their number of copies, or what the reading would hide."""
        turn = _spread_words(self.turn_sd_deg, self.turn_reading_sd_deg, "{:.1f}°")
        size = _spread_words(100.0 * self.size_sd_ratio, 100.0 * self.size_reading_sd_ratio, "{:.1f} %")
        return f"turn {turn}, size {size} (sd, {self.n} copies)"


def measure_stance(shares: Float32Array, weights: Float32Array, grid: Grid) -> Stance | None:
    """Spread of turn and size of copies; None with fewer than eight that show 60 % of their metal.

    Parameters
    ----------
    shares, weights : (n, h, w) arrays
        Share of metal in each copy, and how far the copy shows the place.
    grid : Grid

    Notes
    -----
    To first order a copy moved, turned and enlarged differs from the mean copy by moved, turned and enlarged edges.
    Its four numbers make the difference, weighted by the same edges seen through a blur of 0.8 mm, nothing: with so
    wide a weight it does not matter that the mean copy is less sharp than a single one. The error of reading is that
    of places where every copy shows metal, or none does; its variance is taken off, in the mean over copies.
    Shares read from a photograph lean towards those of all copies: on simulated walls 0.7 to 0.9 of the true spreads
    came back.
    """
    mean = (shares * weights).sum(0) / np.maximum(weights.sum(0), 1e-6)
    whole = (weights * mean).sum((1, 2)) >= WELL_SEEN_RATIO * mean.sum()
    if whole.sum() < FEWEST_COPIES:
        return None
    rest, seen = (shares - mean)[whole], weights[whole]
    moves, tests = _moves(mean, grid, blur_mm=0.0), _moves(mean, grid, blur_mm=BLUR_MM)
    every = max(1, len(rest) // ENOUGH_COPIES)
    found, error, some = np.empty((len(rest), 4)), np.empty((-(-len(rest) // every), 4)), slice(None, None, every)
    noise = _noise(rest[some] * seen[some], (np.abs(mean - 0.5) > SURE) & (seen[some] > 0.5), grid)

    def read(n: int) -> None:
        aimed = tests * seen[n]
        flat = aimed.reshape(len(tests), -1)
        inverse = np.linalg.inv(flat @ moves.reshape(len(moves), -1).T)
        found[n] = inverse @ (flat @ rest[n].ravel())
        if n % every == 0:
            spread = np.array([cv2.filter2D(layer, -1, noise) for layer in aimed])
            error[n // every] = np.diag(inverse @ (flat @ spread.reshape(flat.shape).T) @ inverse.T)

    in_groups(read, len(rest))
    spread_sd = np.sqrt(np.maximum(found.var(axis=0, ddof=1) - error.mean(axis=0), 0.0))
    reading_sd = np.sqrt(error.mean(axis=0))
    return Stance(
        turn_sd_deg=float(np.degrees(spread_sd[_TURN])),
        size_sd_ratio=float(spread_sd[_SIZE]),
        turn_reading_sd_deg=float(np.degrees(reading_sd[_TURN])),
        size_reading_sd_ratio=float(reading_sd[_SIZE]),
        n=int(whole.sum()),
    )


def _moves(mean: Float32Array, grid: Grid, *, blur_mm: float) -> Float32Array:
    """Change (4, h, w) of the mean copy for 1 mm right, 1 mm up, 1 radian anticlockwise, and twice the size."""
    image = cv2.GaussianBlur(mean, (0, 0), blur_mm / grid.mm_per_px) if blur_mm else mean
    down, right = (np.asarray(part, np.float32) / grid.mm_per_px for part in np.gradient(image))
    row, column = np.indices(mean.shape)
    total = mean.sum()
    x = (column - (column * mean).sum() / total) * grid.mm_per_px
    y = ((row * mean).sum() / total - row) * grid.mm_per_px
    return np.array([-right, down, y * right + x * down, -x * right + y * down], np.float32)


def _spread_words(sd: float, reading_sd: float, form: str) -> str:
    return form.format(sd) if sd > 0.0 else f"below what reading hides ({form.format(reading_sd)})"


def _noise(rest: Float32Array, sure: BoolArray, grid: Grid) -> Float32Array:
    """Autocovariance of the error of reading at sure places, as a kernel up to 1 mm."""
    reach = max(1, round(NOISE_REACH_MM / grid.mm_per_px))
    held = np.where(sure, rest, 0.0)
    known = sure.astype(np.float32)
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for dy in range(reach + 1):
        for dx in range(-reach, reach + 1):
            at, moved = _overlap(dy, dx)
            pairs = float(np.einsum("nhw,nhw->", known[at], known[moved]))
            value = float(np.einsum("nhw,nhw->", held[at], held[moved])) / max(pairs, 1.0)
            kernel[reach + dy, reach + dx] = kernel[reach - dy, reach - dx] = value
    return kernel


def _overlap(dy: int, dx: int) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    here = (slice(None), slice(0, -dy or None), slice(max(-dx, 0), -dx if dx > 0 else None))
    there = (slice(None), slice(dy, None), slice(max(dx, 0), dx if dx < 0 else None))
    return here, there
