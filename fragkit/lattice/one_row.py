"""The step of a single row, as a frieze has, with an error bar that holds whichever way the motifs were placed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.lattice.fitted import Fitted, fit_places
from fragkit.lattice.given import CentreList
from fragkit.lattice.observed import PlaneCovariance, gather_row, single_row_frame, steps_along
from fragkit.motifs import Centres
from fragkit.threads import with_one_blas_thread
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


@dataclass(frozen=True, eq=False, kw_only=True)
class RowFit(Fitted):
    """The step of motifs in a single row; what it keeps of the centres is told at `Fitted`.

    Attributes
    ----------
    origin_mm, step_mm : (2,) array
        Motif k of the row stands at origin + k step; x right, y up.
    cov : (4, 4) array
        Covariance in mm² of (ox, oy, step x, step y).
    number : (n,) int array
        Which motif of the row each centre is, from 0.
    """

    step_mm: FloatArray
    number: IntArray

    @property
    def counts(self) -> IntArray:
        return self.number[:, None]

    @property
    def vectors_mm(self) -> FloatArray:
        return self.step_mm[None, :]

    @property
    def repeat_mm(self) -> FloatArray:
        right, up = self.step_mm
        return np.array([[right, up], [-up, right]])

    def sites_of(self, index: IntArray) -> IntArray:
        first, last = self.index[np.argmin(self.number)], self.index[np.argmax(self.number)]
        number = steps_along(last - first, np.asarray(index) - first)
        return np.column_stack([number, np.zeros_like(number)])

    @property
    def length_mm(self) -> float:
        return float(np.hypot(*self.step_mm))

    @property
    def length_sd_mm(self) -> float:
        along = self.step_mm / self.length_mm
        return float(np.sqrt(along @ self.vectors_cov @ along))

    def __repr__(self) -> str:
        return f"<RowFit {with_sd(self.length_mm, self.length_sd_mm, 'mm')}, {self.n_centres} centres>"

    def _repr_html_(self) -> str:
        rows = [
            ("from motif to motif", with_sd(self.length_mm, self.length_sd_mm, "mm")),
            ("placing scatter", f"{self.residual_sd_mm:.2f} mm per coordinate"),
            ("drift", self.drift.text),
            ("centres", str(self.n_centres)),
        ]
        return card("A single row", rows, notes=self.notes, drawing=self._strays(self.length_mm))


@with_one_blas_thread
def fit_row(centres: Centres | CentreList, *, plane_covariance: PlaneCovariance | None = None) -> RowFit:
    """The step of a single row of motif centres, with a covariance that holds under each way of placing.

    Parameters
    ----------
    centres : Centres, or (xy_mm (n, 2), cov_mm2 (n, 2, 2), index (n, 2))
        Only centres that were found take part.
    plane_covariance : (2n, 2n) array, or callable (n, 2) → (2n, 2n), optional
        As in `fit_lattice`.

    Raises
    ------
    EstimationError
        Fewer than four centres, or centres in more than one row.

    Notes
    -----
    The fit of `fit_lattice` with one count instead of two. A single row shows less of how it was placed than a net
    does, so its error bars lean more on the assumed shares of the kinds of scatter.
    """
    data = gather_row(centres, plane_covariance)
    (origin, step), cov, kept = fit_places(data, single_row_frame(data))
    note = "across the row nothing repeats: one step is known, not a net"
    return RowFit(
        origin_mm=frozen_array(origin),
        step_mm=frozen_array(step),
        number=frozen_array(data.counts[:, 0]),
        cov=frozen_array(cov),
        **{**kept, "notes": (*kept["notes"], note)},
    )
