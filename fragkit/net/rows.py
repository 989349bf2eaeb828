"""Single rows: a repeat in one direction only, as a frieze or a border has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.net.lagmap import LagMap, evidence, nodes_of, sample
from fragkit.net.search import Candidate, row_vectors

FloatArray = NDArray[np.float64]

_LEAST_EVIDENCE = 10.0
_LEAST_WITHOUT_HIGHEST = 6.0
_LEAST_OFF_ROW = 4.0
_LEAST_MULTIPLES = 3
"""A row shows at least four motifs, or its period is not told from chance."""
_MOST_MULTIPLES = 40


@dataclass(frozen=True, eq=False, kw_only=True)
class Row:
    """A row on a lag map: its step (px, y down), and how it stands out in standard deviations.

    Attributes
    ----------
    evidence : float
        Of all its multiples together.
    without_highest : float
        The same without the highest of them.
    contrast : float
        Mean height at the multiples less that half-way between them.
    """

    step_px: FloatArray
    evidence: float
    without_highest: float
    contrast: float


def is_one_row(lags: LagMap, net: Candidate) -> bool:
    """Whether nodes off one line through lag zero add next to nothing to a net: a row was taken for a net."""
    nodes = nodes_of(lags, net.a_px, net.b_px)
    i, j = nodes.index.T
    lines = (j == 0, i == 0, i == j, i == -j)
    return any(evidence(lags, nodes.only(~line)) < _LEAST_OFF_ROW for line in lines if line.any())


def find_row(lags: LagMap, shortest_px: float, longest_px: float) -> Row | None:
    """The strongest single row of a lag map, or None when no step has three multiples that stand out."""
    rows = [_judged(lags, step) for step in row_vectors(lags, shortest_px, longest_px)]
    strong = [row for row in rows if row is not None and _is_strong(row)]
    return max(strong, key=lambda row: row.evidence, default=None)


def _is_strong(row: Row) -> bool:
    return row.evidence >= _LEAST_EVIDENCE and row.without_highest >= _LEAST_WITHOUT_HIGHEST and row.contrast > 0


def _judged(lags: LagMap, step: FloatArray) -> Row | None:
    """The row of a step, its length fitted to the multiples."""
    for most in (2, 4, 8, _MOST_MULTIPLES):
        lag, height, weight = _multiples(lags, step, np.arange(1, most + 1))
        if len(lag) < 2:
            break
        step = _fitted(lags, lag, step)
    lag, height, weight = _multiples(lags, step, np.arange(1, _MOST_MULTIPLES + 1))
    if len(lag) < _LEAST_MULTIPLES:
        return None
    between = _multiples(lags, step, np.arange(1, len(lag) + 1) - 0.5)[1]
    product = weight * height
    rest = np.argsort(product)[:-1]
    return Row(
        step_px=step,
        evidence=float(product.sum() / np.sqrt(weight.sum()) / lags.noise),
        without_highest=float(product[rest].sum() / np.sqrt(weight[rest].sum()) / lags.noise),
        contrast=float(height.mean() - between.mean()) if len(between) else 0.0,
    )


def _multiples(lags: LagMap, step: FloatArray, times: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lags, heights and weights of multiples of a step, as far as the map reaches."""
    lag = np.multiply.outer(np.asarray(times, float), step)
    cx, cy = lags.centre
    lag = lag[(np.abs(lag[:, 0]) <= 0.95 * cx) & (np.abs(lag[:, 1]) <= 0.95 * cy)]
    both = sample(lags.peaks_and_overlap, lag)
    seen = both[:, 1] > 0
    return lag[seen], both[seen, 0], both[seen, 1]


def _fitted(lags: LagMap, lag: FloatArray, step: FloatArray) -> FloatArray:
    """The step through the highest places within the core of each multiple."""
    reach = np.arange(-int(lags.core_px), int(lags.core_px) + 1)
    offsets = np.array([(x, y) for x in reach for y in reach], float)
    around = sample(lags.peaks, (lag[:, None] + offsets).reshape(-1, 2)).reshape(len(lag), -1)
    top = lag + offsets[np.argmax(around - 1e-6 * (offsets**2).sum(1), axis=1)]
    times = np.round(lag @ step / float(step @ step))
    weight = np.maximum(around.max(1), 0.0) ** 2 + 1e-12
    return np.asarray((weight * times) @ top / float((weight * times * times).sum()))
