"""Months and money: labour, days, batches, costs and cautions for a whole layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.works.cautions import CAUTIONS, DEFERENCE, Caution
from fragkit.works.costs import CostLine, cost_lines, currency_of
from fragkit.works.learning import MIN_TIMED, LearningCurve, fit_learning
from fragkit.works.metals import COMMON_PRACTICE
from fragkit.works.montecarlo import Distribution, Drawn, PositiveRange, Rectangular, Spread, propagate
from fragkit.works.sizes import Batch, batches
from fragkit.works.takeoff import Assumption, TakeOff

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.survey import WorksEntry

FloatArray = NDArray[np.float64]

MINUTES_PER_MOTIF = (6.0, 12.0)
"""Mark, size, lay, clean, shadow and check one small motif; no published figure was found."""

LAY_MIN = 2.0
CREW = 2
HOURS_PER_DAY = 7.0
CONTINGENCY_RATIO = (0.20, 0.30)

_SITE_FACTOR = (0.85, 1.20)
_N_DRAWS = 20_000


@dataclass(frozen=True, kw_only=True)
class Contingency:
    """What is set aside beside the total, never inside it."""

    low_ratio: float
    high_ratio: float
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True, eq=False, kw_only=True)
class WorksPlan:
    """Labour, programme and costs.

    Attributes
    ----------
    n_motifs : int
    labour_h : Spread
        Working hours of all hands together.
    minutes_per_motif : (p05, p50, p95)
    basis : "timed trial" or "placeholder"
    curve : LearningCurve or None
    crew, hours_per_day
        As stated, else assumed (see `assumptions`).
    days : Spread
        Working days of the crew.
    batches : tuple of Batch
        For each kind of gilding size.
    costs : tuple of CostLine
    currency : str or None
    known_total : Spread or None
        Sum of the lines that are known; None when none is.
    gaps : tuple of str
        Lines that are missing from the sum.
    contingency : Contingency
    cautions : tuple of Caution
    deference : str
        Who decides about safety.
    assumptions : tuple of Assumption
    notes : tuple of str
    """

    n_motifs: int
    labour_h: Spread
    minutes_per_motif: tuple[float, float, float]
    basis: str
    curve: LearningCurve | None
    crew: int
    hours_per_day: float
    days: Spread
    batches: tuple[Batch, ...]
    costs: tuple[CostLine, ...]
    currency: str | None
    known_total: Spread | None
    gaps: tuple[str, ...]
    contingency: Contingency
    cautions: tuple[Caution, ...] = CAUTIONS
    deference: str = DEFERENCE
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"WorksPlan({self.n_motifs} motifs, {self.labour_h}, {self.basis})"

    def _repr_html_(self) -> str:
        known = f"{self.known_total} {self.currency}" if self.known_total else "no prices stated"
        rows = [
            ("Labour (9 in 10)", f"{self.labour_h}"),
            ("Days", f"{self.days} with {self.crew} people"),
            ("Basis", self.basis),
            ("Cost of the known lines", known),
            ("Gaps", ", ".join(self.gaps) or "none"),
        ]
        return card("Months and money", rows, notes=self.notes)


def plan_works(
    layout: Layout,
    takeoff: TakeOff,
    works: WorksEntry,
    *,
    rng: np.random.Generator,
    lay_min: float = LAY_MIN,
    contingency_ratio: tuple[float, float] = CONTINGENCY_RATIO,
) -> WorksPlan:
    """Labour, days, batches and costs for every motif of a layout.

    Parameters
    ----------
    layout : Layout
    takeoff : TakeOff
        Of the same layout.
    works : WorksEntry
        Timed trial, crew, hours a day and prices, as far as the study states them.
    lay_min : float
        Minutes in which one gilder lays one motif, for the batches.
    contingency_ratio : (low, high)
        Set aside beside the total.

    Raises
    ------
    ValueError
        If the take-off belongs to another layout, prices mix currencies, or crew or hours are not positive.

    Notes
    -----
    Monte Carlo over time per motif (from the trial's learning curve, or a wide placeholder without one), a
    factor between trial panel and scaffold, and the share of torn leaf. Prices are taken as stated.
    """
    n_motifs = layout.n_motifs
    if takeoff.n_motifs != n_motifs:
        raise ValueError(
            f"The take-off counts {takeoff.n_motifs} motifs and the layout {n_motifs}: take off this layout "
            "again."
        )
    crew = CREW if works.crew is None else works.crew
    hours = HOURS_PER_DAY if works.hours_per_day is None else works.hours_per_day
    batch_rows = batches(n_motifs, crew=crew, hours_per_day=hours, lay_min=lay_min)
    trial = np.zeros(0) if works.trial_minutes is None else np.asarray(works.trial_minutes, float).ravel()
    curve = fit_learning(trial, rng=rng) if len(trial) >= MIN_TIMED else None
    inputs = _inputs(curve, n_motifs, rng)
    labour = propagate(_hours, inputs, rng=rng, n_draws=_N_DRAWS, unit="h")
    drawn = _hours(**{name: distribution.draw(rng, _N_DRAWS) for name, distribution in inputs.items()})
    quantities = _quantities(layout, takeoff, drawn, crew * hours, rng)
    currency = currency_of(works.prices)
    lines, total = cost_lines(works.prices, quantities)
    known = None if total is None else _spread_of(total, rng, currency or "")
    per_motif = labour.scaled(60.0 / max(n_motifs, 1), "min")
    return WorksPlan(
        n_motifs=n_motifs,
        labour_h=labour,
        minutes_per_motif=(per_motif.p05, per_motif.p50, per_motif.p95),
        basis="timed trial" if curve else "placeholder",
        curve=curve,
        crew=crew,
        hours_per_day=hours,
        days=labour.scaled(1.0 / (crew * hours), "days"),
        batches=batch_rows,
        costs=lines,
        currency=currency,
        known_total=known,
        gaps=tuple(f"{line.item}: {line.gap}" for line in lines if line.gap),
        contingency=_contingency(known, contingency_ratio),
        assumptions=_assumptions(works, curve, lay_min),
        notes=_notes(curve, len(trial), float(trial.mean()) if len(trial) else None),
    )


def _inputs(curve: LearningCurve | None, n_motifs: int, rng: np.random.Generator) -> dict[str, Distribution]:
    """Hours for the job as timed, and the factor from trial to scaffold (1 for the placeholder)."""
    if curve is None:
        low, high = (n_motifs * minutes / 60.0 for minutes in MINUTES_PER_MOTIF)
        return {
            "time_h": PositiveRange(low, high) if n_motifs else Drawn(np.zeros(1)),
            "site": Drawn(np.ones(1)),
        }
    return {"time_h": Drawn(curve.draw_total_h(n_motifs, rng=rng)), "site": PositiveRange(*_SITE_FACTOR)}


def _hours(*, time_h: FloatArray, site: FloatArray) -> FloatArray:
    return time_h * site


def _quantities(
    layout: Layout, takeoff: TakeOff, hours: FloatArray, hours_a_day: float, rng: np.random.Generator
) -> dict[tuple[str, str], FloatArray | float]:
    """What the job needs, by item and unit; torn leaf from none to twice the allowance."""
    spoilt = Rectangular(0.0, 2.0 * takeoff.n_leaves_spoilt).draw(rng, len(hours))
    leaves = takeoff.n_leaves_cut + takeoff.n_leaves_reserve + spoilt
    return {
        ("leaf", "book"): np.ceil(leaves / takeoff.leaves_per_book),
        ("leaf", "leaf"): np.ceil(leaves),
        ("leaf", "1000 leaves"): leaves / 1000.0,
        ("labour", "hour"): hours,
        ("labour", "day"): hours / hours_a_day,
        ("size", "m2"): takeoff.metal_area_m2,
        ("size", "motif"): float(takeoff.n_motifs),
        ("ground", "m2"): _wall_area_m2(layout),
        ("shadow colour", "motif"): float(takeoff.n_motifs),
        ("setting-out", "motif"): float(takeoff.n_motifs),
    }


def _wall_area_m2(layout: Layout) -> float:
    """Wall surface without openings."""
    area_mm2 = 0.0
    for wall in layout.walls:
        surface = shapely.Polygon(wall.wall.outline_mm)
        for opening in wall.wall.openings:
            surface = surface.difference(shapely.Polygon(opening.outline_mm))
        area_mm2 += surface.area
    return area_mm2 * 1e-6


def _spread_of(total: FloatArray, rng: np.random.Generator, unit: str) -> Spread:
    return propagate(lambda total: total, {"total": Drawn(total)}, rng=rng, n_draws=_N_DRAWS, unit=unit)


def _contingency(known: Spread | None, ratio: tuple[float, float]) -> Contingency:
    low, high = ratio
    if not 0 <= low <= high:
        raise ValueError(f"A contingency of {low} to {high}: give two shares from 0 up, the lower first.")
    source = "20–30 % is a builder's figure for listed interiors (weak source)"
    return Contingency(
        low_ratio=low,
        high_ratio=high,
        low=None if known is None else known.p50 * low,
        high=None if known is None else known.p50 * high,
        source=source if ratio == CONTINGENCY_RATIO else "as stated",
    )


def _assumptions(works: WorksEntry, curve: LearningCurve | None, lay_min: float) -> tuple[Assumption, ...]:
    found = []
    if curve is None:
        value = f"{MINUTES_PER_MOTIF[0]:g} to {MINUTES_PER_MOTIF[1]:g} min a motif (9 in 10)"
        source = f"placeholder; {COMMON_PRACTICE}; overwrite it with a timed trial"
        found.append(Assumption(name="time per motif", value=value, source=source))
    else:
        value = f"{_SITE_FACTOR[0]:g} to {_SITE_FACTOR[1]:g} times the trial (9 in 10)"
        found.append(Assumption(name="scaffold against trial panel", value=value, source=COMMON_PRACTICE))
    if works.crew is None:
        found.append(Assumption(name="people at work", value=f"{CREW}", source="assumed; state `crew`"))
    if works.hours_per_day is None:
        source = "assumed; state `hours_per_day`"
        found.append(Assumption(name="hours a day", value=f"{HOURS_PER_DAY:g}", source=source))
    lay = Assumption(
        name="time to lay one motif", value=f"{lay_min:g} min (batches only)", source=COMMON_PRACTICE
    )
    return (*found, lay)


def _notes(curve: LearningCurve | None, n_timed: int, mean_min: float | None) -> tuple[str, ...]:
    notes = ["Preparing the wall, making good and learning the motif are not in these hours."]
    if curve is not None:
        return (*notes, *curve.notes)
    notes.append(
        "PLACEHOLDER: no timed trial, so the hours rest on 6 to 12 minutes a motif, a figure without a "
        f"source. Time {MIN_TIMED} motifs or more on a trial panel before anyone quotes a price."
    )
    if n_timed:
        notes.append(
            f"The trial has {n_timed} timed motifs (mean {mean_min:.1f} min); {MIN_TIMED} are needed before "
            "it can say how the hand learns, so it is not used."
        )
    return tuple(notes)
