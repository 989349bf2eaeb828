"""Estimates averaged over the kinds of placing scatter, and the drift judged beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fragkit.lattice.drift import Drift, drift_shapes, in_trade_units, state_drift, state_no_drift
from fragkit.lattice.gaussian import free_contrasts, least_squares
from fragkit.lattice.observed import Observed, RowFrame
from fragkit.lattice.scatter import Field, Scatter, candidate_kinds
from fragkit.lattice.weighing import drift_factors, view_scatter, weigh_scatter
from fragkit.units import Z95

FloatArray = NDArray[np.float64]

FIELD_RMS_RATIO = 0.01
"""Prior sd of a drift: its rms over the sites as a share of the repeat. An assumption."""

LEAST_DRIFT_SUPPORT = 0.6
LEAST_DRIFT_SDS = 2.75
"""Posterior of any drift, and size of the likeliest in its sds, from which on a drift is stated. How often that
happens on nets without drift is printed by the benchmark of `tests/lattice`."""

LEAST_DRIFT_SITES = 9
LEAST_FREE_SHARE = 0.02
"""A field of which the net absorbs more than all but this share cannot be told."""

MOST_GROUPS = 10
"""Rigid groups against which a drift is weighed."""

MIDDLE_PART = 1
"""Which part of the posterior of the variances holds its median."""

LEAST_SHARE = 0.01
"""Kinds of scatter with less than this share of the best one's weight are left out of the average."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Judgement:
    """Weights of the kinds of scatter, and the drift with its field when there is one."""

    scatter: Scatter
    drift: Drift
    field: Field | None


def judge(data: Observed, frame: RowFrame, strays: FloatArray) -> Judgement:
    """Weights of the kinds of scatter, and the drift, judged together.

    A drift is weighed against every kind of scatter, the smooth one included, which is itself a drift of no
    fixed form.
    """
    candidates = candidate_kinds(frame.sites, frame.places * [frame.across_mm, frame.down_mm])
    offsets = _pulled_offsets(data, frame, strays)
    noise = _noise_var(data, frame)
    fields = _fields(data, frame)
    views = view_scatter(offsets, data.design, noise, candidates, fields=fields)
    plain = weigh_scatter(views)
    views = views.only(_worth_a_drift(plain))
    gains = np.array([field.shape.share for field in fields]) * np.exp(np.minimum(drift_factors(views), 600.0))
    support = gains / (1.0 + gains.sum())
    if support.sum() > LEAST_DRIFT_SUPPORT:
        best = int(np.argmax(support))
        scatter = weigh_scatter(views, drift=best)
        value, sd, unit = _field_size(data, frame, scatter, fields[best], strays)
        if abs(value) > LEAST_DRIFT_SDS * sd:
            drift = state_drift(fields[best].shape, value=value, sd=sd, unit=unit, support=float(support[best]))
            return Judgement(scatter=scatter, drift=drift, field=fields[best])
    growths = {
        field.shape.along: _field_size(data, frame, weigh_scatter(views, drift=k).at_means(), field, strays)
        for k, field in enumerate(fields)
        if field.shape.kind == "growth"
    }
    return Judgement(scatter=plain, drift=state_no_drift(growths=growths, support=float(support.sum())), field=None)


def _worth_a_drift(scatter: Scatter) -> list[int]:
    """Numbers of the kinds of scatter, without the less likely groups: a drift makes none of them likelier."""
    groups = [k for k, candidate in enumerate(scatter.candidates) if candidate.kind == "rigid groups"]
    dropped = set(sorted(groups, key=lambda k: -scatter.log_evidence[k])[MOST_GROUPS:])
    return [k for k in range(len(scatter.candidates)) if k not in dropped]


def _pulled_offsets(data: Observed, frame: RowFrame, strays: FloatArray) -> FloatArray:
    """Residuals of a rough fit in the row frame, with strays pulled in to four spreads."""
    root = 1.0 / np.sqrt(strays)[:, None]
    rough = np.linalg.lstsq(data.design * root, data.xy_mm * root, rcond=None)[0]
    return (data.xy_mm - data.design @ rough) @ frame.turn.T * root


def _noise_var(data: Observed, frame: RowFrame) -> FloatArray:
    """Mean measurement variance (2,) along and across the rows, of what no net can absorb."""
    contrasts = free_contrasts(data.design)
    blocks = data.measured.reshape(len(data.index), 2, len(data.index), 2)
    turned = np.einsum("ab,ibjc,dc->aijd", frame.turn, blocks, frame.turn)
    return np.array([np.trace(contrasts.T @ turned[k, :, :, k] @ contrasts) / contrasts.shape[1] for k in (0, 1)])


def _fields(data: Observed, frame: RowFrame) -> tuple[Field, ...]:
    """The drifts that these sites can show at all, with what the plane's shared error puts into each."""
    contrasts = free_contrasts(data.design)
    project = contrasts @ contrasts.T
    blocks = data.measured.reshape(len(data.index), 2, len(data.index), 2)
    own = np.einsum("ibic->ibc", blocks)
    result = []
    for drift in drift_shapes(frame.places, frame.sites):
        shape, axis = drift.values, drift.coordinate
        free = project @ shape
        size = float(free @ free)
        if len(shape) < LEAST_DRIFT_SITES or not size > LEAST_FREE_SHARE * float(shape @ shape):
            continue
        weights = np.einsum("i,b->ib", free / size, frame.turn[axis])
        total = np.einsum("ib,ibjc,jc->", weights, blocks, weights)
        alone = np.einsum("ib,ibc,ic->", weights, own, weights)
        rms_mm = FIELD_RMS_RATIO * (frame.across_mm if axis == 0 else frame.down_mm)
        result.append(
            Field(
                shape=drift,
                prior_sd=rms_mm * float(np.sqrt(len(shape) / size)),
                plane_sd=float(np.sqrt(max(total - alone, 0.0))),
            )
        )
    return tuple(result)


def _field_size(
    data: Observed, frame: RowFrame, scatter: Scatter, field: Field, strays: FloatArray
) -> tuple[float, float, str]:
    """Value, sd and unit of a drift."""
    mean, cov = average_fit(data, frame, scatter, strays, field)
    factor, unit = in_trade_units(field.shape, places=frame.places, across_mm=frame.across_mm, down_mm=frame.down_mm)
    return float(factor * mean[-1]), float(abs(factor) * np.sqrt(cov[-1, -1])), unit


def average_fit(
    data: Observed, frame: RowFrame, scatter: Scatter, strays: FloatArray, field: Field | None
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of the parameters over the kinds of scatter: (ox, oy, ax, ay[, bx, by][, drift])."""
    design: FloatArray = np.asarray(np.kron(data.design, np.eye(2)), float)
    if field is not None:
        design = np.column_stack([design, np.kron(field.shape.values, frame.turn[field.shape.coordinate])])
    measured = data.measured + np.diag(np.repeat((strays - 1.0) * scatter.sd_mm**2, 2))
    shares = np.outer(scatter.weights, scatter.parts)
    likely = np.argwhere(shares > LEAST_SHARE * scatter.weights.max() * scatter.parts)
    weights, means, covs = [], [], []
    for k, part in likely:
        placing = _placing_covariance(scatter, int(k), int(part), frame)
        mean, cov = least_squares(data.xy_mm.ravel(), design, measured + placing)
        weights.append(shares[k, part])
        means.append(mean)
        covs.append(cov)
    return mix(np.array(weights) / np.sum(weights), np.array(means), np.array(covs))


def mix(weights: FloatArray, means: FloatArray, covs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of a mixture of normals, scaled so that ± 1.96 sd holds 95 % of each parameter.

    Notes
    -----
    A rare kind of scatter with a wide error bar swells the plain covariance of a mixture far more than its
    95 % interval; the interval is what people use.
    """
    mean = weights @ means
    spread = means - mean
    plain = np.tensordot(weights, covs, 1) + (spread.T * weights) @ spread
    plain_sd = np.sqrt(np.diag(plain))
    sds = np.sqrt(np.diagonal(covs, axis1=1, axis2=2))
    low, high = np.zeros_like(mean), 8.0 * plain_sd
    for _ in range(40):
        half = 0.5 * (low + high)
        inside = weights @ (ndtr((half - spread) / sds) - ndtr((-half - spread) / sds))
        low, high = np.where(inside < 0.95, half, low), np.where(inside < 0.95, high, half)
    scale = high / (Z95 * plain_sd)
    return mean, plain * np.outer(scale, scale)


def expected_placing(scatter: Scatter, frame: RowFrame) -> FloatArray:
    """Covariance (2n, 2n) of the placing error in the fragment's frame: middle sizes, averaged over the kinds."""
    likely = np.flatnonzero(scatter.weights > LEAST_SHARE * scatter.weights.max())
    shares = scatter.weights[likely] / scatter.weights[likely].sum()
    parts = [
        share * _placing_covariance(scatter, int(k), MIDDLE_PART, frame)
        for k, share in zip(likely, shares, strict=True)
    ]
    return np.asarray(sum(parts))


def _placing_covariance(scatter: Scatter, k: int, part: int, frame: RowFrame) -> FloatArray:
    """Covariance (2n, 2n) of the placing error under one kind and size of scatter, in the fragment's frame."""
    n = len(frame.sites)
    total = np.zeros((n, 2, n, 2))
    for axis, kernel in enumerate(scatter.candidates[k].kernels):
        variance = scatter.shared_var[k, part, axis] * kernel
        variance[np.diag_indices(n)] += scatter.own_var[k, part, axis]
        total += variance[:, None, :, None] * np.outer(frame.turn[axis], frame.turn[axis])[:, None, :]
    return total.reshape(2 * n, 2 * n)
