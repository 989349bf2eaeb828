"""Whether flaws recur at equal seats of a group: the likeness of aligned outlines, and a permutation test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression
from scipy.stats import gumbel_r

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

GROUPS = tuple((c + 1, r + 1) for c in range(4) for r in range(3) if c + r > 0)
"""Groups of up to 4 × 3 motifs; a single one cannot show recurrence, only smallness of its strays."""

N_PERMUTATIONS = 499
LEAST_PAIRS = 6
DAMAGE_LIMITS = (0.5, 0.8)
"""Visible shares of the outline that part the classes of damage."""
STREAKS = ((1.0, 1.0), (2.0, 2.0), (1.0, 0.5), (0.5, 1.0), (2.0, 0.5), (0.5, 2.0), (3.0, 1.0), (1.0, 3.0))
"""Weight of a column and of a row in the distance of two copies: damage may be round, or run down or along the wall."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Recurrence:
    """The strongest recurrence of flaws at equal seats.

    Attributes
    ----------
    p : float
        Chance of a recurrence as strong in shuffled copies; the search over group sizes is allowed for.
    group : (int, int)
        Columns and rows of the group that shows it.
    flaw_mm : float
        Rms of the shared flaws, 0 when there are none.
    """

    p: float
    group: tuple[int, int]
    flaw_mm: float

    @property
    def most_log_evidence(self) -> float:
        """The largest natural-log Bayes factor that such a p-value can mean, at most ln(10 000)."""
        if self.p >= np.exp(-1.0):
            return 0.0
        return float(min(-np.log(-np.e * self.p * np.log(self.p)), np.log(1e4)))


def find_recurrence(
    strays_mm: FloatArray,
    seen: NDArray[np.bool_],
    sites: IntArray,
    *,
    pictures: IntArray | None = None,
    rng: np.random.Generator,
) -> Recurrence | None:
    """The strongest recurrence of flaws at equal seats, or None with too few pairs.

    Parameters
    ----------
    strays_mm : (n, points) array
        Aligned residuals of n copies against their common outline.
    seen : (n, points) bool array
    sites : (n, 2) int array
        Column and row of each copy.
    pictures : (n,) int array, optional
        Copies of different pictures are not compared.
    rng : numpy.random.Generator

    Notes
    -----
    Mean product of two copies' strays, less what copies share the nearer they are (damage and light are alike
    in neighbours, more so along a streak; of the shapes in `STREAKS` the one that suits best), summed over pairs of
    equal seats. Whole copies are shuffled within their picture
    and class of damage, and the best of all group sizes is compared with the best of each shuffle. Simulated
    flaws of a fifth of the noise (six placings, 800 samples): all plates of 2 × 2 and larger were found at p = 0.01,
    of 2 × 1 two in five, since twelve copies shuffle in few ways and an alternation looks like a streak.
    """
    pictures = np.zeros(len(sites), int) if pictures is None else np.asarray(pictures)
    pairs = (pictures[:, None] == pictures) & ~np.eye(len(sites), dtype=bool)
    same = [pairs & (seat[:, None] == seat) for seat in (seats_of(sites, group) for group in GROUPS)]
    counts = np.array([mask.sum() for mask in same])
    usable = np.flatnonzero((counts >= LEAST_PAIRS) & (counts < pairs.sum()))
    if not len(usable):
        return None
    weights = np.array([same[k].ravel() for k in usable], float) / np.sqrt(counts[usable])[:, None]
    table, trend = likeness(strays_mm, seen), _Trend.of(np.asarray(sites), pairs)
    excess = trend.taken_off(table)
    real = weights @ excess.ravel()
    classes = pictures * 3 + np.digitize(seen.mean(axis=1), DAMAGE_LIMITS)
    shuffled = np.empty(N_PERMUTATIONS)
    for k in range(N_PERMUTATIONS):
        order = _shuffle_within(classes, rng)
        shuffled[k] = (weights @ trend.taken_off(table[np.ix_(order, order)]).ravel()).max()
    best = usable[int(np.argmax(real))]
    return Recurrence(
        p=_p_value(float(real.max()), shuffled),
        group=GROUPS[best],
        flaw_mm=float(np.sqrt(max(excess[same[best]].mean(), 0.0))),
    )


def seats_of(sites: IntArray, group: tuple[int, int]) -> IntArray:
    """Number of the seat (n,) in groups of `group` columns and rows."""
    column, row = (np.asarray(sites) % np.asarray(group)).T
    return np.asarray(column + group[0] * row)


def likeness(strays_mm: FloatArray, seen: NDArray[np.bool_]) -> FloatArray:
    """Mean product (n, n) of two copies' strays over the outline that both show, the common stray taken off."""
    values = np.where(seen, strays_mm, 0.0)
    values = values - np.where(seen, values.sum(axis=0) / np.maximum(seen.sum(axis=0), 1), 0.0)
    shared = np.maximum(seen.astype(float) @ seen.T, 1.0)
    return np.asarray((values @ values.T) / shared)


@dataclass(frozen=True, eq=False)
class _Trend:
    """How likeness falls with distance over given pairs; streaks fall off faster across than along (`STREAKS`)."""

    pairs: NDArray[np.bool_]
    steps: tuple[IntArray, ...]
    counts: tuple[FloatArray, ...]

    @staticmethod
    def of(sites: IntArray, pairs: NDArray[np.bool_]) -> _Trend:
        apart = (sites[:, None] - sites)[pairs]
        far = (np.rint(np.linalg.norm(apart * weights, axis=1)).astype(int) for weights in STREAKS)
        steps = tuple(np.unique(one, return_inverse=True)[1].reshape(-1) for one in far)
        return _Trend(pairs, steps, tuple(np.bincount(step).astype(float) for step in steps))

    def taken_off(self, table: FloatArray) -> FloatArray:
        """The likeness less what it falls to with distance, which never rises; 0 outside the pairs."""
        values = table[self.pairs]
        rests = [values - _falling(values, *one) for one in zip(self.steps, self.counts, strict=True)]
        excess = np.zeros_like(table)
        excess[self.pairs] = min(rests, key=lambda rest: float(rest @ rest))
        return excess


def _falling(values: FloatArray, step: IntArray, counts: FloatArray) -> FloatArray:
    """The values' never-rising mean by step."""
    mean = np.bincount(step, values) / counts
    return np.asarray(isotonic_regression(mean, weights=counts, increasing=False).x[step])


def _p_value(real: float, shuffled: FloatArray) -> float:
    """Share of shuffles as strong; beyond all of them, from the tail of a Gumbel law, which suits a maximum."""
    beaten = int((shuffled >= real).sum())
    if beaten or shuffled.std() == 0.0:
        return (1 + beaten) / (1 + len(shuffled))
    tail = float(gumbel_r.sf(real, *_gumbel(shuffled)))
    return float(np.clip(tail, 1e-9, 1.0 / (1 + len(shuffled))))


def _gumbel(maxima: FloatArray) -> tuple[float, float]:
    """Location and scale of the Gumbel law with the mean and sd of these maxima."""
    scale = float(maxima.std()) * np.sqrt(6.0) / np.pi
    return float(maxima.mean()) - np.euler_gamma * scale, scale


def _shuffle_within(classes: IntArray, rng: np.random.Generator) -> IntArray:
    """A permutation that moves copies only within their class."""
    order = np.arange(len(classes))
    for name in np.unique(classes):
        members = np.flatnonzero(classes == name)
        order[members] = rng.permutation(members)
    return order
