"""Copies of one image combined: aligned in two halves that never see each other, with a damage mask for each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.motifs.blurring import widely
from fragkit.motifs.ring import RingCorrelation, ring_correlation

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

N_ROUNDS, N_STEPS, N_STEPS_WITHIN = 4, 12, 4
COHERENT_PX = 1.5
"""Width (sd) over which damage is taken to hang together."""
FEWEST = 4
LEAST_DAMAGE_SD = 1.5
"""Damage is at least so much away from the sound surface, in its noise."""
DAMAGED_LIMIT = 0.05


@dataclass(frozen=True, eq=False, kw_only=True)
class Combined:
    """What copies of one image show together.

    Attributes
    ----------
    mean : (h, w) array
        Mean of the undamaged copies at each pixel.
    sd : (h, w) array
        One standard deviation of `mean`.
    support : (h, w) array
        How many copies show the pixel undamaged.
    damage : (n, h, w) array
        Probability that the copy is damaged there.
    shifts_px : (n, 2) array
        How far each copy was moved, x right, y down.
    resolution : RingCorrelation
        Of the two halves.
    noise_sd : float
        Of one copy.
    """

    mean: FloatArray
    sd: FloatArray
    support: FloatArray
    damage: FloatArray
    shifts_px: FloatArray
    resolution: RingCorrelation
    noise_sd: float

    def __repr__(self) -> str:
        return f"<Combined of {len(self.damage)} copies, noise {self.noise_sd:.3g}, {self.resolution!r}>"


def combine_copies(
    copies: ArrayLike, *, seen: ArrayLike | None = None, search_px: float = 1.5, mm_per_px: float | None = None
) -> Combined:
    """The image behind damaged, slightly displaced copies of it, with its noise and resolution.

    Parameters
    ----------
    copies : (n, h, w) array
        Cut around the predicted sites.
    seen : (n, h, w) bool array, optional
        Where each copy is within its picture; everywhere unless given.
    search_px : float
        How far a copy may lie from its predicted site, at most; 0 leaves all where they are. Keep it small: a wide
        search makes noise resemble whatever it is aligned to.
    mm_per_px : float, optional

    Raises
    ------
    ValueError
        If the shapes do not fit.
    EstimationError
        With fewer than four copies.

    Notes
    -----
    The first, third … copies are aligned to their own mean, and the others to theirs; then one half as a whole to the
    other. At each pixel the copies are a mixture of sound (common mean, common noise) and damaged (any other value on
    one side or both), and the probability of damage is smooth in space. So damage that always brightens does not pull
    the mean, as it pulls a pixel-wise median from 30 % on.

    References
    ----------
    Balanov, A., Huleihel, W., Bendory, T. (2024) Einstein from noise, arXiv:2407.05277 (why halves and a small search).
    """
    stack = np.asarray(copies, float)
    if stack.ndim != 3:
        raise ValueError(f"Copies have the shape {stack.shape}; give (n, h, w).")
    inside = np.ones(stack.shape, bool) if seen is None else np.asarray(seen, bool)
    if inside.shape != stack.shape:
        raise ValueError(f"`seen` has the shape {inside.shape}, the copies {stack.shape}; make them the same.")
    if len(stack) < FEWEST:
        raise EstimationError("Copies cannot be combined.", found=f"{len(stack)} copies", needed=f"{FEWEST} or more")
    half = np.arange(len(stack)) % 2 == 0
    shifts = np.zeros((len(stack), 2))
    if search_px > 0.0:
        for members in (half, ~half):
            shifts[members] = _aligned(stack[members], inside[members], search_px)
    parts = [_combine(_moved(stack[m], shifts[m]), inside[m]) for m in (half, ~half)]
    if search_px > 0.0:
        shifts[~half] += _shift_onto(parts[1].mean, parts[0].mean, search_px)
        parts[1] = _combine(_moved(stack[~half], shifts[~half]), inside[~half])
    whole = _combine(_moved(stack, shifts), inside)
    return Combined(
        mean=frozen_array(whole.mean),
        sd=frozen_array(whole.noise_sd / np.sqrt(np.maximum(whole.support, 1e-3))),
        support=frozen_array(whole.support),
        damage=frozen_array(whole.damage),
        shifts_px=frozen_array(shifts),
        resolution=ring_correlation(parts[0].mean, parts[1].mean, mm_per_px=mm_per_px),
        noise_sd=whole.noise_sd,
    )


@dataclass(frozen=True, eq=False)
class _Part:
    mean: FloatArray
    support: FloatArray
    damage: FloatArray
    noise_sd: float


def _combine(stack: FloatArray, inside: BoolArray, n_steps: int = N_STEPS) -> _Part:
    """Mean, support, damage and noise of aligned copies."""
    weight = inside.astype(float)
    mean = _middle(stack, inside)
    noise = _robust_sd((stack - mean)[inside])
    damage = np.zeros(stack.shape)
    for _ in range(n_steps):
        away = (stack - mean) / noise
        damage = np.where(inside, _damaged(away, damage, inside), 1.0)
        weight = 1.0 - damage
        total = np.maximum(weight.sum(0), 1e-3)
        mean = (weight * stack).sum(0) / total
        square = weight * (stack - mean) ** 2
        noise = float(np.sqrt(square.sum() / max((weight.sum(0) - 1.0).clip(0.0).sum(), 1.0))) + 1e-12
    return _Part(mean, weight.sum(0), damage, noise)


def _damaged(away: FloatArray, before: FloatArray, inside: BoolArray) -> FloatArray:
    """Probability of damage (n, h, w) from distances in noise deviations and what was held before."""
    first = not before.any()
    held = (np.abs(away) > 2.5) * 1.0 if first else before
    share = float(held[inside].mean())
    if share < 1e-4:
        return np.zeros(away.shape)
    middle = float(np.average(away[inside], weights=held[inside]))
    spread = float(np.sqrt(np.average((away[inside] - middle) ** 2, weights=held[inside]) + 0.1))
    if np.hypot(middle, spread) < LEAST_DAMAGE_SD:
        return np.zeros(away.shape)
    odds = np.exp(np.clip(0.5 * away**2 - 0.5 * ((away - middle) / spread) ** 2, -30.0, 30.0)) / spread
    prior = np.stack(
        [
            widely(layer.astype(np.float32), COHERENT_PX)
            / np.maximum(widely(seen.astype(np.float32), COHERENT_PX), 1e-3)
            for layer, seen in zip(held * inside, inside, strict=True)
        ]
    )
    prior = np.clip(prior, min(DAMAGED_LIMIT, share), 0.98)
    return np.asarray(prior * odds / (prior * odds + 1.0 - prior))


def _middle(stack: FloatArray, inside: BoolArray) -> FloatArray:
    """The densest half of the copies at each pixel: its mean, which one-sided damage moves less than a median."""
    ordered = np.sort(np.where(inside, stack, np.inf), axis=0)
    count = np.maximum(inside.sum(0), 1)
    best, width = np.zeros(stack.shape[1:]), np.full(stack.shape[1:], np.inf)
    half = np.maximum(count // 2, 1)
    finite = np.where(np.isfinite(ordered), ordered, 0.0)
    sums = np.cumsum(finite, axis=0)
    for start in range(len(stack)):
        last = start + half - 1
        valid = last < count
        end = np.minimum(last, len(stack) - 1)[None]
        reach = np.where(valid, np.take_along_axis(finite, end, 0)[0] - finite[start], np.inf)
        total = np.take_along_axis(sums, end, 0)[0] - (sums[start - 1] if start else 0.0)
        closer = reach < width
        best, width = np.where(closer, total / half, best), np.where(closer, reach, width)
    return best


def _robust_sd(values: FloatArray) -> float:
    """Spread of the inner half about 0, so that damage on one side does not widen it."""
    return float(np.median(np.abs(values))) * 1.4826 + 1e-12


def _aligned(stack: FloatArray, inside: BoolArray, search_px: float) -> FloatArray:
    """Shifts (n, 2) of copies onto their own mean, within `search_px`, without a mean."""
    shifts = np.zeros((len(stack), 2))
    for _ in range(N_ROUNDS):
        moved = _moved(stack, shifts)
        part = _combine(moved, inside, N_STEPS_WITHIN) if len(stack) >= FEWEST else None
        mean = moved.mean(0) if part is None else part.mean
        sound = np.where(part.damage > 0.5, mean, moved) if part is not None else moved
        others = [(len(stack) * mean - copy) / (len(stack) - 1.0) for copy in sound]
        steps = np.array([_shift_onto(copy, rest, search_px) for copy, rest in zip(sound, others, strict=True)])
        shifts = np.clip(shifts + steps, -search_px, search_px)
        shifts -= shifts.mean(0)
    return shifts


def _shift_onto(moving: FloatArray, fixed: FloatArray, search_px: float) -> FloatArray:
    """The shift (2,) in px that brings `moving` onto `fixed`: the highest correlation within `search_px`."""
    spectrum = np.fft.rfft2(fixed - fixed.mean()) * np.fft.rfft2(moving - moving.mean()).conj()
    fy, fx = np.fft.fftfreq(fixed.shape[0]), np.fft.rfftfreq(fixed.shape[1])
    steps = np.arange(-np.ceil(search_px * 4.0), np.ceil(search_px * 4.0) + 1.0) / 4.0
    rows = np.exp(2j * np.pi * np.outer(steps, fy))
    columns = np.exp(2j * np.pi * np.outer(fx, steps))
    doubled = np.where(np.arange(len(fx)) == 0, 1.0, 2.0)
    score = (rows @ (spectrum * doubled) @ columns).real
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    y = steps[row] + _vertex(score[:, column], int(row)) / 4.0
    x = steps[column] + _vertex(score[row], int(column)) / 4.0
    return np.clip([x, y], -search_px, search_px)


def _vertex(score: FloatArray, k: int) -> float:
    """Where a parabola through the peak and its neighbours is highest, in steps from the peak."""
    if not 0 < k < len(score) - 1:
        return 0.0
    bend = score[k - 1] - 2.0 * score[k] + score[k + 1]
    return float(0.5 * (score[k - 1] - score[k + 1]) / bend) if bend < 0.0 else 0.0


def _moved(stack: FloatArray, shifts: FloatArray) -> FloatArray:
    """The copies moved by shifts (n, 2) in px, x right, y down, without blur."""
    fy, fx = np.fft.fftfreq(stack.shape[1])[:, None], np.fft.rfftfreq(stack.shape[2])
    turn = np.exp(-2j * np.pi * (shifts[:, 1, None, None] * fy + shifts[:, 0, None, None] * fx))
    return np.asarray(np.fft.irfft2(np.fft.rfft2(stack) * turn, s=stack.shape[1:]))
