"""How placing scatter may hang together: simple kinds of it, and what the residuals say of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.lattice.drift import DriftShape
from fragkit.lattice.kernels import group_numbers, shared_kernel, smooth_kernel, stretch_kernel, walk_kernel

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

KINDS = ("independent", "stepped along rows", "stepped along columns", "rigid groups", "smooth")
KIND_PRIORS = (0.35, 0.125, 0.125, 0.2, 0.2)
ROW_KIND_PRIORS = (0.03, 0.75, 0.01, 0.13, 0.08)
"""For a single row, which hardly shows how it was placed: on the safe side, since errors that add up leave its step the
least sure. An assumption."""

LARGEST_GROUP = (4, 4)
MOST_IN_GROUP = 12
TURN_RATIO = 1.0 / 3.0
"""Turning moves the end of a group by this share of its shift."""

SEAT_RATIOS = (0.12, 0.35)
"""Errors of the openings of a plate, which recur at every placing, as shares of its shift."""

SMOOTH_REACHES = (0.2, 0.35, 0.6, 1.0)
"""Correlation lengths of a swing or stretch, as shares of the fragment."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Candidate:
    """One kind of shared placing error: prior weight, and unit covariances along and across the rows."""

    kind: str
    prior: float
    kernels: tuple[FloatArray, FloatArray]


@dataclass(frozen=True, eq=False, kw_only=True)
class Field:
    """A drift that may be there: its shape, and prior sd and plane sd of its coefficient."""

    shape: DriftShape
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
    parts : (q,) array
        Shares of the posterior of the variances that are taken together, from the narrow to the wide end.
    shared_var, own_var : (k, q, 2) array
        Variances in mm² of the shared and of the independent part, along and across the rows, in each part.
    log_sds : (k,) array
        Expected logarithm of the scatter in mm per coordinate, measurement removed.
    """

    candidates: tuple[Candidate, ...]
    log_evidence: FloatArray
    parts: FloatArray
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

    def at_means(self) -> Scatter:
        """The same with one expected pair of variances for each candidate: quicker, with lighter tails."""
        return replace(
            self,
            parts=np.ones(1),
            shared_var=np.einsum("q,kqc->kc", self.parts, self.shared_var)[:, None],
            own_var=np.einsum("q,kqc->kc", self.parts, self.own_var)[:, None],
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
        "stepped along rows": [(1.0, k, k) for k in _walks(sites, "rows")],
        "stepped along columns": [(1.0, k, k) for k in _walks(sites, "columns")],
        "rigid groups": list(_groups(sites, xy_mm)),
        "smooth": list(_smooth(xy_mm)),
    }
    one_row = not np.ptp(sites[:, 1])
    priors = dict(zip(KINDS, ROW_KIND_PRIORS if one_row else KIND_PRIORS, strict=True))
    return tuple(
        Candidate(kind=kind, prior=priors[kind] * share / sum(m[0] for m in group), kernels=(along, across))
        for kind, group in members.items()
        for share, along, across in group
    )


def _walks(sites: IntArray, along: str) -> Iterator[FloatArray]:
    """Stepped off from either end."""
    for sign in (1, -1):
        yield walk_kernel(sign * sites, along=along)


def _groups(sites: IntArray, xy_mm: FloatArray) -> Iterator[tuple[float, FloatArray, FloatArray]]:
    """Groups of every size and phase: shifted, turned a little, with openings that err alike at every placing."""
    seen: set[bytes] = set()
    for columns, rows in np.ndindex(LARGEST_GROUP):
        size = (columns + 1, rows + 1)
        if size[0] * size[1] > MOST_IN_GROUP:
            continue
        for phase in np.ndindex(size):
            numbers, seat = group_numbers(sites, columns=size[0], rows=size[1], phase=(phase[0], phase[1]))
            together = shared_kernel(numbers)
            if together.sum() in (len(sites), len(sites) ** 2) or together.tobytes() in seen:
                continue
            seen.add(together.tobytes())
            arm = xy_mm - (together @ xy_mm) / together.sum(axis=1, keepdims=True)
            reach = max(float(np.abs(arm).max()), 1e-6) / TURN_RATIO
            turning = [together * (1.0 + np.outer(part, part) / reach**2) for part in arm.T]
            for ratio in SEAT_RATIOS:
                seats = ratio**2 * shared_kernel(seat)
                yield 1.0 / (size[0] * size[1]), turning[1] + seats, turning[0] + seats


def _smooth(xy_mm: FloatArray) -> Iterator[tuple[float, FloatArray, FloatArray]]:
    """A run along the rows or the columns: it stretches along and swings sideways, for a strain of 1."""
    for run in np.flatnonzero(np.ptp(xy_mm, axis=0) > 0):
        for reach in SMOOTH_REACHES:
            length = reach * float(np.ptp(xy_mm[:, run]))
            swing = length**2 * smooth_kernel(xy_mm[:, run], correlation_mm=length)
            stretch = stretch_kernel(xy_mm[:, run], correlation_mm=length)
            yield (1.0, stretch, swing) if run == 0 else (1.0, swing, stretch)
