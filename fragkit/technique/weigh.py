"""How the motifs were placed and how each was formed: two verdicts with weights that have been tried out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.lattice import Fitted
from fragkit.motifs import Motif
from fragkit.sketch import sketch_bars
from fragkit.technique.calibration import calibrate_placing
from fragkit.technique.changes import Change, find_changes
from fragkit.technique.likelihoods import Evidence
from fragkit.technique.positions import MOST_SITES, PlacingTable, gather_evidence, spacing_mm, weigh_positions
from fragkit.technique.power import Power, outlook, outlook_in_words
from fragkit.technique.priors import FORMINGS, PLACINGS, Priors
from fragkit.technique.regularity import RegularArea, map_regularity
from fragkit.technique.shapes import ShapeEvidence, forming_calibration, forming_evidence, gather_shapes, told_by_spread
from fragkit.technique.signs import Sign, sign_logs
from fragkit.technique.trade_lengths import TradeLength, find_trade_lengths
from fragkit.technique.verdict import OPEN, Verdict, reach_verdict
from fragkit.threads import with_one_blas_thread
from fragkit.units import by_chance, in_percent

FloatArray = NDArray[np.float64]

SURE_POSTERIOR = 0.99
LEAST_OUTLOOK = 10
"""Below this posterior, what more motifs or better measurement would bring is simulated, too, with a third of the sets
of the calibration; fewer than ten would tell nothing."""

REMAINS = 0.05
"""An answer below this posterior is out, so nothing is said of what would part it from another."""
TOLD_RATIO = 0.5
"""Where spread parts fewer outlines than this from free hand, the report says that it cannot."""

_HAND_OR_OUTLINE = "“{}” and “{}” cannot be told apart".format(*FORMINGS[:2])

N_FORMING = 1200
"""Outlines simulated of each forming, for the calibration."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Weighed:
    """What `reweigh` needs to take up other priors or signs without weighing the positions again."""

    table: PlacingTable
    shapes: ShapeEvidence | None
    measured: str
    why_no_shapes: str
    n_left_out: int
    outlook: Power | None
    seed: int


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
        `firm_ratio`, `wrong_firm_ratio`, `least_posterior` (from which on a posterior counts as firm), and for
        every way of placing the share of its sets that is named firmly and rightly.
    kinds : mapping of str to float
        Posterior of each kind of placing: "motif by motif", "along rows", "along columns", "plate", "block",
        "continuous".
    groups : mapping of str to float
        If the motifs were placed in rigid groups: posterior of each size, "3 × 2" and so on.
    regular_areas : tuple of RegularArea
        Areas that are too regular for hand work, at a false discovery rate of 5 %.
    changes : tuple of Change
        Lines at which the net of a fragment steps aside, at the same rate.
    lengths : tuple of TradeLength
        Known lengths of blocks, sheets, rollers and rolls at which the motifs of a fragment jump: candidates.
    priors : Priors
    signs : tuple of Sign
    notes : tuple of str
    weighed : Weighed
        For `reweigh`.
    """

    placing: Verdict
    forming: Verdict
    n_motifs: int
    calibration: Mapping[str, float]
    kinds: Mapping[str, float]
    groups: Mapping[str, float]
    regular_areas: tuple[RegularArea, ...]
    changes: tuple[Change, ...]
    lengths: tuple[TradeLength, ...]
    priors: Priors
    signs: tuple[Sign, ...]
    notes: tuple[str, ...]
    weighed: Weighed

    def __repr__(self) -> str:
        return f"<Technique placing: {self.placing.verdict}; forming: {self.forming.verdict}; {self.n_motifs} motifs>"

    def _repr_html_(self) -> str:
        rows = [
            ("placing", self.placing.verdict),
            ("", self.placing.words),
            ("forming", self.forming.verdict),
            ("", self.forming.words),
            ("motifs", str(self.n_motifs)),
            ("suspiciously regular areas", str(len(self.regular_areas))),
            ("lines where the net steps aside", str(len(self.changes))),
            ("jumps at lengths of the trade", "; ".join(dict.fromkeys(one.name for one in self.lengths)) or "none"),
        ]
        shares = {**self.placing.posterior, **self.forming.posterior}
        label = "How probable each answer is, placing and forming, 100 % in all for each"
        drawn = sketch_bars(label, shares, written=in_percent)
        return card("Technique", rows, notes=self.notes, drawing=drawn)


@with_one_blas_thread
def weigh_technique(
    lattices: Sequence[Fitted],
    motif: Motif | None,
    *,
    rng: np.random.Generator,
    n_calibration: int = 60,
    priors: Priors | None = None,
    signs: Sequence[Sign] = (),
) -> Technique:
    """Two verdicts: how the motifs were placed, and how each was formed.

    Parameters
    ----------
    lattices : sequence of Lattice or RowFit
        One per fragment.
    motif : Motif, optional
        Without it only signs speak for the forming.
    rng : numpy.random.Generator
    n_calibration : int
        Sets simulated of each way of placing, on these very sites.
    priors : Priors, optional
        What is assumed beforehand; `measure_priors` makes them from marks set on the spot.
    signs : sequence of Sign
        What the eye saw, with its weight.

    Raises
    ------
    EstimationError
        If there is no fragment.

    Notes
    -----
    Placing: normal likelihoods of the positions, net integrated out under a flat prior, measurement covariance
    always in; scatter, ratios of its parts, direction, plate sizes 1–4 × 1–3 and phases averaged, not maximised.
    Fragments share the scatter and the plate, not the phase. A posterior counts as firm from 0.95 on, or from the
    higher value above which at most 5 % of the simulated sets were named wrongly. Forming: see
    `forming_evidence`. A changed prior or sign is taken up by `reweigh` at once.
    """
    if not lattices:
        raise EstimationError("There is no fragment to weigh.", found="0 nets", needed="at least one fitted net")
    if n_calibration < 10:
        raise ValueError(f"n_calibration is {n_calibration}; use at least 10 sets of each way of placing")
    fragments = [gather_evidence(lattice) for lattice in lattices]
    table = weigh_positions(fragments, spacing_mm=spacing_mm(lattices), n_each=n_calibration, rng=rng)
    shapes = None if motif is None else gather_shapes(motif, _sites_of_examples(lattices, motif), rng=rng)
    weighed = Weighed(
        table=table,
        shapes=shapes,
        measured=_measured(lattices),
        why_no_shapes="no motif was built" if motif is None else "too few examples show enough of their outline",
        n_left_out=sum(max(0, lattice.n_centres - MOST_SITES) for lattice in lattices),
        outlook=_outlook(table, fragments, lattices, n_sets=n_calibration // 3, rng=rng),
        seed=int(rng.integers(2**32)),
    )
    found = _Found(
        n_motifs=sum(len(fragment.sites) for fragment in fragments),
        areas=tuple(one for k, fit in enumerate(lattices) for one in map_regularity(fit, rng=rng, fragment=k)),
        changes=tuple(one for k, fit in enumerate(lattices) for one in find_changes(fit, rng=rng, fragment=k)),
        lengths=tuple(one for k, fit in enumerate(lattices) for one in find_trade_lengths(fit, rng=rng, fragment=k)),
    )
    return _judge(weighed, found, priors or Priors(), tuple(signs))


def reweigh(technique: Technique, *, priors: Priors | None = None, signs: Sequence[Sign] | None = None) -> Technique:
    """The same evidence under other priors or other signs, at once; what is left out stays as it was."""
    return _judge(
        technique.weighed,
        _Found(
            n_motifs=technique.n_motifs,
            areas=technique.regular_areas,
            changes=technique.changes,
            lengths=technique.lengths,
        ),
        priors or technique.priors,
        technique.signs if signs is None else tuple(signs),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Found:
    """What does not hang on priors or signs."""

    n_motifs: int
    areas: tuple[RegularArea, ...]
    changes: tuple[Change, ...]
    lengths: tuple[TradeLength, ...]


def _judge(weighed: Weighed, found: _Found, priors: Priors, signs: tuple[Sign, ...]) -> Technique:
    families, evidence = weighed.table.evidence(priors)
    calibration = calibrate_placing(weighed.table, evidence[:, 1:], priors)
    placing = reach_verdict(
        PLACINGS,
        {"positions": evidence[:, 0], "seen by eye": sign_logs(signs, PLACINGS)},
        would_settle=_would_settle(weighed, calibration),
        prior_logs=priors.placing_logs(),
        least_posterior=calibration["least_posterior"],
    )
    if placing.verdict == OPEN and weighed.outlook is not None:
        more = outlook_in_words(weighed.outlook, placing.posterior)
        placing = replace(placing, would_settle=f"{placing.would_settle}; {more}")
    technique = Technique(
        placing=placing,
        forming=_forming(weighed, priors, signs),
        n_motifs=found.n_motifs,
        calibration=MappingProxyType({**calibration, **_forming_calibration(weighed, priors)}),
        kinds=_kinds(weighed.table, families[:, 0], placing),
        groups=_groups(weighed.table, families[:, 0]),
        regular_areas=found.areas,
        changes=found.changes,
        lengths=found.lengths,
        priors=priors,
        signs=signs,
        notes=(),
        weighed=weighed,
    )
    return replace(technique, notes=(*_placing_notes(technique), *_forming_notes(technique)))


def _outlook(
    table: PlacingTable,
    fragments: Sequence[Evidence],
    lattices: Sequence[Fitted],
    *,
    n_sets: int,
    rng: np.random.Generator,
) -> Power | None:
    """What would settle the placing, for an area like the largest fragment; None where the positions settle it."""
    logs = table.evidence(Priors())[1][:, 0] + Priors().placing_logs()
    if n_sets < LEAST_OUTLOOK or np.exp(logs.max() - logsumexp(logs)) >= SURE_POSTERIOR:
        return None
    largest, lattice = max(zip(fragments, lattices, strict=True), key=lambda pair: len(pair[0].sites))
    return outlook(
        len(largest.sites),
        float(np.sqrt(np.mean(np.sum(largest.noise_root**2, axis=1)))),
        scatter_mm=lattice.residual_sd_mm,
        spacing_mm=spacing_mm(lattices),
        n_sets=n_sets,
        rng=rng,
    )


def _forming(weighed: Weighed, priors: Priors, signs: tuple[Sign, ...]) -> Verdict:
    outlines = np.zeros(len(FORMINGS))
    settle = "four or more motifs with most of their outline preserved, at 0.25 mm per pixel or finer"
    if weighed.shapes is not None:
        outlines = forming_evidence(weighed.shapes, priors)
        settle = "tool marks (ties, stop-dead edges, raised lip, pounce dots); more motifs with a whole outline"
    verdict = reach_verdict(
        FORMINGS,
        {"outlines": outlines, "seen by eye": sign_logs(signs, FORMINGS)},
        would_settle=settle,
        prior_logs=priors.forming_logs(),
    )
    if not _waits_for_the_hand(weighed.shapes, verdict, priors):
        return verdict
    alone = f"{_HAND_OR_OUTLINE} until the spread of this hand is measured, where it drew free"
    return replace(verdict, would_settle=f"{settle}; {alone}")


def _waits_for_the_hand(shapes: ShapeEvidence | None, verdict: Verdict, priors: Priors) -> bool:
    """Whether free hand and outline both remain, and spreads as loosely known as these cannot part them."""
    if shapes is None or min(verdict.posterior[name] for name in FORMINGS[:2]) < REMAINS:
        return False
    return told_by_spread(priors, shapes.size_mm) < TOLD_RATIO


def _forming_calibration(weighed: Weighed, priors: Priors) -> dict[str, float]:
    if weighed.shapes is None:
        return {}
    return forming_calibration(weighed.shapes, priors, n_each=N_FORMING, rng=np.random.default_rng(weighed.seed))


def _kinds(table: PlacingTable, families: FloatArray, placing: Verdict) -> Mapping[str, float]:
    """Posterior of each kind: its share in its placing times the placing's posterior."""
    shares: dict[str, float] = {}
    for name in PLACINGS:
        members = [k for k, family in enumerate(table.families) if family[0] == name]
        weights = np.exp(families[members] - families[members].max())
        for k, weight in zip(members, placing.posterior[name] * weights / weights.sum(), strict=True):
            kind = table.families[k][1]
            shares[kind] = shares.get(kind, 0.0) + float(weight)
    return MappingProxyType(shares)


def _groups(table: PlacingTable, families: FloatArray) -> Mapping[str, float]:
    members = [k for k, family in enumerate(table.families) if family[0] == PLACINGS[2]]
    weights = np.exp(families[members] - families[members].max())
    shares: dict[str, float] = {}
    for k, weight in zip(members, weights / weights.sum(), strict=True):
        columns, rows = table.families[k][2]
        shares[f"{columns} × {rows}"] = shares.get(f"{columns} × {rows}", 0.0) + float(weight)
    return MappingProxyType(shares)


def _sites_of_examples(lattices: Sequence[Fitted], motif: Motif) -> NDArray[np.int_]:
    return lattices[0].sites_of(np.asarray(motif.example_index)[:, 1:])


def _measured(lattices: Sequence[Fitted]) -> str:
    noise = float(np.mean([np.sqrt(np.trace(cov) / 2.0) for lattice in lattices for cov in lattice.cov_mm2]))
    scatter = float(np.mean([lattice.residual_sd_mm for lattice in lattices]))
    if noise > 0.7 * scatter:
        return (
            f"centres are measured to {noise:.2f} mm against a scatter of {scatter:.2f} mm, so better control or "
            "closer photographs help most"
        )
    return f"measurement ({noise:.2f} mm) is not the limit, so more motifs in one connected area help most"


def _would_settle(weighed: Weighed, calibration: Mapping[str, float]) -> str:
    settled = 100.0 * calibration["firm_ratio"]
    return f"{settled:.0f} % of walls simulated on these very sites are settled firmly; {weighed.measured}"


def _placing_notes(technique: Technique) -> tuple[str, ...]:
    priors = technique.priors
    scatters = {priors.scatter_mm[name] for name in PLACINGS}
    spread = (
        f"scatter {_about(*scatters.pop())}"
        if len(scatters) == 1
        else "; ".join(f"scatter {name} {_about(*both)}" for name, both in priors.scatter_mm.items())
    )
    total = sum(priors.placing.values())
    weights = ", ".join(f"{name} {100.0 * weight / total:.0f} %" for name, weight in priors.placing.items())
    notes = [
        f"assumed beforehand of the placing ({priors.source}): {weights}; {spread}; a plate with one motif is placed "
        "like handwork, and counts as on set-out lines"
    ]
    if technique.weighed.n_left_out:
        notes.append(f"of large fragments only the {MOST_SITES} motifs nearest the middle took part in the placing")
    return tuple(notes)


def _about(median_mm: float, log_sd: float) -> str:
    """A log-normal spread in words."""
    low, high = median_mm * np.exp([-log_sd, log_sd])
    return f"about {median_mm:.2g} mm, two times in three {low:.2g} to {high:.2g} mm"


def _forming_notes(technique: Technique) -> tuple[str, ...]:
    shapes = technique.weighed.shapes
    if shapes is None:
        return (f"forming: {technique.weighed.why_no_shapes}",)
    medians = ", ".join(
        f"{name} {spread.median_mm(shapes.size_mm):.2f} mm" for name, spread in technique.priors.outlines.items()
    )
    notes = [
        f"outlines differ by {shapes.spread_mm:.2f} mm ({100 * shapes.spread_mm / shapes.size_mm:.1f} % of the motif's "
        "size; root mean square, error of measuring and places taken off); assumed on average "
        f"({technique.priors.source}): {medians}"
    ]
    if _waits_for_the_hand(shapes, technique.forming, technique.priors):
        notes.append(
            f"{_HAND_OR_OUTLINE} by how far outlines differ until the spread of this hand is "
            f"measured: with the spreads assumed, {in_percent(told_by_spread(technique.priors, shapes.size_mm))} of "
            "outlines at best would be known, if one free hand in a hundred may be taken for one; state what was "
            "measured under [technique] as outline_spread_mm"
        )
    if shapes.recurrence is not None:
        columns, rows = shapes.recurrence.group
        notes.append(
            f"flaws that recur from copy to copy: clearest for plates of {columns} × {rows}; work without such flaws "
            f"shows as much by chance {by_chance(shapes.recurrence.p)}"
        )
    return tuple(notes)
