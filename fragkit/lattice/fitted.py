"""What a fit keeps of its centres, of a net and of a single row alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.frozen import frozen_array
from fragkit.lattice.average import average_fit, expected_placing, judge
from fragkit.lattice.drift import Drift
from fragkit.lattice.observed import Observed, RowFrame, stray_factors
from fragkit.lattice.scatter import KINDS, Scatter
from fragkit.sketch import sketch

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

FEW_CENTRES = 12


@dataclass(frozen=True, eq=False, kw_only=True)
class Fitted:
    """Centres about the places that a fit gives them.

    Attributes
    ----------
    origin_mm : (2,) array
        In the fragment's frame.
    cov : (p, p) array
        Covariance in mm² of the origin and of each vector, averaged over the kinds of placing scatter.
    drift : Drift
        When distinguishable it is taken out of the fit, which then holds at the fragment's middle.
    residuals_mm : (n, 2) array
        Found centre minus its place (drift taken off).
    residual_sd_mm : float
        Placing scatter per coordinate, measurement error removed.
    index, xy_mm, cov_mm2 : (n, 2) int array, (n, 2) array, (n, 2, 2) array
        The centres that carried the fit.
    measured_cov_mm2 : (2n, 2n) array
        Covariance of all measured coordinates x1, y1, x2, …, with what the plane makes them share.
    placing_cov_mm2 : (2n, 2n) array
        Likely covariance of the placing error at the same coordinates, averaged over the kinds of scatter.
    drift_shape : (n, 2) array or None
        Displacement per unit of drift coefficient, when a drift was taken out.
    scatter_support : mapping of str to float
        Posterior weight of each simple kind of placing scatter.
    n_centres : int
    notes : tuple of str
    """

    origin_mm: FloatArray
    cov: FloatArray
    drift: Drift
    residuals_mm: FloatArray
    residual_sd_mm: float
    index: IntArray
    xy_mm: FloatArray
    cov_mm2: FloatArray
    measured_cov_mm2: FloatArray
    placing_cov_mm2: FloatArray
    drift_shape: FloatArray | None
    scatter_support: Mapping[str, float]
    n_centres: int
    notes: tuple[str, ...] = ()

    @property
    def vectors_cov(self) -> FloatArray:
        """Covariance in mm² of the vectors, without the origin."""
        return self.cov[2:, 2:]

    @property
    def sites(self) -> IntArray:
        """Column and row (n, 2) of every centre as the maker counted them."""
        return self.sites_of(self.index)

    @property
    def places_mm(self) -> FloatArray:
        """Ideal places (n, 2), counted from the origin."""
        return self.counts @ self.vectors_mm

    @property
    def counts(self) -> IntArray:
        """What the places are linear in (n, q): both indices in a net, the number of the motif in a row."""
        raise NotImplementedError

    @property
    def vectors_mm(self) -> FloatArray:
        """The vectors (q, 2) of the counts."""
        raise NotImplementedError

    @property
    def repeat_mm(self) -> FloatArray:
        """The step (2, 2) along the row, and to the row above; beside a single row one as long, square to it."""
        raise NotImplementedError

    @property
    def cells(self) -> IntArray:
        """How many of the two steps of `repeat_mm` (n, 2) lead from the origin to each centre's place."""
        return np.rint(self.places_mm @ np.linalg.inv(self.repeat_mm)).astype(int)

    def sites_of(self, index: IntArray) -> IntArray:
        """Column and row (m, 2) of sites (m, 2)."""
        raise NotImplementedError

    def _strays(self, spacing_mm: float) -> str:
        """Each motif, and a line to its place, drawn as long as a third of the spacing at the most."""
        longest_mm = max(float(np.hypot(*self.residuals_mm.T).max()), 1e-6)
        enlarged = spacing_mm / 3.0 / longest_mm
        lines = [np.array([xy, xy + enlarged * stray]) for xy, stray in zip(self.xy_mm, self.residuals_mm, strict=True)]
        label = f"Motifs, and how they stray from their places, {enlarged:.0f} times enlarged"
        return sketch(label, lines_mm=lines, dots_mm=self.xy_mm)


def overall_scatter_mm(fits: Sequence[Fitted]) -> float:
    """Placing scatter per coordinate over several fits, each counted by the centres that its parameters leave free."""
    counts = np.array([fit.n_centres - 1.0 - len(fit.vectors_mm) for fit in fits])
    variances = np.array([fit.residual_sd_mm**2 for fit in fits])
    return float(np.sqrt(counts @ variances / counts.sum()))


def fit_places(data: Observed, frame: RowFrame) -> tuple[FloatArray, FloatArray, dict[str, Any]]:
    """Origin and vectors (1 + q, 2), their covariance, and all that `Fitted` keeps beside them."""
    strays = stray_factors(data)
    choice = judge(data, frame, strays)
    mean, cov = average_fit(data, frame, choice.scatter, strays, choice.field)
    n_parameters = 2 * data.design.shape[1]
    to_origin = np.eye(len(mean))
    to_origin[:2, 2:n_parameters] = -np.kron(data.middle, np.eye(2))
    fitted = np.kron(data.design, np.eye(2)) @ mean[:n_parameters]
    shape = None
    if choice.field is not None:
        shape = np.outer(choice.field.shape.values, frame.turn[choice.field.shape.coordinate])
        fitted = fitted + mean[-1] * shape.ravel()
    cov = (to_origin @ cov @ to_origin.T)[:n_parameters, :n_parameters]
    vectors = (to_origin @ mean)[:n_parameters].reshape(-1, 2)
    kept = {
        "drift": choice.drift,
        "residuals_mm": frozen_array(data.xy_mm - fitted.reshape(-1, 2)),
        "residual_sd_mm": choice.scatter.sd_mm,
        "index": frozen_array(data.index),
        "xy_mm": frozen_array(data.xy_mm),
        "cov_mm2": frozen_array(data.cov_mm2),
        "measured_cov_mm2": frozen_array(data.measured),
        "placing_cov_mm2": frozen_array(expected_placing(choice.scatter, frame)),
        "drift_shape": None if shape is None else frozen_array(shape),
        "scatter_support": MappingProxyType(_kind_weights(choice.scatter)),
        "n_centres": len(data.index),
        "notes": _notes(data, strays),
    }
    return vectors, cov, kept


def _kind_weights(scatter: Scatter) -> dict[str, float]:
    return {
        kind: float(sum(w for c, w in zip(scatter.candidates, scatter.weights, strict=True) if c.kind == kind))
        for kind in KINDS
    }


def _notes(data: Observed, strays: FloatArray) -> tuple[str, ...]:
    notes = []
    far = np.flatnonzero(strays > 1.0)
    if len(far):
        places = ", ".join(f"({i}, {j})" for i, j in data.index[far][:6])
        notes.append(
            f"{len(far)} of {len(strays)} centres stray by more than four spreads and count for less: {places}"
        )
    if len(data.index) < FEW_CENTRES:
        notes.append(f"only {len(data.index)} centres: error bars rest on assumptions about the scatter")
    return tuple(notes)
