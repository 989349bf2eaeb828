"""Two people's labels of one photograph, compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch_bars

FloatArray = NDArray[np.float64]
LabelArray = NDArray[np.uint8]

SURFACES = ("not read", "ground", "shadow", "metal", "loss", "later work")
"""Names of the codes 0 to 5."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LabelDifference:
    """How two people read one photograph.

    Attributes
    ----------
    counts : (6, 6) int array
        Pixels by the first reader's code (row) and the second's (column).
    overlaps : (6,) array
        Intersection over union of each code where both read; -1 where neither used it.
    agreement_ratio : float
        Share of the pixels read by both that they name alike.
    kappa : float
        Cohen's kappa: agreement beyond what their shares alone would give.
    different : (h, w) bool array
        Where both read and differ.
    n_px : int
        Pixels read by both.
    """

    counts: NDArray[np.int64]
    overlaps: FloatArray
    agreement_ratio: float
    kappa: float
    different: NDArray[np.bool_]
    n_px: int

    def rows(self) -> tuple[tuple[str, str, int, float], ...]:
        """First reader's surface, second reader's, pixels, share of all read by both; the largest difference first."""
        pairs = [(i, j) for i in range(1, 6) for j in range(1, 6) if i != j and self.counts[i, j]]
        pairs.sort(key=lambda pair: -int(self.counts[pair]))
        return tuple(
            (SURFACES[i], SURFACES[j], int(self.counts[i, j]), self.counts[i, j] / self.n_px) for i, j in pairs
        )

    def __repr__(self) -> str:
        return f"<LabelDifference: {100.0 * self.agreement_ratio:.1f} % alike, kappa {self.kappa:.2f}>"

    def _repr_html_(self) -> str:
        rows = [("named alike", f"{100.0 * self.agreement_ratio:.1f} % of {self.n_px} px; kappa {self.kappa:.2f}")]
        rows += [(f"{one} / {other}", f"{100.0 * share:.1f} %") for one, other, _, share in self.rows()[:6]]
        apart = {f"{one} / {other}": 100.0 * share for one, other, _, share in self.rows()[:6]}
        drawn = sketch_bars("Named differently, share of what both read", apart, unit="%")
        return card("Two readings of one photograph", rows, drawing=drawn)


def compare_labels(first: ArrayLike, second: ArrayLike) -> LabelDifference:
    """Where and how far two people's labels of one photograph differ.

    Parameters
    ----------
    first, second : (h, w) arrays of 0 to 5
        0 not read, 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work.

    Raises
    ------
    ValueError
        If the sizes differ or a code is unknown.
    EstimationError
        If no pixel was read by both.

    References
    ----------
    Cohen, J. (1960) Educ. Psychol. Meas. 20, 37-46 (kappa).
    """
    one, other = _codes(first), _codes(second)
    if one.shape != other.shape:
        raise ValueError(f"The labels are {one.shape} and {other.shape}; give two readings of the same photograph.")
    counts = np.bincount(one.astype(int).ravel() * 6 + other.ravel(), minlength=36).reshape(6, 6)
    both = counts[1:, 1:]
    n_px = int(both.sum())
    if n_px == 0:
        raise EstimationError("The readings cannot be compared.", found="no pixel read by both", needed="common ground")
    alike = float(np.trace(both)) / n_px
    by_chance = float(both.sum(0) @ both.sum(1)) / n_px**2
    union = both.sum(0) + both.sum(1) - np.diag(both)
    overlaps = np.where(union > 0, np.diag(both) / np.maximum(union, 1), -1.0)
    return LabelDifference(
        counts=frozen_array(counts),
        overlaps=frozen_array(np.concatenate([[-1.0], overlaps])),
        agreement_ratio=alike,
        kappa=(alike - by_chance) / (1.0 - by_chance) if by_chance < 1.0 else 1.0,
        different=frozen_array((one != other) & (one > 0) & (other > 0)),
        n_px=n_px,
    )


def _codes(labels: ArrayLike) -> NDArray[Any]:
    codes = np.asarray(labels)
    if codes.ndim != 2 or codes.size == 0 or codes.min() < 0 or codes.max() > 5:
        raise ValueError(f"Labels of shape {codes.shape} hold codes beyond 0 to 5, or are no picture; see the codes.")
    return codes.astype(np.uint8)
