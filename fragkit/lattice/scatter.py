"""How the placing scatter hangs together: weights of simple kinds, so that error bars hold under each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.lattice.gaussian import free_contrasts
from fragkit.lattice.kernels import group_numbers, shared_kernel, smooth_kernel, stretch_kernel, walk_kernel

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

KINDS = ("independent", "stepped along rows", "stepped along columns", "rigid groups", "smooth")
KIND_PRIORS = (0.3, 0.15, 0.15, 0.25, 0.15)
LARGEST_GROUP = (4, 3)
SMOOTH_REACHES = (0.25, 0.5)
LEAST_LEFT_RATIO = 0.02
N_SCALES = 15


@dataclass(frozen=True, eq=False, kw_only=True)
class Candidate:
    """One kind of shared placing error: prior weight, and unit covariances along and across the rows."""

    kind: str
    prior: float
    kernels: tuple[FloatArray, FloatArray]


@dataclass(frozen=True, eq=False, kw_only=True)
class Field:
    """A low-order field of displacement along one coordinate; prior sd and plane sd of its coefficient."""

    number: int
    shape: FloatArray
    coordinate: int
    prior_sd: float
    plane_sd: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Scatter:
    """What the residuals say about the placing scatter, averaged over kinds.

    Attributes
    ----------
    candidates : tuple of Candidate
    log_evidence : (k,) array
        Log of prior times mean restricted likelihood of each candidate, up to a constant of the data set.
    shared_var, own_var : (k, 2) array
        Expected variances in mm² of the shared and of the independent part, along and across the rows.
    log_sds : (k,) array
        Expected logarithm of the scatter in mm per coordinate, measurement removed.
    """

    candidates: tuple[Candidate, ...]
    log_evidence: FloatArray
    shared_var: FloatArray
    own_var: FloatArray
    log_sds: FloatArray

    @property
    def total_log_evidence(self) -> float:
        """Over all candidates."""
        return float(logsumexp(self.log_evidence))

    @property
    def weights(self) -> FloatArray:
        """Posterior weight (k,) of each candidate."""
        return np.exp(self.log_evidence - self.total_log_evidence)

    @property
    def sd_mm(self) -> float:
        """The scatter per coordinate, measurement removed, averaged (as a logarithm) over the candidates."""
        return float(np.exp(self.weights @ self.log_sds))

    def without(self, kind: str) -> Scatter:
        """The same with one kind left out."""
        kept = np.array([candidate.kind != kind for candidate in self.candidates])
        return Scatter(
            candidates=tuple(c for c, keep in zip(self.candidates, kept, strict=True) if keep),
            log_evidence=self.log_evidence[kept],
            shared_var=self.shared_var[kept],
            own_var=self.own_var[kept],
            log_sds=self.log_sds[kept],
        )


def candidate_kinds(sites: IntArray, xy_mm: FloatArray) -> tuple[Candidate, ...]:
    """Simple kinds of placing scatter on these sites, with equal shares inside each kind.

    Parameters
    ----------
    sites : (n, 2) int array
        Columns and rows as the maker counted them.
    xy_mm : (n, 2) array
        Ideal places along and across the rows. Measured ones would explain themselves.
    """
    nothing = np.zeros((len(sites), len(sites)))
    members: dict[str, list[tuple[float, FloatArray, FloatArray]]] = {
        "independent": [(1.0, nothing, nothing)],
        "stepped along rows": [(1.0, k, k) for k in [walk_kernel(sites, along="rows")]],
        "stepped along columns": [(1.0, k, k) for k in [walk_kernel(sites, along="columns")]],
        "rigid groups": list(_groups(sites, xy_mm)),
        "smooth": list(_smooth(xy_mm)),
    }
    priors = dict(zip(KINDS, KIND_PRIORS, strict=True))
    return tuple(
        Candidate(kind=kind, prior=priors[kind] * share / sum(m[0] for m in group), kernels=(along, across))
        for kind, group in members.items()
        for share, along, across in group
    )


def _groups(sites: IntArray, xy_mm: FloatArray) -> Iterator[tuple[float, FloatArray, FloatArray]]:
    """Groups of every size and phase: shifted, and turned by as much as moves their ends by one shift."""
    seen: set[bytes] = set()
    for columns, rows in np.ndindex(LARGEST_GROUP):
        size = (columns + 1, rows + 1)
        for phase in np.ndindex(size):
            numbers = group_numbers(sites, columns=size[0], rows=size[1], phase=(phase[0], phase[1]))[0]
            together = shared_kernel(numbers)
            if together.sum() in (len(sites), len(sites) ** 2) or together.tobytes() in seen:
                continue
            seen.add(together.tobytes())
            arm = xy_mm - (together @ xy_mm) / together.sum(axis=1, keepdims=True)
            reach = 2.0 * max(float(np.abs(arm).max()), 1e-6)
            turning = [together * (1.0 + np.outer(part, part) / reach**2) for part in arm.T]
            yield 1.0 / (size[0] * size[1]), turning[1], turning[0]


def _smooth(xy_mm: FloatArray) -> Iterator[tuple[float, FloatArray, FloatArray]]:
    """A run along the rows or the columns: it swings sideways and stretches along."""
    for run in range(2):
        for reach in SMOOTH_REACHES:
            length = max(reach * float(np.ptp(xy_mm[:, run])), 1e-3)
            swing = smooth_kernel(xy_mm[:, run], correlation_mm=length)
            stretch = stretch_kernel(xy_mm[:, run], correlation_mm=length)
            yield (1.0, stretch, swing) if run == 0 else (1.0, swing, stretch)


def weigh_scatter(
    offsets_mm: FloatArray,
    design: FloatArray,
    noise_var: FloatArray,
    candidates: tuple[Candidate, ...],
    *,
    fields: Sequence[Field] = (),
) -> tuple[Scatter, ...]:
    """Weights and sizes of the candidate kinds of scatter: with no drift first, then with each field.

    Parameters
    ----------
    offsets_mm : (n, 2) array
        Positions, or residuals of any net, along and across the rows.
    design : (n, 3) array
        One, and the two indices; these parameters are integrated out.
    noise_var : (2,) array
        Measurement variance in mm² per coordinate; only the weights use this mean value.
    fields : sequence of Field
        Drifts whose coefficients have normal priors, tried one at a time.

    Notes
    -----
    Per coordinate the covariance is s²K + o²I + noise. s and o run over a logarithmic grid from 1/40 to 3 of
    the residuals' sd under equal weights. One symmetric eigenvalue problem per candidate makes every (s, o)
    free.
    """
    contrasts = free_contrasts(design)
    data = contrasts.T @ offsets_mm
    scale = np.sqrt(np.mean(data**2)) + 1e-6
    grid = (scale * np.geomspace(1.0 / 40.0, 3.0, N_SCALES)) ** 2
    shapes = np.column_stack([data, *[contrasts.T @ field.shape for field in fields]])
    tables = [_weigh_one(c, contrasts, shapes, noise_var, grid, fields) for c in candidates]
    return tuple(_combine(candidates, [table[m] for table in tables]) for m in range(1 + len(fields)))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Share:
    """One candidate along one coordinate: log evidence, expected shared and own variance, expected log sd."""

    evidence: float
    shared_var: float
    own_var: float
    log_sd: float


def _combine(candidates: tuple[Candidate, ...], table: list[tuple[_Share, _Share]]) -> Scatter:
    evidence = np.array([along.evidence + across.evidence for along, across in table])
    return Scatter(
        candidates=candidates,
        log_evidence=np.log([c.prior for c in candidates]) + evidence,
        shared_var=np.array([[share.shared_var for share in row] for row in table]),
        own_var=np.array([[share.own_var for share in row] for row in table]),
        log_sds=np.array([0.5 * (along.log_sd + across.log_sd) for along, across in table]),
    )


def _weigh_one(
    candidate: Candidate,
    contrasts: FloatArray,
    data: FloatArray,
    noise_var: FloatArray,
    grid: FloatArray,
    fields: Sequence[Field],
) -> list[tuple[_Share, _Share]]:
    """One candidate with no drift and with each field; `data`: both coordinates, then the fields' shapes."""
    shared = grid if candidate.kind != "independent" else np.zeros(1)
    views = [_view(kernel, contrasts) for kernel in candidate.kernels]
    bases, precisions, turned, log_sds, scales = [], [], [], [], []
    for axis, (spectrum, vectors, scale) in enumerate(views):
        placing = shared[:, None, None] * spectrum + grid[:, None]
        precision = 1.0 / (placing + noise_var[axis])
        values = vectors.T @ data
        precisions.append(precision)
        turned.append(values)
        log_sds.append(0.5 * np.log(placing.mean(axis=2)))
        bases.append(0.5 * (np.log(precision).sum(axis=2) - precision @ values[:, axis] ** 2))
        scales.append(scale)
    plain = [_share(bases[m], shared, grid, log_sds[m], scales[m]) for m in range(2)]
    rows = [(plain[0], plain[1])]
    for k, field in enumerate(fields):
        axis = field.coordinate
        gain = _field_gain(turned[axis][:, 2 + k], turned[axis][:, axis], precisions[axis], field)
        changed = _share(bases[axis] + gain, shared, grid, log_sds[axis], scales[axis])
        rows.append((changed, plain[1]) if axis == 0 else (plain[0], changed))
    return rows


def _view(kernel: FloatArray, contrasts: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Spectrum (scaled to mean 1) and axes of a kernel once the net is taken out, and the scale."""
    spectrum, vectors = np.linalg.eigh(contrasts.T @ kernel @ contrasts)
    scale = max(float(spectrum.mean()), LEAST_LEFT_RATIO * float(np.diag(kernel).mean()), 1e-12)
    return spectrum / scale, vectors, scale


def _share(log_like: FloatArray, shared: FloatArray, grid: FloatArray, log_sd: FloatArray, scale: float) -> _Share:
    peak = log_like.max()
    posterior = np.exp(log_like - peak)
    total = posterior.sum()
    posterior /= total
    return _Share(
        evidence=float(peak + np.log(total / log_like.size)),
        shared_var=float(posterior.sum(axis=1) @ shared) / scale,
        own_var=float(posterior.sum(axis=0) @ grid),
        log_sd=float((posterior * log_sd).sum()),
    )


def _field_gain(shape: FloatArray, values: FloatArray, precision: FloatArray, field: Field) -> FloatArray:
    """What a field adds to the log likelihood over what the plane's own error would add."""
    information = precision @ shape**2
    score = precision @ (shape * values)

    def gain(prior_var: float) -> FloatArray:
        spread = 1.0 + prior_var * information
        return np.asarray(0.5 * prior_var * score**2 / spread - 0.5 * np.log(spread))

    return gain(field.prior_sd**2 + field.plane_sd**2) - gain(field.plane_sd**2)
