"""The net of one fragment: repeat vectors whose error bars hold whichever way the motifs were placed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.lattice.drift import FIELDS, Drift, field_shapes, in_trade_units, state_drift, state_no_drift
from fragkit.lattice.gaussian import free_contrasts, least_squares
from fragkit.lattice.net_type import weigh_net_types
from fragkit.lattice.rows import columns_and_rows, describe_repeat, row_basis
from fragkit.lattice.scatter import KINDS, Candidate, Field, Scatter, candidate_kinds, weigh_scatter
from fragkit.units import with_sd

if TYPE_CHECKING:
    from fragkit.motifs import Centres

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]
PlaneCovariance = FloatArray | Callable[[FloatArray], FloatArray]

FIELD_RMS_RATIO = 0.01
"""Prior sd of a drift: its rms over the sites as a share of the repeat. An assumption."""

FIRM_DRIFT = 0.95
STRAY_SPREADS = 4.0
LEAST_SD_MM = 0.01


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
            f"<Lattice {self.net_type}, {lengths} mm, {self.n_centres} centres, "
            f"scatter {self.residual_sd_mm:.2f} mm>"
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
        return card("Net of the fragment", rows, notes=self.notes)


def fit_lattice(
    centres: Centres | tuple[FloatArray, FloatArray, IntArray],
    *,
    plane_covariance: PlaneCovariance | None = None,
) -> Lattice:
    """The net through indexed motif centres, with a covariance that holds under each way of placing.

    Parameters
    ----------
    centres : Centres, or (xy_mm (n, 2), cov_mm2 (n, 2, 2), index (n, 2))
        Only centres that were found take part. Each covariance is the whole one, the plane's share included.
    plane_covariance : (2n, 2n) array, or callable (n, 2) → (2n, 2n), optional
        Joint covariance in mm² of the plane at the found centres (x1, y1, x2, …): what they share. Without it the
        plane's share counts as independent from centre to centre.

    Raises
    ------
    EstimationError
        Fewer than four found centres, or all of them on one line.

    Notes
    -----
    Generalised least squares of position on index under s²K + o²I + measurement for every simple kind of scatter K
    (independent, stepped along rows or columns, rigid groups up to 4 × 3 at every phase, smooth), averaged by their
    posterior weights; the covariance is that of the mixture. Ordinary error bars are three times too small when placing
    errors accumulate. Centres beyond four spreads count as if they were less sure (listed in the notes).
    """
    data = _gather(centres, plane_covariance)
    frame = _row_frame(data)
    strays = _stray_factors(data.xy_mm, data.index)
    candidates = candidate_kinds(frame.sites, frame.places * [frame.across_mm, frame.down_mm])
    chosen = _choose(data, frame, candidates, strays)
    return _assemble(data, frame, strays, chosen)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Data:
    xy_mm: FloatArray
    index: IntArray
    cov_mm2: FloatArray
    measured: FloatArray

    @property
    def design(self) -> FloatArray:
        return np.column_stack([np.ones(len(self.index)), self.index - self.middle])

    @property
    def middle(self) -> FloatArray:
        return np.asarray(self.index.mean(axis=0))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Frame:
    """The rows of a rough fit: turn (2, 2) to them, sites, places in motifs from the middle, and spacing."""

    turn: FloatArray
    sites: IntArray
    places: FloatArray
    across_mm: float
    down_mm: float


@dataclass(frozen=True, eq=False, kw_only=True)
class _Choice:
    scatter: Scatter
    drift: Drift
    field: Field | None


def _gather(
    centres: Centres | tuple[FloatArray, FloatArray, IntArray], plane_covariance: PlaneCovariance | None
) -> _Data:
    if isinstance(centres, tuple):
        xy_mm, cov_mm2, index = (np.asarray(part) for part in centres)
    else:
        found = np.asarray(centres.found)
        xy_mm, cov_mm2, index = centres.xy_mm[found], centres.cov_mm2[found], centres.index[found]
    index = index.astype(int)
    on_a_line = len(index) < 3 or np.linalg.matrix_rank(index - index.mean(axis=0)) < 2
    if len(index) < 4 or on_a_line:
        raise EstimationError(
            "The centres do not determine a net.",
            found=f"{len(index)} centres" + (" on one line" if on_a_line else ""),
            needed="four found centres or more, in at least two rows and two columns",
        )
    plane = plane_covariance(xy_mm) if callable(plane_covariance) else plane_covariance
    return _Data(xy_mm=xy_mm, index=index, cov_mm2=cov_mm2, measured=_measured_covariance(cov_mm2, plane))


def _measured_covariance(cov_mm2: FloatArray, plane: FloatArray | None) -> FloatArray:
    """Joint covariance (2n, 2n): each centre's own on the diagonal, the plane's between centres."""
    n = len(cov_mm2)
    if plane is None:
        plane = np.zeros((2 * n, 2 * n))
    if plane.shape != (2 * n, 2 * n):
        raise ValueError(
            f"plane_covariance is {plane.shape}; for {n} found centres it must be {(2 * n, 2 * n)}"
        )
    joint = np.array(plane, float)
    for k, cov in enumerate(cov_mm2):
        block = slice(2 * k, 2 * k + 2)
        values, axes = np.linalg.eigh(cov - plane[block, block])
        joint[block, block] += (axes * np.maximum(values, LEAST_SD_MM**2)) @ axes.T
    return joint


def _row_frame(data: _Data) -> _Frame:
    rough = np.linalg.lstsq(data.design, data.xy_mm, rcond=None)[0]
    change = row_basis(rough[1], rough[2])
    vectors = change @ rough[1:]
    across, down, offset = describe_repeat(vectors)
    cos, sin = vectors[0] / across
    line = (data.index - data.middle) @ np.linalg.inv(change)
    return _Frame(
        turn=np.array([[cos, sin], [-sin, cos]]),
        sites=columns_and_rows(rough[1], rough[2], data.index),
        places=np.column_stack([line[:, 0] + offset * line[:, 1], line[:, 1]]),
        across_mm=float(across),
        down_mm=float(down),
    )


def _stray_factors(xy_mm: FloatArray, index: IntArray) -> FloatArray:
    """Factors (n,) ≥ 1 on the covariance of centres that lie beyond four robust spreads from the net."""
    design = np.column_stack([np.ones(len(index)), index])
    factors = np.ones(len(index))
    for _ in range(8):
        root = 1.0 / np.sqrt(factors)
        fit = np.linalg.lstsq(design * root[:, None], xy_mm * root[:, None], rcond=None)[0]
        distance = np.linalg.norm(xy_mm - design @ fit, axis=1)
        spread = np.median(distance) / 1.1774 * np.sqrt(len(index) / (len(index) - 3.0))
        factors = np.maximum(1.0, (distance / (STRAY_SPREADS * spread + 1e-9)) ** 2)
    return factors


def _choose(data: _Data, frame: _Frame, candidates: tuple[Candidate, ...], strays: FloatArray) -> _Choice:
    """Weights of the kinds of scatter, and the drift, judged together."""
    offsets = _offsets(data, frame, strays)
    noise = _noise_var(data, frame)
    fields = _fields(data, frame)
    plain, *fitted = weigh_scatter(offsets, data.design, noise, candidates, fields=fields)
    gains = np.array([np.exp(min(f.log_evidence - plain.log_evidence, 600.0)) for f in fitted]) / len(fields)
    support = gains / (1.0 + gains.sum())
    best = int(np.argmax(support))
    sizes = [_field_size(k, data, frame, fitted[k], fields[k], strays) for k in (0, 1, best)]
    value, sd, unit = sizes[2]
    if support.sum() > FIRM_DRIFT and abs(value) > 2.0 * sd:
        drift = state_drift(best, value=value, sd=sd, unit=unit, support=float(support[best]))
        return _Choice(scatter=fitted[best], drift=drift, field=fields[best])
    return _Choice(
        scatter=plain, drift=state_no_drift(bounds=sizes[:2], support=float(support.sum())), field=None
    )


def _offsets(data: _Data, frame: _Frame, strays: FloatArray) -> FloatArray:
    """Residuals of a rough fit in the row frame, with strays pulled in to four spreads."""
    root = 1.0 / np.sqrt(strays)[:, None]
    rough = np.linalg.lstsq(data.design * root, data.xy_mm * root, rcond=None)[0]
    return (data.xy_mm - data.design @ rough) @ frame.turn.T * root


def _noise_var(data: _Data, frame: _Frame) -> FloatArray:
    """Mean measurement variance (2,) along and across the rows, of what no net can absorb."""
    contrasts = free_contrasts(data.design)
    blocks = data.measured.reshape(len(data.index), 2, len(data.index), 2)
    turned = np.einsum("ab,ibjc,dc->aijd", frame.turn, blocks, frame.turn)
    return np.array(
        [np.trace(contrasts.T @ turned[k, :, :, k] @ contrasts) / contrasts.shape[1] for k in (0, 1)]
    )


def _fields(data: _Data, frame: _Frame) -> tuple[Field, ...]:
    contrasts = free_contrasts(data.design)
    project = contrasts @ contrasts.T
    blocks = data.measured.reshape(len(data.index), 2, len(data.index), 2)
    own = np.einsum("ibic->ibc", blocks)
    result = []
    for shape, axis in field_shapes(frame.places):
        free = project @ shape
        size = max(float(free @ free), 1e-9)
        weights = np.einsum("i,b->ib", free / size, frame.turn[axis])
        total = np.einsum("ib,ibjc,jc->", weights, blocks, weights)
        alone = np.einsum("ib,ibc,ic->", weights, own, weights)
        rms_mm = FIELD_RMS_RATIO * (frame.across_mm if axis == 0 else frame.down_mm)
        result.append(
            Field(
                shape=shape,
                coordinate=axis,
                prior_sd=rms_mm * float(np.sqrt(len(shape) / size)),
                plane_sd=float(np.sqrt(max(total - alone, 0.0))),
            )
        )
    return tuple(result)


def _field_size(
    which: int, data: _Data, frame: _Frame, scatter: Scatter, field: Field, strays: FloatArray
) -> tuple[float, float, str]:
    mean, cov = _average_fit(data, frame, scatter, strays, field)
    factor, unit = in_trade_units(
        which, places=frame.places, across_mm=frame.across_mm, down_mm=frame.down_mm
    )
    return float(factor * mean[6]), float(abs(factor) * np.sqrt(cov[6, 6])), unit


def _average_fit(
    data: _Data, frame: _Frame, scatter: Scatter, strays: FloatArray, field: Field | None
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the parameters over the kinds of scatter: (ox, oy, ax, ay, bx, by[, drift])."""
    design = np.kron(data.design, np.eye(2))
    if field is not None:
        design = np.column_stack([design, np.kron(field.shape, frame.turn[field.coordinate])])
    stray_var = np.repeat((strays - 1.0) * np.exp(2.0 * scatter.log_sd), 2)
    likely = np.flatnonzero(scatter.weights > 2e-3 * scatter.weights.max())
    weights = scatter.weights[likely] / scatter.weights[likely].sum()
    means, covs = [], []
    for k in likely:
        placing = _placing_covariance(scatter, k, frame)
        mean, cov = least_squares(data.xy_mm.ravel(), design, data.measured + placing + np.diag(stray_var))
        means.append(mean)
        covs.append(cov)
    mean = weights @ np.array(means)
    spread = np.array(means) - mean
    return mean, np.tensordot(weights, np.array(covs), 1) + (spread.T * weights) @ spread


def _placing_covariance(scatter: Scatter, k: int, frame: _Frame) -> FloatArray:
    """Covariance (2n, 2n) of the placing error under one kind of scatter, in the fragment's frame."""
    total = np.zeros((2 * len(frame.sites), 2 * len(frame.sites)))
    for axis, kernel in enumerate(scatter.candidates[k].kernels):
        along = np.outer(frame.turn[axis], frame.turn[axis])
        variance = scatter.shared_var[k, axis] * kernel + scatter.own_var[k, axis] * np.eye(len(kernel))
        total += np.kron(variance, along)
    return total


def _assemble(data: _Data, frame: _Frame, strays: FloatArray, choice: _Choice) -> Lattice:
    mean, cov = _average_fit(data, frame, choice.scatter, strays, choice.field)
    to_origin = np.eye(len(mean))
    to_origin[:2, 2:6] = -np.kron(data.middle, np.eye(2))
    shape = None
    fitted = np.kron(data.design, np.eye(2)) @ mean[:6]
    if choice.field is not None:
        shape = np.outer(choice.field.shape, frame.turn[choice.field.coordinate])
        fitted = fitted + mean[6] * shape.ravel()
    cov = (to_origin @ cov @ to_origin.T)[:6, :6]
    origin, a, b = (to_origin @ mean)[:6].reshape(3, 2)
    support = weigh_net_types(a, b, cov[2:, 2:])
    kinds = {
        kind: float(
            sum(
                w
                for c, w in zip(choice.scatter.candidates, choice.scatter.weights, strict=True)
                if c.kind == kind
            )
        )
        for kind in KINDS
    }
    return Lattice(
        origin_mm=frozen_array(origin),
        a_mm=frozen_array(a),
        b_mm=frozen_array(b),
        cov=frozen_array(cov),
        net_type=max(support, key=support.__getitem__),
        type_support=MappingProxyType(dict(support)),
        drift=choice.drift,
        residuals_mm=frozen_array(data.xy_mm - fitted.reshape(-1, 2)),
        residual_sd_mm=float(np.exp(choice.scatter.log_sd)),
        index=frozen_array(data.index),
        xy_mm=frozen_array(data.xy_mm),
        cov_mm2=frozen_array(data.cov_mm2),
        measured_cov_mm2=frozen_array(data.measured),
        drift_shape=None if shape is None else frozen_array(shape),
        scatter_support=MappingProxyType(kinds),
        n_centres=len(data.index),
        notes=_notes(data, strays, support, choice),
    )


def _notes(data: _Data, strays: FloatArray, support: Mapping[str, float], choice: _Choice) -> tuple[str, ...]:
    notes = []
    far = np.flatnonzero(strays > 1.0)
    if len(far):
        places = ", ".join(f"({i}, {j})" for i, j in data.index[far][:6])
        notes.append(
            f"{len(far)} of {len(strays)} centres stray by more than four spreads and count for less: {places}"
        )
    if max(support.values()) < 0.8:
        ranked = sorted(support, key=support.__getitem__, reverse=True)
        notes.append(
            f"the net type is not settled: {ranked[0]} {support[ranked[0]]:.2f}, {ranked[1]} {support[ranked[1]]:.2f}"
        )
    if len(data.index) < 12:
        notes.append(f"only {len(data.index)} centres: error bars rest on assumptions about the scatter")
    return tuple(notes)
