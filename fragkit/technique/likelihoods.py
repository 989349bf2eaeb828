"""Likelihoods of one fragment's positions under a way of placing, net and drift integrated out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from fragkit.lattice import free_contrasts
from fragkit.placing import OnLines, Process, covariance
from fragkit.technique.priors import SCATTERS_MM

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

DRIFT_SHARE = 0.02
"""Each smooth drift that the net's fit tries is there with this probability, as is a jump or strip at some seam.
Assumption."""


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
        Found minus ideal, any drift still in it.
    noise_root : (2n, 2n) array
        Lower Cholesky factor of the measurement covariance.
    sieve : (m, 2n) array
        Gives contrasts of the data that are free of the net and have unit measurement variance.
    drift : (m,) array or None
        What a drift of `DRIFT_RMS_MM` adds to the contrasts, when the net's fit found one.
    drift_share : float
        Prior probability of this very drift.
    log_scale : float
        What is added to a log likelihood of the contrasts, so that sieves of different noise compare.
    """

    sites: IntArray
    places_mm: FloatArray
    offsets_mm: FloatArray
    noise_root: FloatArray
    sieve: FloatArray
    drift: FloatArray | None
    drift_share: float = DRIFT_SHARE
    log_scale: float = 0.0


def net_sieve(counts: IntArray, noise_root: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Design (2n, 2 + 2q) of a net or row on these counts, and contrasts (m, 2n) of unit noise that are free of it."""
    design = np.asarray(np.kron(np.column_stack([np.ones(len(counts)), counts]), np.eye(2)), float)
    contrasts = free_contrasts(solve_triangular(noise_root, design, lower=True))
    return design, np.asarray(solve_triangular(noise_root, contrasts, lower=True, trans="T").T)


def with_own_scatter(fragment: Evidence, own_mm: float) -> Evidence:
    """The same fragment when every motif strays by itself, too: independently, by `own_mm` per coordinate."""
    if own_mm == 0.0:
        return fragment
    spread = np.eye(len(fragment.sieve)) + own_mm**2 * fragment.sieve @ fragment.sieve.T
    root = np.linalg.cholesky(spread)
    drift = fragment.drift
    return replace(
        fragment,
        sieve=solve_triangular(root, fragment.sieve, lower=True),
        drift=None if drift is None else solve_triangular(root, drift, lower=True),
        log_scale=fragment.log_scale - float(np.log(np.diag(root)).sum()),
    )


def log_likelihood(fragment: Evidence, phases: Sequence[Process], offsets_mm: FloatArray) -> FloatArray:
    """Log likelihood (scatters, k) of k sets of displacements (2n, k), averaged over equally probable phases."""
    return Weigher.of(fragment, offsets_mm)(phases)


@dataclass(frozen=True, eq=False)
class Weigher:
    """Weighs ways of placing on k sets of displacements of one fragment, `offsets_mm` (2n, k).

    Notes
    -----
    Whitened by the measurement covariance and freed of the net, a placing of scatter s has covariance I + s²A.
    One symmetric eigenvalue problem for A serves every s and every set, so calibration costs next to nothing. A
    drift with normal prior is one rank more, in closed form. Where all motifs are measured alike, independent scatter
    adds the same to every eigenvalue, so placings that differ by it alone share a problem: `per_mm2`, one over the
    variance of measuring, says so (0 where they are not), and what was solved is kept in `solved`. Where they are not,
    the fragment with that scatter is kept in `strayed`.
    """

    fragment: Evidence
    offsets_mm: FloatArray
    per_mm2: float
    solved: dict[Process | bytes, _Solved] = field(default_factory=dict)
    strayed: dict[float, Weigher] = field(default_factory=dict)

    @cached_property
    def contrasts(self) -> FloatArray:
        """The data (m, k), free of the net and with unit measurement variance."""
        return np.asarray(self.fragment.sieve @ self.offsets_mm)

    @staticmethod
    def of(fragment: Evidence, offsets_mm: FloatArray) -> Weigher:
        sd = float(fragment.noise_root[0, 0])
        alike = np.allclose(fragment.noise_root, sd * np.eye(len(fragment.noise_root)), rtol=0.0, atol=1e-9 * sd)
        return Weigher(fragment, offsets_mm, 1.0 / sd**2 if alike and fragment.log_scale == 0.0 else 0.0)

    def __call__(self, phases: Sequence[Process], own_mm: float = 0.0) -> FloatArray:
        """Log likelihood (scatters, k) when every motif strays by `own_mm`, too; phases are averaged."""
        if own_mm and not self.per_mm2:
            return self._straying(own_mm, phases)
        logs = []
        for process in phases:
            structured, own = self._parted(process)
            solved = self._solve(structured)
            spread = self.per_mm2 * own**2 + np.maximum(solved.spectrum, 0.0)
            precision = 1.0 / (1.0 + self.per_mm2 * own_mm**2 + SCATTERS_MM[:, None] ** 2 * spread)
            logs.append(solved.log_likelihood(precision, self.fragment.drift_share))
        return np.asarray(logsumexp(logs, axis=0) - np.log(len(phases)) + self.fragment.log_scale)

    def _straying(self, own_mm: float, phases: Sequence[Process]) -> FloatArray:
        """The same by a weigher of the fragment with that scatter, which keeps nothing that it solves."""
        if own_mm not in self.strayed:
            self.strayed[own_mm] = Weigher(with_own_scatter(self.fragment, own_mm), self.offsets_mm, 0.0)
        logs = self.strayed[own_mm](phases)
        self.strayed[own_mm].solved.clear()
        return logs

    def _parted(self, process: Process) -> tuple[Process, float]:
        """A placing without its independent scatter, and that scatter, where problems can be shared."""
        if isinstance(process, OnLines) or not self.per_mm2:
            return process, 0.0
        return replace(process, own_sd_mm=0.0), process.own_sd_mm

    def _solve(self, process: Process) -> _Solved:
        """The problem of one placing; phases with the same covariance share it."""
        if process not in self.solved:
            unit = covariance(process, self.fragment.sites, self.fragment.places_mm)
            key = unit.tobytes()
            if key not in self.solved:
                self.solved[key] = self._decomposed(unit)
            self.solved[process] = self.solved[key]
        return self.solved[process]

    def _decomposed(self, unit: FloatArray) -> _Solved:
        spectrum, axes = np.linalg.eigh(self.fragment.sieve @ unit @ self.fragment.sieve.T)
        drift = None if self.fragment.drift is None else axes.T @ self.fragment.drift
        return _Solved(spectrum, axes.T @ self.contrasts, drift)


@dataclass(frozen=True, eq=False)
class _Solved:
    """Eigenvalues (m,) of one placing, and the data (m, k) and any drift (m,) along its axes."""

    spectrum: FloatArray
    values: FloatArray
    drift: FloatArray | None

    def log_likelihood(self, precision: FloatArray, drift_share: float) -> FloatArray:
        """Log likelihood (scatters, k) for a precision (scatters, m) along each axis."""
        log_like = 0.5 * (np.log(precision).sum(axis=1)[:, None] - precision @ self.values**2)
        if self.drift is not None:
            gain = rank_gain(precision, self.drift, self.values)
            log_like += np.logaddexp(np.log1p(-drift_share), np.log(drift_share) + gain)
        return np.asarray(log_like)


def rank_gain(
    precision: FloatArray, shape: FloatArray, values: FloatArray, *, variance: FloatArray | float = 1.0
) -> FloatArray:
    """What one more direction of this prior variance adds to the log likelihood of each set, (…, scatters, k).

    Parameters
    ----------
    precision : (scatters, m) array
        Along each axis.
    shape : (m,) array
        The direction: a drift, or a step beyond a line.
    values : (m, k) array
    variance : float or (…, scatters, 1) array
    """
    information = variance * (precision @ shape**2)[:, None]
    score = precision @ (shape[:, None] * values)
    return np.asarray(0.5 * (variance * score**2 / (1.0 + information) - np.log1p(information)))
