"""The net of one fragment: repeat vectors whose error bars hold whichever way the motifs were placed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.lattice.fitted import Fitted, fit_places
from fragkit.lattice.given import CentreList
from fragkit.lattice.net_type import weigh_net_types
from fragkit.lattice.observed import PlaneCovariance, gather_centres, row_frame
from fragkit.lattice.rows import columns_and_rows, row_basis
from fragkit.motifs import Centres
from fragkit.threads import with_one_blas_thread
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


@dataclass(frozen=True, eq=False, kw_only=True)
class Lattice(Fitted):
    """The net fitted to the motif centres of one fragment; what it keeps of the centres is told at `Fitted`.

    Attributes
    ----------
    origin_mm, a_mm, b_mm : (2,) array
        Site (i, j) lies at origin + i a + j b, in the fragment's frame.
    cov : (6, 6) array
        Covariance in mm² of (ox, oy, ax, ay, bx, by), averaged over the kinds of placing scatter.
    net_type : str
    type_support : mapping of str to float
        Relative weights of the five net types.
    """

    a_mm: FloatArray
    b_mm: FloatArray
    net_type: str
    type_support: Mapping[str, float]

    @property
    def counts(self) -> IntArray:
        return self.index

    @property
    def vectors_mm(self) -> FloatArray:
        return np.array([self.a_mm, self.b_mm])

    @property
    def repeat_mm(self) -> FloatArray:
        return np.asarray(row_basis(self.a_mm, self.b_mm) @ self.vectors_mm)

    def sites_of(self, index: IntArray) -> IntArray:
        return columns_and_rows(self.a_mm, self.b_mm, index)

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
        spacing_mm = min(np.hypot(*self.a_mm), np.hypot(*self.b_mm))
        return card("Net of the fragment", rows, notes=self.notes, drawing=self._strays(float(spacing_mm)))


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
    (origin, a, b), cov, kept = fit_places(data, row_frame(data))
    support = weigh_net_types(a, b, cov[2:, 2:])
    return Lattice(
        origin_mm=frozen_array(origin),
        a_mm=frozen_array(a),
        b_mm=frozen_array(b),
        cov=frozen_array(cov),
        net_type=max(support, key=support.__getitem__),
        type_support=MappingProxyType(dict(support)),
        **{**kept, "notes": (*kept["notes"], *_doubts(support))},
    )


def _doubts(support: Mapping[str, float]) -> tuple[str, ...]:
    if max(support.values()) >= 0.8:
        return ()
    ranked = sorted(support, key=support.__getitem__, reverse=True)
    likely = ", ".join(f"{name} {support[name]:.2f}" for name in ranked[:2])
    return (f"the net type is not settled: {likely}",)
