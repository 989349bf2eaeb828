"""What the shapes say about the forming: how far copies stray from one outline, and whether flaws recur at equal seats.

A plate or block carries its own flaws to every placing, so copies from the same seat share them; a hand's strays are
new each time. Outlines with n copies and P independent samples along the edge are weighed as P normal vectors of
length n with covariance (own² + noise²) I + flaw² S, where S joins copies from equal seats.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr, ndtri

from fragkit.motifs import Motif
from fragkit.technique.priors import FORMINGS, Priors
from fragkit.technique.recurrence import GROUPS, Recurrence, find_recurrence, likeness, seats_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

LEAST_EXAMPLES = 4
LEAST_POINTS = 8
OWN_MM = np.geomspace(0.01, 5.0, 90)
FLAWS_MM = np.geomspace(0.02, 1.0, 14)
"""Prior on a plate's flaws (rms about the common outline): each of these equally probable. Assumption."""
NOISE_FACTORS = np.exp(np.linspace(-0.3, 0.3, 7))
NOISE_LOG_SD = 0.15
"""The variance of the measuring noise is known to about 15 %."""
FALSE_OUTLINES = 0.01
"""Free hands that may be taken for an outline, where it is said what spread alone can tell."""
SINGLE_SHARE = 0.5
"""Share of plates and blocks that carry one motif only; their flaws are in every copy and cannot be seen to recur."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ShapeEvidence:
    """Sums of squares of the strays, ready for weighing.

    Attributes
    ----------
    size_mm : float
        Larger side of the metal.
    n_examples : int
    n_samples : float
        Independent samples along one outline.
    noise_mm2 : float
        Variance of the measuring noise at one point.
    total_mm2 : float
        Sum over the copies of the mean square stray.
    between_mm2, counts : mapping by place in `GROUPS` to (seats,) arrays
        Sum of squares of each seat's mean stray, times its copies; and its number of copies.
    recurrence : Recurrence or None
    """

    size_mm: float
    n_examples: int
    n_samples: float
    noise_mm2: float
    total_mm2: float
    between_mm2: tuple[FloatArray, ...]
    counts: tuple[FloatArray, ...]
    recurrence: Recurrence | None

    @property
    def spread_mm(self) -> float:
        """Rms stray of a copy, noise taken off."""
        return float(np.sqrt(max(self.total_mm2 / (self.n_examples - 1) - self.noise_mm2, 0.0)))


def gather_shapes(motif: Motif, sites: IntArray, *, rng: np.random.Generator) -> ShapeEvidence | None:
    """The evidence of the shapes, or None when too few examples show enough of their outline.

    Parameters
    ----------
    motif : Motif
    sites : (n_examples, 2) int array
        Column and row of every example.
    rng : numpy.random.Generator
    """
    if motif.shape_spread_mm is None or motif.strays_mm is None or motif.strays_seen is None:
        return None
    shown = motif.strays_seen.sum(axis=1) > LEAST_POINTS
    if shown.sum() < LEAST_EXAMPLES:
        return None
    strays, seen = motif.strays_mm[shown], motif.strays_seen[shown]
    pictures, places = np.asarray(motif.example_index)[shown, 0], np.asarray(sites)[shown]
    table = likeness(strays, seen)
    pairs = (pictures[:, None] == pictures) & ~np.eye(len(table), dtype=bool)
    squares = float(np.mean(np.diag(table)))
    off_squares = float(np.mean(table[pairs] ** 2)) if pairs.any() else squares**2
    sums = [_seat_sums(table, pictures, places, group) for group in GROUPS]
    return ShapeEvidence(
        size_mm=max(motif.metal_width_mm, motif.metal_height_mm),
        n_examples=len(table),
        n_samples=float(np.clip(squares**2 / max(off_squares, 1e-12), 2.0, strays.shape[1])),
        noise_mm2=max(squares - motif.shape_spread_mm**2, 1e-6),
        total_mm2=float(np.trace(table)),
        between_mm2=tuple(between for between, _ in sums),
        counts=tuple(counts for _, counts in sums),
        recurrence=find_recurrence(strays, seen, places, pictures=pictures, rng=rng),
    )


def _seat_sums(
    table: FloatArray, pictures: IntArray, sites: IntArray, group: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """For each seat of each picture: sum of squares of its mean times its copies, and its copies."""
    seat = seats_of(sites, group)
    names = np.unique(np.column_stack([pictures, seat]), axis=0, return_inverse=True)[1].reshape(-1)
    member = np.eye(names.max() + 1)[:, names]
    counts = member.sum(axis=1)
    return np.maximum(np.einsum("si,ij,sj->s", member, table, member) / counts, 0.0), counts


def forming_evidence(shapes: ShapeEvidence, priors: Priors) -> FloatArray:
    """Log evidence (4,) of the formings from the outlines alone.

    Notes
    -----
    Hand and outline have own strays only. Plate and block have small own strays and, in groups of more than one
    motif, flaws of their own. What the flaws add is never more than the permutation test allows: 1/(−e p ln p),
    the most that a p-value can mean.

    References
    ----------
    Sellke, T., Bayarri, M. J., Berger, J. O. (2001) Am. Stat. 55, 62–71, doi:10.1198/000313001300339950.
    """
    own_logs = np.array([_own_prior(priors, name, shapes.size_mm) for name in FORMINGS])
    alone = logsumexp(own_logs + _log_like_alone(shapes), axis=1)
    if shapes.recurrence is None:
        return np.asarray(alone)
    tables = [_log_like_seats(shapes, k) for k in range(len(GROUPS))]
    grouped = np.array(
        [logsumexp([logsumexp(own[:, None] + t) - np.log(t.shape[1]) for t in tables]) for own in own_logs[2:]]
    ) - np.log(len(GROUPS))
    gain = np.minimum(grouped - alone[2:], shapes.recurrence.most_log_evidence)
    alone[2:] += np.logaddexp(np.log(SINGLE_SHARE), np.log(1.0 - SINGLE_SHARE) + gain)
    return np.asarray(alone)


def told_by_spread(priors: Priors, size_mm: float) -> float:
    """Share of outlines (0 to 1) that stray less than 99 of 100 free hands, for a motif of this size.

    Notes
    -----
    Φ((ln(m₀/m₁) − 2.33 s₀) / s₁) with medians m and log-sds s of free hand (0) and outline (1): where two log-normal
    spreads are as wide no test tells more (Neyman and Pearson), however well the strays are measured.
    """
    free, guided = (priors.outlines[name] for name in FORMINGS[:2])
    apart = np.log(free.median_mm(size_mm) / guided.median_mm(size_mm))
    return float(ndtr((apart + ndtri(FALSE_OUTLINES) * free.log_sd) / guided.log_sd))


def _own_prior(priors: Priors, name: str, size_mm: float) -> FloatArray:
    spread = priors.outlines[name]
    logs = -0.5 * (np.log(OWN_MM / spread.median_mm(size_mm)) / spread.log_sd) ** 2
    return np.asarray(logs - logsumexp(logs))


def _variances(shapes: ShapeEvidence) -> tuple[FloatArray, FloatArray]:
    """Variance at a point for each own spread and noise factor, (own, factors), and log weights (factors,)."""
    weights = -0.5 * (np.log(NOISE_FACTORS) / NOISE_LOG_SD) ** 2
    return OWN_MM[:, None] ** 2 + shapes.noise_mm2 * NOISE_FACTORS, weights - logsumexp(weights)


def _log_like_alone(shapes: ShapeEvidence) -> FloatArray:
    """Log likelihood (own,) without flaws."""
    variance, weights = _variances(shapes)
    free = shapes.n_examples - 1
    logs = -0.5 * shapes.n_samples * (free * np.log(variance) + shapes.total_mm2 / variance)
    return np.asarray(logsumexp(logs + weights, axis=1))


def _log_like_seats(shapes: ShapeEvidence, group: int) -> FloatArray:
    """Log likelihood (own, flaws) with flaws at the seats of one group size."""
    variance, weights = _variances(shapes)
    between, counts = shapes.between_mm2[group], shapes.counts[group]
    share = (len(counts) - 1) / len(counts)
    within = max(shapes.total_mm2 - share * float(between.sum()), 0.0)
    own = (shapes.n_examples - len(counts)) * np.log(variance) + within / variance
    spread = variance[:, :, None, None] + counts * FLAWS_MM[:, None] ** 2
    seats = share * (np.log(spread) + between / spread).sum(axis=3)
    logs = -0.5 * shapes.n_samples * (own[:, :, None] + seats)
    return np.asarray(logsumexp(logs + weights[:, None], axis=1))


def forming_calibration(
    shapes: ShapeEvidence, priors: Priors, *, n_each: int, rng: np.random.Generator
) -> dict[str, float]:
    """How often spreads drawn from the priors, measured as surely, would be named rightly and firmly."""
    truth = np.repeat(np.arange(len(FORMINGS)), n_each)
    spreads = [priors.outlines[FORMINGS[k]] for k in truth]
    own = np.array([s.median_mm(shapes.size_mm) * np.exp(s.log_sd * rng.standard_normal()) for s in spreads])
    free = (shapes.n_examples - 1) * shapes.n_samples
    noise = shapes.noise_mm2 * np.exp(NOISE_LOG_SD * rng.standard_normal(len(truth)))
    total = (own**2 + noise) * rng.chisquare(free, len(truth)) / shapes.n_samples
    posterior = _posterior(shapes, total, priors)
    top, named = posterior.max(axis=1), posterior.argmax(axis=1)
    firm, right = top >= 0.95, named == truth
    by_hand = posterior[:, :2].sum(axis=1) >= 0.5
    return {
        "forming_firm_ratio": float(np.mean(firm)),
        "forming_wrong_firm_ratio": float(np.mean(firm & ~right)),
        "forming_hand_or_mechanical_right_ratio": float(np.mean(by_hand == (truth < 2))),
    }


def _posterior(shapes: ShapeEvidence, totals: Sequence[float] | FloatArray, priors: Priors) -> FloatArray:
    """Posterior (k, 4) of the formings for k total sums of squares, flaws left out."""
    variance, weights = _variances(shapes)
    free = shapes.n_examples - 1
    per_point = np.asarray(totals)[:, None, None] / variance
    logs = (weights - 0.5 * shapes.n_samples * (free * np.log(variance) + per_point)).reshape(len(per_point), -1)
    most = logs.max(axis=1, keepdims=True)
    own = np.exp([_own_prior(priors, name, shapes.size_mm) for name in FORMINGS])
    shares = np.exp(logs - most) @ np.repeat(own, len(weights), axis=1).T  # one product for all formings
    evidence = np.log(shares) + priors.forming_logs()
    return np.asarray(np.exp(evidence - logsumexp(evidence, axis=1, keepdims=True)))
