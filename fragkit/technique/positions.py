"""What the positions say: marginal likelihoods of the ways of placing, net and drift integrated out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from fragkit.lattice import Lattice, describe_repeat, free_contrasts, row_basis
from fragkit.placing import covariance, draw
from fragkit.technique.hypotheses import PLACINGS, Hypothesis, scatter_prior

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

MOST_SITES = 80
"""More centres of one fragment than this are cut to the middle of the fragment, to stay within seconds."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """One fragment's positions in the frame of its rows.

    Attributes
    ----------
    sites : (n, 2) int array
        Columns and rows.
    places_mm : (n, 2) array
        Ideal places, x along the rows.
    offsets_mm : (n, 2) array
        Found minus ideal.
    noise_root : (2n, 2n) array
        Lower Cholesky factor of the measurement covariance.
    sieve : (m, 2n) array
        Gives contrasts of the data that are free of net and drift and have unit measurement variance.
    """

    sites: IntArray
    places_mm: FloatArray
    offsets_mm: FloatArray
    noise_root: FloatArray
    sieve: FloatArray


def gather_evidence(lattice: Lattice) -> Evidence:
    """The positions of one fragment, ready for weighing."""
    basis = np.array([lattice.a_mm, lattice.b_mm])
    row = (row_basis(lattice.a_mm, lattice.b_mm) @ basis)[0]
    cos, sin = row / np.hypot(*row)
    turn = np.array([[cos, sin], [-sin, cos]])
    ideal = lattice.index @ basis
    near = np.argsort(np.linalg.norm(ideal - np.median(ideal, axis=0), axis=1), kind="stable")[:MOST_SITES]
    near.sort()
    both = (2 * near[:, None] + [0, 1]).ravel()
    turn_all = np.kron(np.eye(len(near)), turn)
    noise_root = np.linalg.cholesky(turn_all @ lattice.measured_cov_mm2[np.ix_(both, both)] @ turn_all.T)
    design = np.kron(np.column_stack([np.ones(len(near)), lattice.index[near]]), np.eye(2))
    if lattice.drift_shape is not None:
        design = np.column_stack([design, (lattice.drift_shape[near] @ turn.T).ravel()])
    contrasts = free_contrasts(solve_triangular(noise_root, design, lower=True))
    return Evidence(
        sites=lattice.sites[near],
        places_mm=ideal[near] @ turn.T,
        offsets_mm=lattice.residuals_mm[near] @ turn.T,
        noise_root=noise_root,
        sieve=solve_triangular(noise_root, contrasts, lower=True, trans="T").T,
    )


def spacing_mm(lattices: Sequence[Lattice]) -> tuple[float, float]:
    """Mean spacing across and down over the fragments."""
    repeats = []
    for lattice in lattices:
        basis = np.array([lattice.a_mm, lattice.b_mm])
        repeats.append(describe_repeat(row_basis(*basis) @ basis)[:2])
    across, down = np.mean(repeats, axis=0)
    return float(across), float(down)


def log_likelihoods(fragment: Evidence, hypotheses: Sequence[Hypothesis], offsets_mm: FloatArray) -> FloatArray:
    """Log likelihood (hypotheses, scatters, k) of k sets of displacements (2n, k), phases averaged.

    Notes
    -----
    Whitened by the measurement covariance and freed of the net, a hypothesis of scatter s has covariance I +
    s²A. One symmetric eigenvalue problem for A serves every s and every set of data, so calibration costs
    next to nothing.
    """
    scatters, _ = scatter_prior()
    data = fragment.sieve @ offsets_mm
    result = np.empty((len(hypotheses), len(scatters), offsets_mm.shape[1]))
    for h, hypothesis in enumerate(hypotheses):
        unit = [covariance(process, fragment.sites, fragment.places_mm) for process in hypothesis.phases]
        distinct = {cov.tobytes(): cov for cov in unit}
        counts = [sum(c.tobytes() == key for c in unit) for key in distinct]
        logs = [_log_likelihood(fragment.sieve @ c @ fragment.sieve.T, data, scatters) for c in distinct.values()]
        shares = np.log(np.array(counts) / len(unit))[:, None, None]
        result[h] = logsumexp(np.array(logs) + shares, axis=0)
    return result


def _log_likelihood(unit: FloatArray, data: FloatArray, scatters: FloatArray) -> FloatArray:
    """Log likelihood (scatters, k) under covariance I + s² unit, less a constant of the data."""
    spectrum, axes = np.linalg.eigh(unit)
    precision = 1.0 / (1.0 + scatters[:, None] ** 2 * np.maximum(spectrum, 0.0))
    return np.asarray(0.5 * (np.log(precision).sum(axis=1)[:, None] - precision @ (axes.T @ data) ** 2))


def placing_evidence(tables: Sequence[FloatArray], hypotheses: Sequence[Hypothesis]) -> FloatArray:
    """Log evidence (placings, k) of all fragments: one scatter, one plate, but each fragment's own phase."""
    _, weights = scatter_prior()
    total = np.sum(tables, axis=0)
    by_hypothesis = logsumexp(total + np.log(weights)[None, :, None], axis=1)
    by_hypothesis += np.log([h.prior for h in hypotheses])[:, None]
    return np.array(
        [
            logsumexp(by_hypothesis[[k for k, h in enumerate(hypotheses) if h.placing == name]], axis=0)
            for name in PLACINGS
        ]
    )


def simulate_sets(
    fragments: Sequence[Evidence],
    hypotheses: Sequence[Hypothesis],
    *,
    n_each: int,
    rng: np.random.Generator,
) -> tuple[list[FloatArray], IntArray]:
    """Displacements (2n, k) for each fragment, and the true placing (k,), of sets drawn from the priors."""
    truth = np.repeat(np.arange(len(PLACINGS)), n_each)
    scatters, weights = scatter_prior()
    sets: list[list[FloatArray]] = [[] for _ in fragments]
    for which in truth:
        members = [h for h in hypotheses if h.placing == PLACINGS[which]]
        hypothesis = members[rng.choice(len(members), p=[h.prior for h in members])]
        scatter = rng.choice(scatters, p=weights)
        for fragment, columns in zip(fragments, sets, strict=True):
            process = hypothesis.phases[rng.integers(len(hypothesis.phases))]
            placed = scatter * draw(process, fragment.sites, fragment.places_mm, rng=rng).ravel()
            columns.append(placed + fragment.noise_root @ rng.standard_normal(len(placed)))
    return [np.column_stack(columns) for columns in sets], truth
