import numpy as np
import pytest
from works_room import oblong, room, wall

from fragkit.survey.entries import PriceEntry, WorksEntry
from fragkit.works import plan_works, take_off

FORMS = {"whole": {"metal": (oblong(36, 36),)}}


def price(item, unit, amount, currency="EUR"):
    return PriceEntry(item=item, unit=unit, price=amount, currency=currency)


def planned(layout, motif, entry, seed=1, **options):
    return plan_works(layout, take_off(layout, motif, entry), entry, rng=np.random.default_rng(seed), **options)


def test_placeholder_for_twelve_thousand_motifs(hop_cone):
    """Common practice, no source: a room of 12,000 motifs takes months, 1,200 to 2,400 hours."""
    plan = planned(room([wall(["whole"] * 12_000, [1.0] * 12_000)], FORMS), hop_cone, WorksEntry(metal="gold"))
    assert plan.basis == "placeholder"
    assert (plan.labour_h.p05, plan.labour_h.p95) == pytest.approx((1200, 2400), rel=0.02)
    assert any("PLACEHOLDER" in note for note in plan.notes)
    assert any(a.name == "time per motif" for a in plan.assumptions)
    assert 60 < plan.days.p50 < 200


def test_trial_takes_the_place_of_the_placeholder(plain_room, hop_cone):
    entry = WorksEntry(metal="gold", trial_minutes=np.full(60, 9.0), crew=3, hours_per_day=6.0)
    plan = planned(plain_room, hop_cone, entry)
    assert plan.basis == "timed trial"
    assert plan.labour_h.p50 == pytest.approx(105 * 9 / 60 * np.sqrt(0.85 * 1.2), rel=0.03)
    assert plan.days.p50 == pytest.approx(plan.labour_h.p50 / 18, rel=1e-9)
    assert not any("PLACEHOLDER" in note for note in plan.notes)
    assert plan.labour_h.drivers[0][0] == "trial to scaffold"


def test_short_trial_is_named_and_not_used(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold", trial_minutes=np.full(8, 9.0)))
    assert plan.basis == "placeholder"
    assert any("8 timed motifs (mean 9.0 min)" in note for note in plan.notes)


def test_missing_price_is_a_gap_never_a_zero(plain_room, hop_cone):
    entry = WorksEntry(metal="gold", margin_mm=3.0, prices=(price("gold leaf 23 ct", "book", 40.0),))
    plan = planned(plain_room, hop_cone, entry)
    lines = {line.item: line for line in plan.costs}
    assert lines["labour"].amount is None
    assert lines["labour"].price is None
    assert lines["labour"].gap == "no price stated"
    assert lines["labour"].quantity is not None
    assert not any(line.amount is not None and line.amount[1] == 0 for line in plan.costs)
    assert "leaf" not in lines  # it is priced, under the user's own name
    assert {gap.split(":")[0] for gap in plan.gaps} >= {"labour", "size", "scaffold and protection"}
    # 110 to 132 leaves (torn leaf from none to twice 11): 5 or 6 books at 40
    assert plan.known_total.p05 == 200.0
    assert plan.known_total.p95 == 240.0
    assert plan.currency == "EUR"


def test_no_prices_give_no_total(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold"))
    assert plan.known_total is None
    assert plan.currency is None
    assert plan.contingency.low is None
    assert len(plan.gaps) == len(plan.costs) == 9


def test_contingency_stays_outside_the_total(plain_room, hop_cone):
    entry = WorksEntry(metal="gold", prices=(price("scaffold", "job", 1000.0),))
    plan = planned(plain_room, hop_cone, entry)
    assert plan.known_total.p50 == 1000.0
    assert (plan.contingency.low, plan.contingency.high) == (200.0, 300.0)


def test_areas_are_priced_by_the_square_metre(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold", prices=(price("ground paint", "m²", 10.0),)))
    assert plan.known_total.p50 == pytest.approx(10 * (4.0 * 2.5 - 1.0 * 2.0), abs=1e-9)


def test_unit_without_quantity_is_a_gap(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold", prices=(price("oil size", "tub", 55.0),)))
    line = next(line for line in plan.costs if line.item == "oil size")
    assert line.amount is None
    assert "no quantity in 'tub' is computed" in line.gap


def test_mixed_currencies_are_refused(plain_room, hop_cone):
    prices = (price("leaf", "book", 40.0), price("labour", "hour", 30.0, "GBP"))
    with pytest.raises(ValueError, match="Prices are in EUR, GBP"):
        planned(plain_room, hop_cone, WorksEntry(metal="gold", prices=prices))


def test_batches_fit_the_open_time(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold", crew=2, hours_per_day=7.0, lay_min=2.0))
    batch = {row.size.name: row for row in plan.batches}
    assert batch["oil size, 1 hour"].n_motifs == 42  # 2 · 1 h · 60 / 2 · 0.7, by hand
    assert batch["oil size, 1 hour"].n_batches == 3
    assert batch["oil size, 12 hours"].n_motifs == 294  # a working day at most


def test_take_off_of_another_layout_is_refused(plain_room, hop_cone):
    other = take_off(room([wall(["whole"], [1.0])], FORMS), hop_cone, WorksEntry(metal="gold"))
    with pytest.raises(ValueError, match="take-off counts 1 motifs and the layout 105"):
        plan_works(plain_room, other, WorksEntry(), rng=np.random.default_rng(0))


@pytest.mark.parametrize(("crew", "hours"), [(0, 7.0), (2, 0.0)])
def test_nobody_at_work_is_refused(plain_room, hop_cone, crew, hours):
    with pytest.raises(ValueError, match="all must be above 0"):
        planned(plain_room, hop_cone, WorksEntry(metal="gold", crew=crew, hours_per_day=hours))


def test_contingency_the_wrong_way_round(plain_room, hop_cone):
    with pytest.raises(ValueError, match=r"contingency of 0\.3 to 0\.2"):
        planned(plain_room, hop_cone, WorksEntry(metal="gold", contingency_ratio=(0.3, 0.2)))


def test_cautions_have_sources_and_defer(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold"))
    hazards = " ".join(caution.hazard for caution in plan.cautions)
    for word in (
        "Lead in old paint",
        "oil size",
        "Arsenic",
        "Silica",
        "Solvents",
        "rags",
        "height",
        "Historic",
    ):
        assert word in hazards
    assert all(caution.source for caution in plan.cautions)
    assert "licensed" in plan.deference


def test_same_seed_same_plan(plain_room, hop_cone):
    entry = WorksEntry(metal="gold", prices=(price("labour", "hour", 30.0),))
    one, two = planned(plain_room, hop_cone, entry, seed=9), planned(plain_room, hop_cone, entry, seed=9)
    assert one.labour_h.p50 == two.labour_h.p50
    assert one.known_total.p95 == two.known_total.p95


def test_shows_itself(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, WorksEntry(metal="gold"))
    assert repr(plan).startswith("WorksPlan(105 motifs")
    assert "no prices stated" in plan._repr_html_()
