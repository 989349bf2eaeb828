"""Whether flaws recur at equal seats of a group: the likeness of aligned outlines, and a permutation test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

GROUPS = tuple((c + 1, r + 1) for c in range(4) for r in range(3) if c + r > 0)
"""Groups of up to 4 × 3 motifs; a single one cannot show recurrence, only smallness of its strays."""

PAIR_LEAD = 2.0
"""Sds by which groups of more than two motifs must stand out more. Flaws of a plate of two show by one contrast only,
those of larger plates by many and far more clearly; so larger ones give away of the false alarms what they can spare.
"""

N_NULL = (199, 999, 3999)
DOUBTED_P = ((1e-4, 0.1), (3e-3, 0.03))
"""Sets without recurring flaws, simulated and again shuffled, behind a p-value: a few, and where these leave it within
the first of `DOUBTED_P`, more, where those leave it within the second, many; with a few alone the chance of the draw
decides what is near p = 0.01, and a count's p-value leans up by one in as many."""
N_MATCHED = 50
"""Sets from which it is seen how much a fit leaves."""
LEAST_PAIRS = 6
FEW_PAIRS, MANY_PAIRS = 66, 200
"""From so many pairs on (21 copies) the shuffles alone tell the chance. Simulated strays share how alike neighbours
are, but not that damage is made of fewer samples than noise: of damage in streaks over 48 copies they named 5 in a
hundred at p = 0.01. Of fewer pairs the mean of both chances is given: what a fit leaves of the 28 pairs of eight copies
is no fair draw either. Below 66 pairs (twelve copies) it is twice the mean, which holds however the two go together:
the mean named 48 of 4,000 hand works of eight copies. It is a test at half the level, and lost 5 in a hundred plates of
two motifs at six placings (twelve copies)."""
DOUBT = 3.0
"""Power of how much less the trend leaves of the pairs' square, by which a chance is raised. Where neighbours are alike
pairs stray together, which neither shuffles nor simulation share; where they are not, nothing is raised. Chosen on
hand works of 8 to 20 copies in streaks, of which the mean chance named 3 to 5 in a hundred; squared, 28 and 63 of 4,200
hand works of eight and twelve copies."""
MOST_VALUES = 1_000_000
"""Pairs of all sets that are weighed at once: 8 MB."""
DAMAGE_LIMITS = (0.5, 0.8)
"""Visible shares of the outline that part the classes of damage."""
REACHES = (0.7, 1.5, 3.0, np.inf)
"""Likeness falls off over these distances, in columns and in rows each: damage may be round or run in streaks."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Recurrence:
    """The strongest recurrence of flaws at equal seats.

    Attributes
    ----------
    p : float
        Chance of a recurrence as strong without flaws; the search over group sizes is allowed for.
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
    From the mean product of two copies' strays what falls off smoothly with their distance is taken (damage and light
    are alike in neighbours, more so along a streak), of many copies together with the step for equal seats, by least
    squares over all pairs; the step's height is the flaws' variance. In units of what trend and step leave it is
    compared, best of all group sizes with best of all (see `PAIR_LEAD`), with that of what they leave of the real
    likeness, the copies shuffled within their picture and class of damage, and of few copies also with that of strays
    simulated without flaws, as alike in neighbours and as uneven from copy to copy as the real ones (see `MANY_PAIRS`).
    The step is taken off first because half the shuffles of a few flawed copies are flawed nearly as well. Without the
    units 2 in a hundred hand works of eight copies were named at p = 0.01: a fit leaves less than there is, and how
    much less differs from draw to draw; real, simulated and shuffled tables now share it as Student's t does. Where
    neighbours are alike the chance is raised (see `DOUBT`).

    Simulated flaws of a fifth of the noise, found at p = 0.01: of plates of two motifs, twelve placings of 200 samples,
    92 (one above the other) and 91 in a hundred (side by side; 500 plates each), of six placings of 800 samples 90.1
    (1,700) and 94 (1,700). Who knows the plate's size and the noise finds 95 and 98 of them (Neyman and Pearson: one
    contrast in every sample, of variance 1 + placings × flaw²). Who must read the noise off the same copies (an F
    test), and search for two motifs side by side and for one above the other, finds 91 and 94 if no false alarm is left
    to larger plates; that is the limit of this search. One above the other falls short of it at six placings because
    copies of one row that are alike may also be damaged alike. Of 4,000 hand works each 7 of 48
    copies damaged in streaks were named and 34 of twelve, 37 of 48 unequally unsteady copies, and of undamaged ones 26
    of eight and 24 of twelve copies.

    References
    ----------
    Vovk, V., Wang, R. (2020) Biometrika 107, 791–808, doi:10.1093/biomet/asaa027, for means of chances.
    Freedman, D., Lane, D. (1983) J. Bus. Econ. Stat. 1, 292–298, for shuffling what a fit leaves.
    Winkler, A. M. et al. (2014) NeuroImage 92, 381–397, doi:10.1016/j.neuroimage.2014.01.060, for doing so with
    statistics that are free of unknown scales.
    """
    pictures = np.zeros(len(sites), int) if pictures is None else np.asarray(pictures)
    test = _SeatTest.of(np.asarray(sites), pictures)
    if test is None:
        return None
    table = likeness(strays_mm, seen)
    sizes, correlations = _correlations(table)
    smooth, rest = test.taken_apart(correlations)
    fit = test.fit(test.values(correlations))
    alike = _Alike.matching(test, sizes, smooth, float(fit.left[0]), most=seen.shape[1], rng=rng)
    classes = pictures * 3 + np.digitize(seen.mean(axis=1), DAMAGE_LIMITS)
    real = fit.steps[0] / np.sqrt(fit.left[0])
    for n, (least, most) in zip(N_NULL, (*DOUBTED_P, (1.0, 0.0)), strict=True):
        simulated = test.clearness_of(N_NULL[0] if test.many else n, lambda k: alike.simulated(test, k, rng))
        shuffled = test.clearness_of(n, lambda k: test.shuffled(rest, _shuffles(classes, k, rng)))
        best, (by_simulation, by_shuffling) = _strongest(real, simulated, shuffled, test.leads)
        both = by_simulation + by_shuffling
        chance = by_shuffling if test.many else both / 2.0 if test.pairs.shape[1] >= FEW_PAIRS else both
        p = min(1.0, chance / (1.0 - float(fit.alike[0])) ** DOUBT)
        if not least < p <= most:
            break
    return Recurrence(p=p, group=test.groups[best], flaw_mm=_flaw_mm(test, table, best))


def _flaw_mm(test: _SeatTest, table: FloatArray, group: int) -> float:
    """Rms of the flaws at equal seats of one group."""
    return float(np.sqrt(max(test.fit(test.values(table)).steps[0, group], 0.0)))


def _strongest(
    real: FloatArray, simulated: FloatArray, shuffled: FloatArray, leads: FloatArray
) -> tuple[int, tuple[float, float]]:
    """Which group's step stands out most, and its chances among simulated and among shuffled steps."""
    centre, spread = simulated.mean(axis=0), simulated.std(axis=0)
    scores = (real - centre) / spread - leads
    best = int(np.argmax(scores))
    by_simulation, by_shuffling = (
        _p_value(float(scores[best]), ((null - middle) / spread - leads).max(axis=1))
        for null, middle in ((simulated, centre), (shuffled, shuffled.mean(axis=0)))
    )
    return best, (by_simulation, by_shuffling)


def _correlations(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rms stray (n,) of each copy in mm, and the likeness (n, n) of copies made equally large."""
    sizes = np.sqrt(np.maximum(np.diag(table), 1e-12))
    return sizes, table / np.outer(sizes, sizes)


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
class _SeatTest:
    """Pairs of copies: a trend that falls with distance, and a step for equal seats of one group.

    `pairs` are the row and column numbers (2, pairs) of the table. Trend and steps hang on a pair's distance in columns
    and rows alone, by which pairs are sorted: `counts` (distances,) have each, `equal` (groups, distances) are the
    steps and `terms` (distances, terms) falls over each of `REACHES`, all with their means taken off.
    """

    groups: tuple[tuple[int, int], ...]
    pairs: IntArray
    counts: IntArray
    equal: FloatArray
    terms: FloatArray

    @staticmethod
    def of(sites: IntArray, pictures: IntArray) -> _SeatTest | None:
        pairs = np.array(np.nonzero(np.triu(pictures[:, None] == pictures, k=1)))
        every = np.abs(sites[pairs[0]] - sites[pairs[1]])
        apart, far, counts = np.unique(every, axis=0, return_inverse=True, return_counts=True)
        same = np.array([np.all(apart % group == 0, axis=1) for group in GROUPS], float)
        n_same = same @ counts
        usable = np.flatnonzero((2 * n_same >= LEAST_PAIRS) & (n_same < pairs.shape[1]))
        if not len(usable):
            return None
        falls = [np.exp(-0.5 * (apart / reach) ** 2) for reach in REACHES]
        terms = np.column_stack([one[:, 0] * other[:, 1] for one in falls for other in falls])[:, :-1]
        return _SeatTest(
            groups=tuple(GROUPS[k] for k in usable),
            pairs=pairs[:, np.argsort(far.reshape(-1), kind="stable")],
            counts=counts,
            equal=same[usable] - n_same[usable, None] / pairs.shape[1],
            terms=terms - counts @ terms / counts.sum(),
        )

    @property
    def leads(self) -> FloatArray:
        """What each group's step must stand out more than that of two motifs, in sds."""
        return np.array([PAIR_LEAD if columns * rows > 2 else 0.0 for columns, rows in self.groups])

    @property
    def many(self) -> bool:
        """Whether there are pairs enough to tell trend and step apart, and for shuffles to be fair draws."""
        return self.pairs.shape[1] >= MANY_PAIRS

    def values(self, table: FloatArray) -> FloatArray:
        """The pairs' values (1, pairs) in a table of likeness."""
        return np.asarray(table[self.pairs[0], self.pairs[1]][None])

    def shuffled(self, table: FloatArray, orders: IntArray) -> FloatArray:
        """The pairs' values (k, pairs) in a table whose copies stand in other orders (k, n)."""
        return np.asarray(table[orders[:, self.pairs[0]], orders[:, self.pairs[1]]])

    def clearness_of(self, n_sets: int, draw: Callable[[int], FloatArray]) -> FloatArray:
        """Clearness (n_sets, groups) of what is drawn, some sets at a time so that memory stays small."""
        most = max(1, MOST_VALUES // self.pairs.shape[1])
        sizes = [min(most, n_sets - first) for first in range(0, n_sets, most)]
        return np.concatenate([self.clearness(draw(size)) for size in sizes])

    def clearness(self, values: FloatArray) -> FloatArray:
        """Steps (k, groups) in units of the rms that the trend and the clearest step leave of the values (k, pairs)."""
        fit = self.fit(values)
        return np.asarray(fit.steps / np.sqrt(fit.left)[:, None])

    def fit(self, values: FloatArray) -> _SeatFit:
        """Trend and step fitted to each of k sets of values (k, pairs).

        Of many pairs the clearest step is fitted beside the falls, which have weights of 0 or more: alone they would
        take a part of it. Few pairs cannot tell them apart: fitted so, 36 of 2,100 hand works of eight copies were
        named at p = 0.01, fitted alone 11 of 1,000.
        """
        middle = values.mean(axis=1, keepdims=True)
        sums = np.add.reduceat(values - middle, np.r_[0, np.cumsum(self.counts)[:-1]], axis=1)
        root, norms = np.sqrt(self.counts), self.equal**2 @ self.counts
        clearest = np.argmax((sums @ self.equal.T) ** 2 / norms, axis=1)
        beside = self.equal if self.many else np.zeros_like(self.equal)
        designs = [root[:, None] * np.column_stack([self.terms, step, -step]) for step in beside]
        weights = [nnls(designs[k], one)[0][:-2] for k, one in zip(clearest, sums / root, strict=True)]
        trend = np.array(weights) @ self.terms.T
        steps = (sums - trend * self.counts) @ self.equal.T / norms
        whole = np.maximum(np.sum((values - middle) ** 2, axis=1), 1e-12)
        squares = whole + np.sum(trend * (trend * self.counts - 2.0 * sums), axis=1)
        left = (squares - np.max(steps**2 * norms, axis=1)) / values.shape[1]
        return _SeatFit(middle + trend, steps, np.maximum(left, 1e-12), np.clip(1.0 - squares / whole, 0.0, 0.999))

    def taken_apart(self, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The table's smooth trend, and what is left without it and without the clearest step; 0 off the pairs."""
        fit = self.fit(self.values(table))
        best = int(np.argmax(fit.steps[0] ** 2 * (self.equal**2 @ self.counts)))
        smooth, shown = (np.repeat(one, self.counts) for one in (fit.trend[0], fit.steps[0, best] * self.equal[best]))
        rest = self.values(table)[0] - smooth - shown
        return self._as_table(len(table), smooth), self._as_table(len(table), rest)

    def _as_table(self, n: int, values: FloatArray) -> FloatArray:
        table = np.zeros((n, n))
        table[self.pairs[0], self.pairs[1]] = table[self.pairs[1], self.pairs[0]] = values
        return table


@dataclass(frozen=True, eq=False)
class _SeatFit:
    """Trend (k, distances), steps (k, groups), and the mean square (k,), never quite 0, of what they leave.

    A step is the variance of the flaws, of either sign; of the steps the clearest alone counts for what is left.
    `alike` (k,) is the share of the values' mean square that the trend takes, below 1.
    """

    trend: FloatArray
    steps: FloatArray
    left: FloatArray
    alike: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class _Alike:
    """Strays without flaws: as large from copy to copy, as alike in neighbours, and as many independent samples."""

    sizes_mm: FloatArray
    smooth: FloatArray
    n_samples: int

    @staticmethod
    def matching(
        test: _SeatTest, sizes_mm: FloatArray, smooth: FloatArray, left: float, *, most: int, rng: np.random.Generator
    ) -> _Alike:
        """With as many samples, `most` at most, as make the fit leave this mean square of the likeness.

        As many as its inverse would leave less: the fit takes something, and so does the common stray.
        """
        first = _Alike(sizes_mm=sizes_mm, smooth=smooth, n_samples=int(np.clip(1.0 / left, 2.0, most)))
        again = float(np.mean(test.fit(first.simulated(test, N_MATCHED, rng)).left))
        return replace(first, n_samples=int(np.clip(first.n_samples * again / left, 2.0, most)))

    def simulated(self, test: _SeatTest, n_sets: int, rng: np.random.Generator) -> FloatArray:
        """The pairs' likeness (n_sets, pairs) of such strays, made equally large, drawn anew."""
        spectrum, axes = np.linalg.eigh(self.smooth + np.eye(len(self.smooth)))
        root = self.sizes_mm[:, None] * axes * np.sqrt(np.maximum(spectrum, 0.0))
        white = np.array([_white(len(root), self.n_samples, rng) for _ in range(n_sets)])
        strays = root @ white
        strays -= strays.mean(axis=1, keepdims=True)
        strays /= np.linalg.norm(strays, axis=2, keepdims=True)
        likenesses = strays @ strays.transpose(0, 2, 1)
        return np.asarray(likenesses[:, test.pairs[0], test.pairs[1]])


def _white(n: int, n_samples: int, rng: np.random.Generator) -> FloatArray:
    """Factor (n, …) whose sums of products are those of n rows of white noise: of many samples, a triangle suffices.

    References
    ----------
    Smith, W. B., Hocking, R. R. (1972) Appl. Statist. 21, 341–345 (from memory), for Bartlett's triangle.
    """
    if n_samples <= n:
        return rng.standard_normal((n, n_samples))
    triangle = np.tril(rng.standard_normal((n, n)), k=-1)
    np.fill_diagonal(triangle, np.sqrt(rng.chisquare(n_samples - np.arange(n))))
    return np.asarray(triangle)


def _p_value(real: float, shuffled: FloatArray) -> float:
    """Share of shuffles as strong; beyond all of them, from the tail of a Gumbel law, which suits a maximum."""
    beaten = int((shuffled >= real).sum())
    if beaten or shuffled.std() == 0.0:
        return (1 + beaten) / (1 + len(shuffled))
    location, scale = _gumbel(shuffled)
    tail = float(-np.expm1(-np.exp(-(real - location) / scale)))
    return float(np.clip(tail, 1e-9, 1.0 / (1 + len(shuffled))))


def _gumbel(maxima: FloatArray) -> tuple[float, float]:
    """Location and scale of the Gumbel law with the mean and sd of these maxima."""
    scale = float(maxima.std()) * np.sqrt(6.0) / np.pi
    return float(maxima.mean()) - np.euler_gamma * scale, scale


def _shuffles(classes: IntArray, n_sets: int, rng: np.random.Generator) -> IntArray:
    """Orders (n_sets, n) that move copies only within their class."""
    orders = np.tile(np.arange(len(classes)), (n_sets, 1))
    for name in np.unique(classes):
        members = np.flatnonzero(classes == name)
        orders[:, members] = rng.permuted(np.tile(members, (n_sets, 1)), axis=1)
    return orders
