"""Weights and sizes of the kinds of placing scatter, with variances integrated out and not plugged in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice.gaussian import free_contrasts
from fragkit.lattice.scatter import Candidate, Field, Scatter

FloatArray = NDArray[np.float64]

LARGEST_STRAIN = 0.005
"""Scale of the half-normal prior on the slow stretch of a print, and on the slope of its swing. An assumption."""

STRAIN_GRID = (2e-4, 2e-2)
HAND_SD_MM = 0.2
"""No hand places single motifs much better than this: weight of independent scatter o is 1 - exp(-o²/this²)."""

PRINT_SD_MM = 0.25
"""Scale of the half-normal prior on what a motif strays from its place in a print. An assumption."""

TIED_PRIOR = 0.5
"""Prior that both coordinates scatter alike, as they do when a hand steps off or lays a plate. An assumption."""

LEAST_LEFT_RATIO = 0.02
N_SCALES = 15
NODE_EDGES = (0.0, 0.3, 0.6, 0.8, 0.92, 0.98, 1.0)
"""Shares of a posterior that are gathered into one pair of variances each: finer towards the wide end."""


@dataclass(frozen=True, eq=False, kw_only=True)
class View:
    """One candidate along one coordinate, on the grid of (s, o).

    Attributes
    ----------
    shared : (s,) array
        Variances of the kernel as it is, in mm².
    own : (o,) array
        Variances of the independent part, the measurement's added.
    spectrum : (c,) array
        Of the kernel, as far as no net can absorb it.
    log_like, log_sd : (s, o) array
        Log likelihood, and log of the scatter, without a drift.
    values : (c, 2 + m) array
        Both coordinates of the data, then the shapes of the fields, in the candidate's own axes.
    """

    shared: FloatArray
    own: FloatArray
    spectrum: FloatArray
    log_like: FloatArray
    log_sd: FloatArray
    values: FloatArray

    @cached_property
    def precision(self) -> FloatArray:
        """Of every contrast (s, o, c); kept once asked for, since many fields are tried on it."""
        return np.asarray(1.0 / (self.shared[:, None, None] * self.spectrum + self.own[:, None]))


@dataclass(frozen=True, eq=False, kw_only=True)
class Views:
    """The data as each candidate kind of scatter sees them, along both coordinates, with the drifts to be tried."""

    candidates: tuple[Candidate, ...]
    fields: tuple[Field, ...]
    grid: FloatArray
    pairs: tuple[tuple[View, View], ...]

    def only(self, kept: Sequence[int]) -> Views:
        """The same for some of the candidates."""
        candidates, pairs = tuple(self.candidates[k] for k in kept), tuple(self.pairs[k] for k in kept)
        return replace(self, candidates=candidates, pairs=pairs)


def view_scatter(
    offsets_mm: FloatArray,
    design: FloatArray,
    noise_var: FloatArray,
    candidates: tuple[Candidate, ...],
    *,
    fields: Sequence[Field] = (),
) -> Views:
    """The likelihood of the data under every candidate kind and size of scatter.

    Parameters
    ----------
    offsets_mm : (n, 2) array
        Positions, or residuals of any net, along and across the rows.
    design : (n, 3) array
        One, and the two indices; these parameters are integrated out.
    noise_var : (2,) array
        Measurement variance in mm² per coordinate; only the weights use this mean value.
    candidates : tuple of Candidate
    fields : sequence of Field
        Drifts whose coefficients have normal priors, to be tried one at a time.

    Notes
    -----
    Per coordinate the covariance is s²K + o²I + noise. o runs over a logarithmic grid from 1/40 to 3 of the
    residuals' sd, and so does s, with a flat prior on s itself; for a print s is a strain with a half-normal
    prior. What tells a print from handwork that looks as regular is its exactness, hence the priors on o. One
    symmetric eigenvalue problem per candidate makes every (s, o) free.
    """
    contrasts = free_contrasts(design)
    data = contrasts.T @ offsets_mm
    scale = np.sqrt(np.mean(data**2)) + 1e-6
    grid = (scale * np.geomspace(1.0 / 40.0, 3.0, N_SCALES)) ** 2
    shapes = np.column_stack([data, *[contrasts.T @ field.shape.values for field in fields]])

    def look(candidate: Candidate, axis: int) -> View:
        return _view(candidate, axis, contrasts, shapes, float(noise_var[axis]), grid)

    pairs = tuple((look(candidate, 0), look(candidate, 1)) for candidate in candidates)
    return Views(candidates=candidates, fields=tuple(fields), grid=grid, pairs=pairs)


def weigh_scatter(views: Views, *, drift: int | None = None) -> Scatter:
    """Weights and sizes of the candidates: without a drift, or with the field of this number."""
    shares = []
    for candidate, pair in zip(views.candidates, views.pairs, strict=True):
        likes = _likes(pair) if drift is None else _likes_with(pair, views.fields[drift], drift)[0]
        shares.append(_share(pair, likes, _log_prior(candidate.kind, pair[0].shared, views.grid), views.grid))
    log_priors = np.log([candidate.prior for candidate in views.candidates])
    return Scatter(
        candidates=views.candidates,
        log_evidence=log_priors + [share.evidence for share in shares],
        parts=np.diff(NODE_EDGES),
        shared_var=np.array([share.shared_var for share in shares]),
        own_var=np.array([share.own_var for share in shares]),
        log_sds=np.array([share.log_sd for share in shares]),
    )


def drift_factors(views: Views) -> FloatArray:
    """How much better the data are explained with each field than without it (m,), as logarithms.

    Notes
    -----
    Without it the plane may still put its own error into the field's place; both sides are averaged over all kinds
    and sizes of scatter, since what the plane explains no scatter needs to.
    """
    log_priors = np.log([candidate.prior for candidate in views.candidates])
    priors = [
        _log_prior(candidate.kind, pair[0].shared, views.grid)
        for candidate, pair in zip(views.candidates, views.pairs, strict=True)
    ]

    def total(likes: Sequence[Sequence[FloatArray]]) -> float:
        evidences = [_evidence(one, prior) for one, prior in zip(likes, priors, strict=True)]
        return _log_sum(log_priors + evidences)

    plain = total([_likes(pair) for pair in views.pairs])
    factors = []
    for number, field in enumerate(views.fields):
        both = [_likes_with(pair, field, number) for pair in views.pairs]
        without = total([one[1] for one in both]) if field.plane_sd > 0.0 else plain
        factors.append(total([one[0] for one in both]) - without)
    return np.array(factors)


def _likes(pair: tuple[View, View]) -> list[FloatArray]:
    return [view.log_like for view in pair]


def _likes_with(pair: tuple[View, View], field: Field, number: int) -> tuple[list[FloatArray], list[FloatArray]]:
    """Log likelihoods of both coordinates with a field, and with the plane's own error in its place."""
    axis = field.shape.coordinate
    likes, nulls = _likes(pair), _likes(pair)
    gain, null_gain = _field_gains(pair[axis], pair[axis].values[:, 2 + number], axis, field)
    likes[axis] = likes[axis] + gain
    nulls[axis] = nulls[axis] + null_gain
    return likes, nulls


@dataclass(frozen=True, eq=False, kw_only=True)
class _Share:
    """One candidate: log evidence, variances (q, 2) in the parts of their posterior, expected log sd."""

    evidence: float
    shared_var: FloatArray
    own_var: FloatArray
    log_sd: float


def _view(
    candidate: Candidate, axis: int, contrasts: FloatArray, data: FloatArray, noise_var: float, grid: FloatArray
) -> View:
    """The likelihood of the coordinate; shared variances are those of the kernel as it is."""
    kernel = candidate.kernels[axis]
    spectrum, vectors = np.linalg.eigh(contrasts.T @ kernel @ contrasts)
    if candidate.kind == "independent":
        shared = np.zeros(1)
    elif candidate.kind == "smooth":
        shared = np.geomspace(*STRAIN_GRID, N_SCALES) ** 2
    else:
        least = LEAST_LEFT_RATIO * float(np.diag(kernel).mean())
        shared = grid / max(float(spectrum.mean()), least, 1e-12)
    spectrum = np.maximum(spectrum, 0.0)
    placing = shared[:, None, None] * spectrum + grid[:, None]
    precision = 1.0 / (placing + noise_var)
    values = vectors.T @ data
    return View(
        shared=shared,
        own=grid + noise_var,
        spectrum=spectrum,
        log_like=0.5 * (np.log(precision).sum(axis=2) - precision @ values[:, axis] ** 2),
        log_sd=0.5 * np.log(placing.mean(axis=2)),
        values=values,
    )


def _log_prior(kind: str, shared: FloatArray, grid: FloatArray) -> FloatArray:
    """Log prior (s, o) on the grid, summing to 1."""
    own = np.zeros(len(grid))
    size = np.zeros(len(shared))
    if kind == "independent":
        own = np.log1p(-np.exp(-grid / HAND_SD_MM**2))
    else:
        size = 0.5 * np.log(shared)
    if kind == "smooth":
        own = -0.5 * grid / PRINT_SD_MM**2
        size = size - 0.5 * shared / LARGEST_STRAIN**2
    prior = size[:, None] + own
    return np.asarray(prior - _log_sum(prior))


def _share(views: Sequence[View], likes: Sequence[FloatArray], prior: FloatArray, grid: FloatArray) -> _Share:
    """Both coordinates together: each with variances of its own, or the same in both."""
    apart = [like + prior for like in likes]
    alike = likes[0] + likes[1] + prior
    evidences = [_log_sum(table) for table in apart]
    evidence = _evidence(likes, prior)
    log_apart = np.log(1.0 - TIED_PRIOR) + evidences[0] + evidences[1]
    share_apart = np.exp(log_apart - evidence)
    together = np.exp(np.log(TIED_PRIOR) + alike - evidence)
    posteriors = [share_apart * np.exp(t - e) + together for t, e in zip(apart, evidences, strict=True)]
    parts = [_gather(p, view.shared, grid) for p, view in zip(posteriors, views, strict=True)]
    return _Share(
        evidence=evidence,
        shared_var=np.column_stack([part[0] for part in parts]),
        own_var=np.column_stack([part[1] for part in parts]),
        log_sd=float(0.5 * sum((p * view.log_sd).sum() for p, view in zip(posteriors, views, strict=True))),
    )


def _evidence(likes: Sequence[FloatArray], prior: FloatArray) -> float:
    """Log mean likelihood of both coordinates, with variances of their own or the same."""
    log_apart = np.log(1.0 - TIED_PRIOR) + sum(_log_sum(like + prior) for like in likes)
    return float(np.logaddexp(log_apart, np.log(TIED_PRIOR) + _log_sum(likes[0] + likes[1] + prior)))


def _log_sum(table: FloatArray) -> float:
    top = table.max()
    return float(top + np.log(np.exp(table - top).sum()))


def _gather(posterior: FloatArray, shared: FloatArray, grid: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean shared and own variance (q,) in each part of the posterior, ordered by the shared, then the own one."""
    cells = posterior.ravel() / posterior.sum()
    ends = np.cumsum(cells)
    edges = np.array(NODE_EDGES)
    inside = np.minimum(ends[:, None], edges[1:]) - np.maximum((ends - cells)[:, None], edges[:-1])
    share = np.maximum(inside, 0.0).reshape(len(shared), len(grid), -1) / np.diff(edges)
    return shared @ share.sum(axis=1), grid @ share.sum(axis=0)


def _field_gains(view: View, shape: FloatArray, axis: int, field: Field) -> tuple[FloatArray, FloatArray]:
    """What a field, and what the plane's own error alone, add to the log likelihood at every (s, o)."""
    information = view.precision @ shape**2
    score = view.precision @ (shape * view.values[:, axis])

    def gain(prior_var: float) -> FloatArray:
        spread = 1.0 + prior_var * information
        return np.asarray(0.5 * prior_var * score**2 / spread - 0.5 * np.log(spread))

    return gain(field.prior_sd**2 + field.plane_sd**2), gain(field.plane_sd**2)
