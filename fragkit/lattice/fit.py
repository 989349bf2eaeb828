"""The net of one fragment: repeat vectors whose error bars hold whichever way the motifs were placed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.lattice.average import Judgement, average_fit, expected_placing, judge
from fragkit.lattice.drift import Drift
from fragkit.lattice.given import CentreList
from fragkit.lattice.net_type import weigh_net_types
from fragkit.lattice.observed import (
    Observed,
    PlaneCovariance,
    RowFrame,
    gather_centres,
    row_frame,
    stray_factors,
)
from fragkit.lattice.rows import columns_and_rows
from fragkit.lattice.scatter import KINDS, Scatter
from fragkit.motifs import Centres
from fragkit.sketch import sketch
from fragkit.threads import with_one_blas_thread
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


@dataclass(frozen=True, eq=False, kw_only=True)
class Lattice:
    """The net fitted to the motif centres of one fragment.

    Attributes
    ----------
    origin_mm, a_mm, b_mm : (2,) array
        Site (i, j) lies at origin + i a + j b, in the fragment's frame.
    cov : (6, 6) array
        Covariance in mm² of (ox, oy, ax, ay, bx, by), averaged over the kinds of placing scatter.
    net_type : str
    type_support : mapping of str to float
        Relative weights of the five net types.
    drift : Drift
        When distinguishable it is taken out of the net, which then holds at the fragment's middle.
    residuals_mm : (n, 2) array
        Found centre minus net (and drift).
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
    a_mm: FloatArray
    b_mm: FloatArray
    cov: FloatArray
    net_type: str
    type_support: Mapping[str, float]
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
        """Covariance (4, 4) in mm² of (ax, ay, bx, by)."""
        return self.cov[2:, 2:]

    @property
    def sites(self) -> IntArray:
        """Column and row (n, 2) of every centre as the maker counted them."""
        return columns_and_rows(self.a_mm, self.b_mm, self.index)

    def __repr__(self) -> str:
        lengths = " × ".join(f"{np.hypot(*v):.1f}" for v in (self.a_mm, self.b_mm))
        return (
            f"<Lattice {self.net_type}, {lengths} mm, {self.n_centres} centres, scatter {self.residual_sd_mm:.2f} mm>"
        )

    def _repr_html_(self) -> str:
        sd = np.sqrt(np.diag(self.vectors_cov))
        names = ("a, right", "a, up", "b, right", "b, up")
        values = np.concatenate([self.a_mm, self.b_mm])
        rows = [(name, with_sd(v, s, "mm")) for name, v, s in zip(names, values, sd, strict=True)]
        rows += [
            ("net", f"{self.net_type} (weight {self.type_support[self.net_type]:.2f})"),
            ("placing scatter", f"{self.residual_sd_mm:.2f} mm per coordinate"),
            ("drift", self.drift.text),
            ("centres", str(self.n_centres)),
        ]
        return card("Net of the fragment", rows, notes=self.notes, drawing=self._strays())

    def _strays(self) -> str:
        """Each motif, and a line to its site, drawn as long as a third of the repeat at the most."""
        longest_mm = max(float(np.hypot(*self.residuals_mm.T).max()), 1e-6)
        enlarged = min(np.hypot(*self.a_mm), np.hypot(*self.b_mm)) / 3.0 / longest_mm
        lines = [np.array([xy, xy + enlarged * stray]) for xy, stray in zip(self.xy_mm, self.residuals_mm, strict=True)]
        label = f"Motifs, and how they stray from the net, {enlarged:.0f} times enlarged"
        return sketch(label, lines_mm=lines, dots_mm=self.xy_mm)


@with_one_blas_thread
def fit_lattice(
    centres: Centres | CentreList,
    *,
    plane_covariance: PlaneCovariance | None = None,
) -> Lattice:
    """The net through indexed motif centres, with a covariance that holds under each way of placing.

    Parameters
    ----------
    centres : Centres, or (xy_mm (n, 2), cov_mm2 (n, 2, 2), index (n, 2))
        Only centres that were found take part. Each covariance is the whole one, the plane's share included.
    plane_covariance : (2n, 2n) array, or callable (n, 2) → (2n, 2n), optional
        Joint covariance in mm² of the plane at the found centres (x1, y1, x2, …): what they share. Without
        it the plane's share counts as independent from centre to centre.

    Raises
    ------
    EstimationError
        Fewer than four found centres, or all of them on one line.

    Notes
    -----
    The net is the maker's nominal one: what a drift, a swing or a stretch adds on this fragment counts as error.
    Generalised least squares of position on index under s²K + o²I + measurement for every simple kind of
    scatter K (independent, stepped along rows or columns, rigid groups up to 4 × 3 or 3 × 4 at every phase, smooth),
    averaged over the posterior of kind, s and o; the covariance is that of the mixture. Ordinary error bars are
    three times too small when placing errors accumulate. What speaks for a print that swings and stretches too
    slowly to be seen in the fragment is its exactness; a handmade net of that exactness gets wide error bars.
    The fit turns with its centres as long as the same lines lie nearest to level: those are taken for the rows.
    Centres beyond four spreads count as if they were less sure (listed in the notes).
    """
    data = gather_centres(centres, plane_covariance)
    frame = row_frame(data)
    strays = stray_factors(data.xy_mm, data.index)
    return _assemble(data, frame, strays, judge(data, frame, strays))


def _assemble(data: Observed, frame: RowFrame, strays: FloatArray, choice: Judgement) -> Lattice:
    mean, cov = average_fit(data, frame, choice.scatter, strays, choice.field)
    to_origin = np.eye(len(mean))
    to_origin[:2, 2:6] = -np.kron(data.middle, np.eye(2))
    shape = None
    fitted = np.kron(data.design, np.eye(2)) @ mean[:6]
    if choice.field is not None:
        shape = np.outer(choice.field.shape.values, frame.turn[choice.field.shape.coordinate])
        fitted = fitted + mean[6] * shape.ravel()
    cov = (to_origin @ cov @ to_origin.T)[:6, :6]
    origin, a, b = (to_origin @ mean)[:6].reshape(3, 2)
    support = weigh_net_types(a, b, cov[2:, 2:])
    return Lattice(
        origin_mm=frozen_array(origin),
        a_mm=frozen_array(a),
        b_mm=frozen_array(b),
        cov=frozen_array(cov),
        net_type=max(support, key=support.__getitem__),
        type_support=MappingProxyType(dict(support)),
        drift=choice.drift,
        residuals_mm=frozen_array(data.xy_mm - fitted.reshape(-1, 2)),
        residual_sd_mm=choice.scatter.sd_mm,
        index=frozen_array(data.index),
        xy_mm=frozen_array(data.xy_mm),
        cov_mm2=frozen_array(data.cov_mm2),
        measured_cov_mm2=frozen_array(data.measured),
        placing_cov_mm2=frozen_array(expected_placing(choice.scatter, frame)),
        drift_shape=None if shape is None else frozen_array(shape),
        scatter_support=MappingProxyType(_kind_weights(choice.scatter)),
        n_centres=len(data.index),
        notes=_notes(data, strays, support, choice),
    )


def _kind_weights(scatter: Scatter) -> dict[str, float]:
    return {
        kind: float(sum(w for c, w in zip(scatter.candidates, scatter.weights, strict=True) if c.kind == kind))
        for kind in KINDS
    }


def _notes(data: Observed, strays: FloatArray, support: Mapping[str, float], choice: Judgement) -> tuple[str, ...]:
    notes = []
    far = np.flatnonzero(strays > 1.0)
    if len(far):
        places = ", ".join(f"({i}, {j})" for i, j in data.index[far][:6])
        notes.append(
            f"{len(far)} of {len(strays)} centres stray by more than four spreads and count for less: {places}"
        )
    if max(support.values()) < 0.8:
        ranked = sorted(support, key=support.__getitem__, reverse=True)
        likely = ", ".join(f"{name} {support[name]:.2f}" for name in ranked[:2])
        notes.append(f"the net type is not settled: {likely}")
    if len(data.index) < 12:
        notes.append(f"only {len(data.index)} centres: error bars rest on assumptions about the scatter")
    return tuple(notes)
