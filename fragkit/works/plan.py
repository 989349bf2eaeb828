"""Months and money: labour, days, batches, costs and cautions for a whole layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.works.assumptions import (
    CONTINGENCY_RATIO,
    CREW,
    HOURS_PER_DAY,
    LAY_MIN,
    MINUTES_PER_MOTIF,
    SITE_FACTOR,
    Assumption,
    plan_assumptions,
)
from fragkit.works.cautions import CAUTIONS, DEFERENCE, Caution
from fragkit.works.costs import REPEATED, CostLine, cost_lines, currency_of, in_the_sum, kind_of
from fragkit.works.learning import MIN_TIMED, LearningCurve, fit_learning
from fragkit.works.materials import MaterialNeed, coverage_inputs, material_needs
from fragkit.works.metals import metal_in
from fragkit.works.montecarlo import (
    Distribution,
    Drawn,
    Normal,
    PositiveRange,
    Rectangular,
    Spread,
    draw_inputs,
    spread_of,
)
from fragkit.works.programme import LIFT_MM, REACH_MM, Stretch, mean_height_ratio, programme
from fragkit.works.renewal import MetalCost, PriceFlip, compare_metals, flip_prices, life_inputs
from fragkit.works.sizes import Batch, Site, batches
from fragkit.works.takeoff import TakeOff

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.survey import PriceEntry, WorksEntry

FloatArray = NDArray[np.float64]

OVERNIGHT_H = 8.0

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
    basis : "timed trial", "stated range" or "placeholder"
    curve : LearningCurve or None
    crew, hours_per_day
        As stated, else assumed (see `assumptions`).
    days : Spread
        Working days of the crew.
    programme : tuple of Stretch
        Walls and lifts in order.
    batches : tuple of Batch
        For each kind of gilding size.
    materials : tuple of MaterialNeed
    costs : tuple of CostLine
    currency : str or None
    known_total : Spread or None
        Sum of the lines that are known; None when none is.
    gaps : tuple of str
        Lines that are missing from the sum.
    contingency : Contingency
    metals : tuple of MetalCost
        Side by side, over fifty years.
    flips : tuple of PriceFlip
        The price of leaf that moves.
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
    programme: tuple[Stretch, ...]
    batches: tuple[Batch, ...]
    materials: tuple[MaterialNeed, ...]
    costs: tuple[CostLine, ...]
    currency: str | None
    known_total: Spread | None
    gaps: tuple[str, ...]
    contingency: Contingency
    metals: tuple[MetalCost, ...]
    flips: tuple[PriceFlip, ...]
    cautions: tuple[Caution, ...] = CAUTIONS
    deference: str = DEFERENCE
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"WorksPlan({self.n_motifs} motifs, {self.labour_h}, {self.basis})"

    def _repr_html_(self) -> str:
        known = str(self.known_total) if self.known_total else "no prices stated"
        rows = [
            ("Labour (9 in 10)", f"{self.labour_h}"),
            ("Days", f"{self.days} with {self.crew} people"),
            ("Basis", self.basis),
            ("Cost of the known lines", known),
            ("Gaps", ", ".join(self.gaps) or "none"),
        ]
        hours = self.labour_h
        spread = {
            "one time in twenty less": hours.p05,
            "half the time less": hours.p50,
            "19 times in 20 less": hours.p95,
        }
        drawn = sketch_bars("Hours of work", spread, unit="h")
        return card("Months and money", rows, notes=self.notes, drawing=drawn)


def plan_works(
    layout: Layout,
    takeoff: TakeOff,
    works: WorksEntry,
    *,
    rng: np.random.Generator,
) -> WorksPlan:
    """Labour, days, batches and costs for every motif of a layout.

    Parameters
    ----------
    layout : Layout
    takeoff : TakeOff
        Of the same layout.
    works : WorksEntry
        Timed trial, crew, hours a day, size, lifts, coverage, lives and prices, as far as the study states them.

    Raises
    ------
    ValueError
        If the take-off belongs to another layout, prices mix currencies, crew or hours are not positive, the size is
        not listed, or a roll is too short for a drop.

    Notes
    -----
    Monte Carlo (JCGM 101) over everything that is open: time per motif (from the trial's learning curve, the study's
    own range, or a wide placeholder), a factor between trial panel and scaffold, torn leaf, coverage of materials, the
    motif's metal area, and every price that is given a range. The spread's drivers are ranked.
    """
    n_motifs = layout.n_motifs
    if takeoff.n_motifs != n_motifs:
        raise ValueError(
            f"The take-off counts {takeoff.n_motifs} motifs and the layout {n_motifs}: take off this layout again."
        )
    crew = CREW if works.crew is None else works.crew
    hours = HOURS_PER_DAY if works.hours_per_day is None else works.hours_per_day
    lay_min = LAY_MIN if works.lay_min is None else works.lay_min
    site = Site(size=works.size, open_h=works.open_h)
    batch_rows = batches(n_motifs, crew=crew, hours_per_day=hours, lay_min=lay_min, site=site)
    trial = np.zeros(0) if works.trial_minutes is None else np.asarray(works.trial_minutes, float).ravel()
    curve = fit_learning(trial, rng=rng) if len(trial) >= MIN_TIMED else None
    inputs = _time_inputs(curve, works, n_motifs, min(crew, max(n_motifs, 1)), rng) | _other_inputs(takeoff, works)
    draws = draw_inputs(inputs, rng=rng, n_draws=_N_DRAWS)
    drawn_h = draws["time per motif"] * draws["trial to scaffold"] * mean_height_ratio(layout)
    times = {name: draws[name] for name in ("time per motif", "trial to scaffold")}
    labour = spread_of(drawn_h, times, unit="h")
    materials, quantities = material_needs(layout, takeoff, works, draws=draws)
    quantities |= _quantities(takeoff, draws, drawn_h, crew * hours)
    currency = currency_of(works.prices)
    summed = in_the_sum(works.prices, works.metal)
    lines, amounts = cost_lines(summed, quantities, drawn_prices=_drawn_prices(summed, draws))
    total = sum(amounts.values(), np.zeros(1)) if amounts else None
    driving = {name: values for name, values in draws.items() if _is_in_the_sum(name, amounts)}
    known = None if total is None else _spread(total, driving, currency or "")
    again = sum((a for item, a in amounts.items() if kind_of(item) in REPEATED), np.zeros(1))
    per_motif = labour.scaled(60.0 / max(n_motifs, 1), "min")
    reach = {"reach_mm": works.reach_mm or REACH_MM, "lift_mm": works.lift_mm or LIFT_MM}
    return WorksPlan(
        n_motifs=n_motifs,
        labour_h=labour,
        minutes_per_motif=(per_motif.p05, per_motif.p50, per_motif.p95),
        basis=_basis(curve, works),
        curve=curve,
        crew=crew,
        hours_per_day=hours,
        days=labour.scaled(1.0 / (crew * hours), "days"),
        programme=programme(layout, drawn_h / (crew * hours), **reach) if n_motifs else (),
        batches=batch_rows,
        materials=materials,
        costs=lines,
        currency=currency,
        known_total=known,
        gaps=tuple(f"{line.item}: {line.gap}" for line in lines if line.gap),
        contingency=_contingency(known, works.contingency_ratio),
        metals=compare_metals(takeoff, works, draws=draws, again=again),
        flips=flip_prices(takeoff, works, draws=draws, again=again),
        assumptions=plan_assumptions(works, curve),
        notes=_notes(curve, works, trial, batch_rows, labour.p50 / (crew * hours)),
    )


def _basis(curve: LearningCurve | None, works: WorksEntry) -> str:
    if curve is not None:
        return "timed trial"
    return "placeholder" if works.minutes_per_motif is None else "stated range"


def _time_inputs(
    curve: LearningCurve | None, works: WorksEntry, n_motifs: int, hands: int, rng: np.random.Generator
) -> dict[str, Distribution]:
    """Hours for the job as timed, and the factor from trial to scaffold (1 without a trial)."""
    if curve is not None:
        drawn = Drawn(curve.draw_total_h(n_motifs, rng=rng, hands=hands))
        return {"time per motif": drawn, "trial to scaffold": PositiveRange(*SITE_FACTOR)}
    low, high = (n_motifs * minutes / 60.0 for minutes in works.minutes_per_motif or MINUTES_PER_MOTIF)
    time = _range(low, high) if n_motifs else Drawn(np.zeros(1))
    return {"time per motif": time, "trial to scaffold": Drawn(np.ones(1))}


def _other_inputs(takeoff: TakeOff, works: WorksEntry) -> dict[str, Distribution]:
    """Torn leaf from none to twice the allowance, metal area, coverage, lives, and prices that may move."""
    found: dict[str, Distribution] = {
        "torn leaf": Rectangular(0.0, 2.0 * takeoff.spoilage_ratio),
        "metal area": Normal(1.0, takeoff.metal_area_sd_ratio),
    }
    for price in works.prices:
        if price.low is not None and price.high is not None:
            found[f"price of {price.item}"] = _range(price.low, price.high)
    return found | coverage_inputs(works) | life_inputs(works)


def _range(low: float, high: float) -> Distribution:
    return PositiveRange(low, high) if high > low else Drawn(np.array([low]))


def _drawn_prices(prices: tuple[PriceEntry, ...], draws: dict[str, FloatArray]) -> dict[str, FloatArray]:
    return {one.item: draws[f"price of {one.item}"] for one in prices if f"price of {one.item}" in draws}


def _quantities(
    takeoff: TakeOff, draws: dict[str, FloatArray], hours: FloatArray, hours_a_day: float
) -> dict[tuple[str, str], FloatArray | float]:
    """Leaf, labour and what goes by the motif, by item and unit."""
    leaves = takeoff.n_leaves_cut * (1 + draws["torn leaf"]) + takeoff.n_leaves_reserve
    n_motifs = float(takeoff.n_motifs)
    return {
        ("leaf", "book"): np.ceil(leaves / takeoff.leaves_per_book - 1e-9),
        ("leaf", "leaf"): np.ceil(leaves - 1e-9),
        ("leaf", "1000 leaves"): leaves / 1000.0,
        ("labour", "hour"): hours,
        ("labour", "day"): hours / hours_a_day,
        ("labour", "motif"): n_motifs,
        ("size", "motif"): n_motifs,
        ("shadow colour", "motif"): n_motifs,
        ("setting-out", "motif"): n_motifs,
    }


def _is_in_the_sum(name: str, amounts: dict[str, FloatArray]) -> bool:
    """Whether an input can move the sum: lives, and prices of what is only compared, cannot."""
    if name.startswith("price of "):
        return name.removeprefix("price of ") in amounts
    return not name.startswith("life of ")


def _spread(total: FloatArray, draws: dict[str, FloatArray], unit: str) -> Spread:
    """Spread of the sum; one number when nothing in it is open."""
    return spread_of(total, draws if len(total) > 1 else None, unit=unit)


def _contingency(known: Spread | None, stated: tuple[float, float] | None) -> Contingency:
    low, high = stated or CONTINGENCY_RATIO
    if not 0 <= low <= high:
        raise ValueError(f"A contingency of {low} to {high}: give two shares from 0 up, the lower first.")
    return Contingency(
        low_ratio=low,
        high_ratio=high,
        low=None if known is None else known.p50 * low,
        high=None if known is None else known.p50 * high,
        source="as stated" if stated else "20–30 % is a builder's figure for listed interiors (weak source)",
    )


def _notes(
    curve: LearningCurve | None, works: WorksEntry, trial: FloatArray, batch_rows: tuple[Batch, ...], days: float
) -> tuple[str, ...]:
    notes = ["Preparing the wall, making good and learning the motif are not in these hours."]
    unknown = [name for name in works.life_years if metal_in(name) is None]
    if unknown:
        notes.append(f"A life is assumed for {', '.join(unknown)}, which is no listed metal: it is not compared.")
    chosen = next((batch for batch in batch_rows if batch.chosen), None)
    if chosen is not None and chosen.size.ready_h[0] >= OVERNIGHT_H and chosen.n_batches > days:
        notes.append(
            f"{chosen.size.name} is gilded the day after, one batch a day: {chosen.n_batches} batches take longer "
            f"than the {days:.0f} days of labour."
        )
    if curve is not None:
        return (*notes, *curve.notes)
    if works.minutes_per_motif is None:
        notes.append(
            "PLACEHOLDER: no timed trial, so the hours rest on 6 to 12 minutes a motif, a figure without a "
            f"source. Time {MIN_TIMED} motifs or more on a trial panel before anyone quotes a price."
        )
    if len(trial):
        notes.append(
            f"The trial has {len(trial)} timed motifs (mean {trial.mean():.1f} min); {MIN_TIMED} are needed before "
            "it can say how the hand learns, so it is not used."
        )
    return tuple(notes)
