"""Whether flaws recur at equal seats of a group: the likeness of aligned outlines, and a permutation test."""

from __future__ import annotations

from collections.abc import Iterator
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
MANY_PAIRS = 200
"""From so many pairs on (21 copies) the shuffles alone tell the chance. Simulated strays share how alike neighbours
are, but not that damage is made of fewer samples than noise: of damage in streaks over 48 copies they named 5 in a
hundred at p = 0.01. Of fewer pairs twice the mean of both chances is given, which holds however the two go together:
what a fit leaves of the 28 pairs of eight copies is no longer a fair draw, and its shuffles alone named 4 to 6."""
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
    From the mean product of two copies' strays what falls off smoothly with their distance is taken (damage and light
    are alike in neighbours, more so along a streak), together with a step for equal seats, by least squares over all
    pairs; the step's height is the flaws' variance. In units of what trend and step leave it is compared, best of all
    group sizes with best of all (see `PAIR_LEAD`), with that of what they leave of the real likeness, the copies
    shuffled within their picture and class of damage, and of few copies also with that of strays simulated without
    flaws, as alike in neighbours and as uneven from copy to copy as the real ones (see `MANY_PAIRS`). The step
    is taken off first because half the shuffles of a few flawed copies are flawed nearly as well. Without the units
    2 in a hundred hand works of eight copies were named at p = 0.01: a fit leaves less than there is, and how much less
    differs from draw to draw; real, simulated and shuffled tables now share it as Student's t does.

    Simulated flaws of a fifth of the noise: of plates of 2 × 2 and larger all were found at p = 0.01, of plates of two
    motifs 95 in a hundred (six placings, 800 samples) and 90 (twelve, 200; 900 plates), and of 2,000 hand works of
    eight copies 17 were named. Who knows the plate's size and the noise finds 98 and 95 of the plates of two (Neyman
    and Pearson: one contrast in every sample, of variance 1 + placings × flaw²). Who must read the noise off the same
    copies (an F test), and search for two motifs side by side and for one above the other, finds 94 and 91 if no false
    alarm is left to larger plates; that is the limit of this search.

    References
    ----------
    Vovk, V., Wang, R. (2020) Biometrika 107, 791–808, doi:10.1093/biomet/asaa027, for twice the mean.
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
    alike = _Alike.matching(test, sizes, smooth, test.mean_square(correlations), most=seen.shape[1], rng=rng)
    classes = pictures * 3 + np.digitize(seen.mean(axis=1), DAMAGE_LIMITS)
    real, many = test.clearness(correlations), test.pairs.shape[1] >= MANY_PAIRS
    for n, (least, most) in zip(N_NULL, (*DOUBTED_P, (1.0, 0.0)), strict=True):
        n_simulated = N_NULL[0] if many else n
        simulated = np.array([test.clearness(_correlations(one)[1]) for one in alike.simulated(n_simulated, rng)])
        shuffled = np.array([test.clearness(rest[np.ix_(order, order)]) for order in _shuffles(classes, n, rng)])
        best, (by_simulation, by_shuffling) = _strongest(real, simulated, shuffled, test.leads)
        p = by_shuffling if many else min(1.0, by_simulation + by_shuffling)
        if not least < p <= most:
            break
    return Recurrence(p=p, group=test.groups[best], flaw_mm=float(np.sqrt(max(test.steps(table)[best], 0.0))))


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

    `pairs` are the row and column numbers (2, pairs) of the table; `weights` (groups, pairs) give each group's step.
    """

    groups: tuple[tuple[int, int], ...]
    pairs: IntArray
    fall: _Fall
    weights: FloatArray

    @staticmethod
    def of(sites: IntArray, pictures: IntArray) -> _SeatTest | None:
        pairs = np.array(np.nonzero(np.triu(pictures[:, None] == pictures, k=1)))
        seats = np.array([seats_of(sites, group) for group in GROUPS])
        same = (seats[:, pairs[0]] == seats[:, pairs[1]]).astype(float)
        n_same = same.sum(axis=1)
        usable = np.flatnonzero((2 * n_same >= LEAST_PAIRS) & (n_same < pairs.shape[1]))
        if not len(usable):
            return None
        freed = same[usable] - same[usable].mean(axis=1, keepdims=True)
        return _SeatTest(
            groups=tuple(GROUPS[k] for k in usable),
            pairs=pairs,
            fall=_Fall.of(np.abs(sites[pairs[0]] - sites[pairs[1]]), freed),
            weights=freed / (freed**2).sum(axis=1, keepdims=True),
        )

    @property
    def leads(self) -> FloatArray:
        """What each group's step must stand out more than that of two motifs, in sds."""
        return np.array([PAIR_LEAD if columns * rows > 2 else 0.0 for columns, rows in self.groups])

    def steps(self, table: FloatArray) -> FloatArray:
        """Variance of the flaws (groups,) that the table of likeness shows, of either sign."""
        return self._fit(table)[0]

    def mean_square(self, table: FloatArray) -> float:
        """Mean square, never quite 0, of what the trend and the clearest step leave of the table."""
        return self._fit(table)[1]

    def clearness(self, table: FloatArray) -> FloatArray:
        """Steps (groups,) in units of the rms that the trend and the clearest step leave of the table."""
        steps, left = self._fit(table)
        return np.asarray(steps / np.sqrt(left))

    def _fit(self, table: FloatArray) -> tuple[FloatArray, float]:
        """Steps (groups,), and the mean square that is left."""
        values = table[self.pairs[0], self.pairs[1]]
        left = values - self.fall(values)
        steps = np.asarray(self.weights @ left)
        shown = float(np.max(steps**2 / (self.weights**2).sum(axis=1)))
        return steps, max((float(left @ left) - shown) / len(left), 1e-12)

    def taken_apart(self, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The table's smooth trend, and what is left without it and without the clearest step; 0 off the pairs."""
        values = table[self.pairs[0], self.pairs[1]]
        smooth = self.fall(values)
        shown = self.weights / (self.weights**2).sum(axis=1)[:, None] * self.steps(table)[:, None]
        rest = min(values - smooth - shown, key=lambda left: float(left @ left))
        return self._as_table(len(table), smooth), self._as_table(len(table), rest)

    def _as_table(self, n: int, values: FloatArray) -> FloatArray:
        table = np.zeros((n, n))
        table[self.pairs[0], self.pairs[1]] = table[self.pairs[1], self.pairs[0]] = values
        return table


@dataclass(frozen=True, eq=False)
class _Fall:
    """Terms of weight 0 or more that fall off with distance, and a constant: their sum that suits values of pairs best.

    The clearest step for equal seats is fitted beside them and left out of the sum: fitted alone, the falls would take
    a part of it. `far` (pairs,) numbers each pair's distance in columns and rows; `counts` are the pairs at each,
    `terms` (distances, terms) the falls over each of `REACHES` and `steps` (groups, distances) those for equal seats,
    which hang on the distance alone, with their means taken off.
    """

    far: IntArray
    counts: FloatArray
    terms: FloatArray
    steps: FloatArray

    @staticmethod
    def of(apart: IntArray, freed: FloatArray) -> _Fall:
        """For pairs so many columns and rows apart (pairs, 2); `freed` (groups, pairs) is each group's step."""
        places, first, far, counts = np.unique(
            apart, axis=0, return_index=True, return_inverse=True, return_counts=True
        )
        falls = [np.exp(-0.5 * (places / reach) ** 2) for reach in REACHES]
        terms = np.column_stack([one[:, 0] * other[:, 1] for one in falls for other in falls])[:, :-1]
        centred = terms - counts @ terms / counts.sum()
        return _Fall(far.reshape(-1), counts.astype(float), centred, freed[:, first])

    def __call__(self, values: FloatArray) -> FloatArray:
        sums, middle, root = np.bincount(self.far, values), float(values.mean()), np.sqrt(self.counts)
        clearest = self.steps[np.argmax((self.steps @ sums) ** 2 / (self.steps**2 @ self.counts))]
        design = root[:, None] * np.column_stack([self.terms, clearest, -clearest])
        weights, _ = nnls(design, root * (sums / self.counts - middle))
        return np.asarray((middle + self.terms @ weights[:-2])[self.far])


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
        again = np.mean([test.mean_square(_correlations(one)[1]) for one in first.simulated(N_MATCHED, rng)])
        return replace(first, n_samples=int(np.clip(first.n_samples * again / left, 2.0, most)))

    def simulated(self, n_sets: int, rng: np.random.Generator) -> Iterator[FloatArray]:
        """Tables of likeness (n, n) of such strays, drawn anew."""
        spectrum, axes = np.linalg.eigh(self.smooth + np.eye(len(self.smooth)))
        root = self.sizes_mm[:, None] * axes * np.sqrt(np.maximum(spectrum, 0.0))
        for _ in range(n_sets):
            strays = root @ _white(len(root), self.n_samples, rng)
            strays = strays - strays.mean(axis=0)
            yield strays @ strays.T / self.n_samples


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


def _shuffles(classes: IntArray, n_sets: int, rng: np.random.Generator) -> Iterator[IntArray]:
    """Permutations that move copies only within their class."""
    members = [np.flatnonzero(classes == name) for name in np.unique(classes)]
    for _ in range(n_sets):
        order = np.arange(len(classes))
        for one in members:
            order[one] = rng.permutation(one)
        yield order
