"""Whether two areas may be of the same hand, or of the same plate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.lattice import Lattice, describe_repeat, row_basis
from fragkit.motifs import Motif
from fragkit.sketch import sketch_bars
from fragkit.technique.discoveries import false_discoveries
from fragkit.units import in_percent

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

N_PERMUTATIONS = 999
LEAST_EXAMPLES = 4


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison:
    """Differences between two areas.

    Attributes
    ----------
    p_repeat : float
        Chance of repeats as different as these if both areas have one and the same.
    p_scatter : float
        The same for the placing scatter.
    p_outline : float or None
        The same for the mean outline of their motifs, by permutation; None without outlines of both.
    outline_mm : float or None
        Rms difference of the two mean outlines.
    differs : tuple of str
        What differs, at a false discovery rate of 5 %.
    words : str
    """

    p_repeat: float
    p_scatter: float
    p_outline: float | None
    outline_mm: float | None
    differs: tuple[str, ...]
    words: str

    def __repr__(self) -> str:
        return f"<Comparison {self.words}>"

    def _repr_html_(self) -> str:
        outline = (
            "not compared"
            if self.p_outline is None
            else f"{in_percent(self.p_outline)}, {self.outline_mm:.2f} mm apart (root mean square)"
        )
        rows = [
            ("repeat differs as much by chance", in_percent(self.p_repeat)),
            ("placing scatter", in_percent(self.p_scatter)),
            ("mean outline", outline),
            ("finding", self.words),
        ]
        chances = {"repeat": self.p_repeat, "placing scatter": self.p_scatter}
        chances |= {} if self.p_outline is None else {"mean outline": self.p_outline}
        drawn = sketch_bars("Chance of so large a difference if the areas are alike", chances, written=in_percent)
        return card("Two areas compared", rows, drawing=drawn)


def compare_areas(
    first: Lattice,
    second: Lattice,
    *,
    motif: Motif | None = None,
    pictures: tuple[tuple[int, ...], tuple[int, ...]] | None = None,
    rng: np.random.Generator,
) -> Comparison:
    """What tells two areas apart: repeat, placing scatter, and the mean outline of their motifs.

    Parameters
    ----------
    first, second : Lattice
    motif : Motif, optional
        Built from examples of both areas.
    pictures : (pictures of the first area, pictures of the second), optional
        Numbers of the pictures among the examples of `motif`; needed with it.
    rng : numpy.random.Generator

    Notes
    -----
    Another plate, block or tracing has another mean outline; another hand may have another scatter or repeat. No
    difference does not prove one hand: the p-values say what was seen, and the words say so.
    """
    p_outline, outline_mm = None, None
    if motif is not None:
        if pictures is None:
            raise ValueError("motif is given without pictures; say which of its pictures show which area")
        p_outline, outline_mm = _compare_outlines(motif, pictures, rng)
    tests = {"repeat": _compare_repeats(first, second), "placing scatter": _compare_scatter(first, second)}
    if p_outline is not None:
        tests["mean outline"] = p_outline
    stand = false_discoveries(list(tests.values()))
    differs = tuple(name for name, stands in zip(tests, stand, strict=True) if stands)
    return Comparison(
        p_repeat=tests["repeat"],
        p_scatter=tests["placing scatter"],
        p_outline=p_outline,
        outline_mm=outline_mm,
        differs=differs,
        words=_in_words(differs, compared_outlines=p_outline is not None),
    )


def _in_words(differs: tuple[str, ...], *, compared_outlines: bool) -> str:
    if "mean outline" in differs:
        return "the motifs have different outlines: not one plate, block or tracing for both areas"
    if differs:
        return f"the areas differ in {' and '.join(differs)}: probably not one campaign by one hand"
    shown = "repeat, scatter and outline" if compared_outlines else "repeat and scatter"
    return f"nothing tells the areas apart in {shown}; one hand or one plate for both is possible, not proven"


def _compare_repeats(first: Lattice, second: Lattice) -> float:
    """Chi-square test of spacing across, down, and offset."""
    (one, one_cov), (other, other_cov) = _repeat(first), _repeat(second)
    gap = one - other
    gap[2] -= np.rint(gap[2])
    return float(chdtrc(len(gap), gap @ np.linalg.solve(one_cov + other_cov, gap)))


def _repeat(lattice: Lattice) -> tuple[FloatArray, FloatArray]:
    """Spacing across and down in mm and offset ratio (3,), and their covariance (3, 3)."""
    basis = np.concatenate([lattice.a_mm, lattice.b_mm])
    change = row_basis(lattice.a_mm, lattice.b_mm)
    nudges = 1e-3 * np.eye(4)
    values = [describe_repeat(change @ (basis + nudge).reshape(2, 2)) for nudge in (*nudges, *-nudges)]
    slopes = (np.array(values[:4]) - np.array(values[4:])).T / 2e-3
    return describe_repeat(change @ basis.reshape(2, 2)), slopes @ lattice.vectors_cov @ slopes.T


def _compare_scatter(first: Lattice, second: Lattice) -> float:
    """Normal test of the logarithms; measurement error makes a scatter less sure."""
    logs, variances = [], []
    for lattice in (first, second):
        noise = float(np.trace(lattice.cov_mm2.mean(axis=0)) / 2.0)
        scatter = max(lattice.residual_sd_mm, 1e-3) ** 2
        logs.append(0.5 * np.log(scatter))
        variances.append((1.0 + noise / scatter) ** 2 / (2.0 * max(2 * lattice.n_centres - 6, 1)))
    return float(2.0 * ndtr(-abs(logs[0] - logs[1]) / np.sqrt(sum(variances))))


def _compare_outlines(
    motif: Motif, pictures: tuple[tuple[int, ...], tuple[int, ...]], rng: np.random.Generator
) -> tuple[float, float]:
    """Permutation p and rms size in mm of the difference of two mean outlines."""
    if motif.strays_mm is None or motif.strays_seen is None:
        raise EstimationError("The motif has no outlines to compare.", needed="examples with most of their outline")
    numbers = np.asarray(motif.example_index)[:, 0]
    groups = [np.flatnonzero(np.isin(numbers, list(names))) for names in pictures]
    if min(len(group) for group in groups) < LEAST_EXAMPLES:
        counts = " and ".join(str(len(group)) for group in groups)
        raise EstimationError(
            "Too few examples to compare outlines.", found=f"{counts} examples", needed=f"{LEAST_EXAMPLES} in each area"
        )
    members = np.concatenate(groups)
    strays, seen = motif.strays_mm[members], motif.strays_seen[members]
    n_first = len(groups[0])
    real = _gap(strays, seen, np.arange(len(members)), n_first)
    shuffled = [_gap(strays, seen, rng.permutation(len(members)), n_first)[0] for _ in range(N_PERMUTATIONS)]
    return (1.0 + float(np.sum(np.array(shuffled) >= real[0]))) / (1.0 + N_PERMUTATIONS), float(real[1])


def _gap(strays: FloatArray, seen: NDArray[np.bool_], order: IntArray, n_first: int) -> tuple[float, float]:
    """Weighted sum of squares of the difference of the mean outlines, and its rms in mm."""
    means, counts = [], []
    for part in (order[:n_first], order[n_first:]):
        shown = seen[part].sum(axis=0)
        means.append(np.where(seen[part], strays[part], 0.0).sum(axis=0) / np.maximum(shown, 1))
        counts.append(shown)
    both = (counts[0] > 0) & (counts[1] > 0)
    if not both.any():
        return 0.0, 0.0
    squares = (means[0] - means[1])[both] ** 2
    weights = 1.0 / (1.0 / counts[0][both] + 1.0 / counts[1][both])
    return float(weights @ squares), float(np.sqrt(squares.mean()))
