"""How the motifs were placed and how each was formed: two verdicts with weights that have been tried out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.lattice import Lattice, columns_and_rows
from fragkit.motifs import Motif
from fragkit.technique.hypotheses import PLACINGS, placing_hypotheses
from fragkit.technique.positions import (
    MOST_SITES,
    Evidence,
    gather_evidence,
    log_likelihoods,
    placing_evidence,
    simulate_sets,
    spacing_mm,
)
from fragkit.technique.shapes import FORMINGS, forming_calibration, forming_evidence, gather_shapes
from fragkit.technique.verdict import FIRM_POSTERIOR, Verdict, reach_verdict

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

WRONG_FIRM_LIMIT = 0.05
LEAST_MOTIFS = 8


@dataclass(frozen=True, eq=False, kw_only=True)
class Technique:
    """How the motifs were placed and how each was formed.

    Attributes
    ----------
    placing, forming : Verdict
    n_motifs : int
        Centres that took part.
    calibration : mapping of str to float
        From sets simulated on these very sites with this measurement error: `n_sets`, `right_ratio`,
        `firm_ratio`, `wrong_firm_ratio`, `least_posterior` (from which on a posterior counts as firm),
        `least_motifs_ok`, and for every way of placing the share of its sets that is named firmly and
        rightly.
    regular_areas : tuple or None
        Areas of suspicious regularity; None when not looked for.
    notes : tuple of str
    """

    placing: Verdict
    forming: Verdict
    n_motifs: int
    calibration: Mapping[str, float]
    regular_areas: tuple[FloatArray, ...] | None = None
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<Technique placing: {self.placing.verdict}; forming: {self.forming.verdict}; {self.n_motifs} motifs>"

    def _repr_html_(self) -> str:
        rows = [
            ("placing", self.placing.verdict),
            ("", self.placing.words),
            ("forming", self.forming.verdict),
            ("", self.forming.words),
            ("motifs", str(self.n_motifs)),
        ]
        return card("Technique", rows, notes=self.notes)


def weigh_technique(
    lattices: Sequence[Lattice],
    motif: Motif | None,
    *,
    rng: np.random.Generator,
    n_calibration: int = 60,
) -> Technique:
    """Two verdicts: how the motifs were placed, and how each was formed.

    Parameters
    ----------
    lattices : sequence of Lattice
        One per fragment.
    motif : Motif, optional
        Without it the forming cannot be told.
    rng : numpy.random.Generator
    n_calibration : int
        Sets simulated of each way of placing, on these very sites.

    Raises
    ------
    EstimationError
        If there is no fragment.

    Notes
    -----
    Placing: Gaussian likelihood of the residuals, net (and drift) integrated out under a flat prior,
    measurement covariance always in, s log-normal (median 1.4 mm, log-sd 0.6), plate sizes 1–4 × 1–3 and
    phases averaged, not maximised. Fragments share s and the plate, not the phase. A posterior counts as
    firm from 0.95 on, or from the higher value above which at most 5 % of the simulated sets were named
    wrongly. Forming: see `forming_evidence`.
    """
    if not lattices:
        raise EstimationError("There is no fragment to weigh.", found="0 nets", needed="at least one fitted net")
    if n_calibration < 10:
        raise ValueError(f"n_calibration is {n_calibration}; use at least 10 sets of each way of placing")
    fragments = [gather_evidence(lattice) for lattice in lattices]
    n_motifs = sum(len(fragment.sites) for fragment in fragments)
    evidence, calibration = _weigh_placing(fragments, lattices, n_each=n_calibration, rng=rng)
    least = calibration["least_posterior"] if n_motifs >= LEAST_MOTIFS else np.inf
    placing = reach_verdict(
        PLACINGS, evidence, would_settle=_would_settle(lattices, calibration), least_posterior=float(least)
    )
    forming, forming_shares, notes = _weigh_forming(lattices, motif, n_each=20 * n_calibration, rng=rng)
    return Technique(
        placing=placing,
        forming=forming,
        n_motifs=n_motifs,
        calibration=MappingProxyType({**calibration, **forming_shares}),
        notes=(*_placing_notes(lattices), *notes),
    )


def _weigh_placing(
    fragments: Sequence[Evidence], lattices: Sequence[Lattice], *, n_each: int, rng: np.random.Generator
) -> tuple[FloatArray, dict[str, float]]:
    """Log evidence (4,) of the ways of placing, and how such evidence fares on simulated sets."""
    across, down = spacing_mm(lattices)
    hypotheses = placing_hypotheses(across_mm=across, down_mm=down)
    simulated, truth = simulate_sets(fragments, hypotheses, n_each=n_each, rng=rng)
    tables = [
        log_likelihoods(fragment, hypotheses, np.column_stack([fragment.offsets_mm.ravel(), sets]))
        for fragment, sets in zip(fragments, simulated, strict=True)
    ]
    evidence = placing_evidence(tables, hypotheses)
    return evidence[:, 0], _calibrate(evidence[:, 1:], truth)


def _calibrate(evidence: FloatArray, truth: IntArray) -> dict[str, float]:
    posterior = np.exp(evidence - logsumexp(evidence, axis=0))
    top, named = posterior.max(axis=0), posterior.argmax(axis=0)
    right = named == truth
    least = _least_posterior(top, right)
    firm = top >= least
    shares = {name: float(np.mean((firm & right)[truth == k])) for k, name in enumerate(PLACINGS)}
    return {
        "n_sets": float(len(truth)),
        "right_ratio": float(right.mean()),
        "firm_ratio": float(firm.mean()),
        "wrong_firm_ratio": float(np.mean(firm & ~right)),
        "least_posterior": least,
        **shares,
    }


def _least_posterior(top: FloatArray, right: NDArray[np.bool_]) -> float:
    """The least posterior, 0.95 or more, above which at most 5 % of the sets are named wrongly."""
    for least in (FIRM_POSTERIOR, 0.97, 0.98, 0.99, 0.995, 0.999):
        firm = top >= least
        if not firm.any() or np.mean(~right[firm]) <= WRONG_FIRM_LIMIT:
            return least
    return 1.0


def _would_settle(lattices: Sequence[Lattice], calibration: Mapping[str, float]) -> str:
    noise = np.mean([np.sqrt(np.trace(cov) / 2.0) for lattice in lattices for cov in lattice.cov_mm2])
    scatter = np.mean([lattice.residual_sd_mm for lattice in lattices])
    settled = 100 * calibration["firm_ratio"]
    start = f"{settled:.0f} % of sets simulated on these sites are settled firmly"
    if noise > 0.7 * scatter:
        return (
            f"{start}; centres are measured to {noise:.2f} mm against a scatter of {scatter:.2f} mm, "
            "so better control or closer photographs help most"
        )
    return f"{start}; measurement ({noise:.2f} mm) is not the limit, so more motifs in one connected area help most"


def _placing_notes(lattices: Sequence[Lattice]) -> tuple[str, ...]:
    notes = [
        "assumptions of the placing verdict: scatter log-normal (median 1.4 mm, log-sd 0.6); equal priors; "
        "a plate with one motif is placed like handwork, and counts as on set-out lines",
        "areas of suspicious regularity were not looked for",
    ]
    if any(lattice.n_centres > MOST_SITES for lattice in lattices):
        notes.append(f"of large fragments only the {MOST_SITES} motifs nearest the middle took part")
    return tuple(notes)


def _weigh_forming(
    lattices: Sequence[Lattice], motif: Motif | None, *, n_each: int, rng: np.random.Generator
) -> tuple[Verdict, dict[str, float], tuple[str, ...]]:
    shapes = None
    if motif is not None:
        basis = lattices[0].a_mm, lattices[0].b_mm
        sites = columns_and_rows(*basis, np.asarray(motif.example_index)[:, 1:])
        shapes = gather_shapes(motif, sites, rng=rng)
    if shapes is None:
        why = "no motif was built" if motif is None else "too few examples show enough of their outline"
        settle = "four or more motifs with most of their outline preserved, at 0.25 mm per pixel or finer"
        return reach_verdict(FORMINGS, np.zeros(4), would_settle=settle), {}, (f"forming: {why}",)
    settle = "tool marks (ties, dead edges, raised lip, pounce dots); more motifs with a whole outline"
    verdict = reach_verdict(FORMINGS, forming_evidence(shapes), would_settle=settle)
    notes = [
        f"outlines differ by {100 * shapes.spread_ratio:.1f} % of the motif's size (rms, noise and place "
        "taken off); references for hand, outline, plate and block are assumptions"
    ]
    if shapes.p_recurrence is not None and shapes.seats is not None:
        columns, rows = shapes.seats
        notes.append(
            f"recurrence of flaws at equal seats: strongest for {columns} × {rows}, permutation p = "
            f"{shapes.p_recurrence:.2g}"
        )
    return verdict, forming_calibration(shapes, n_each=n_each, rng=rng), tuple(notes)
