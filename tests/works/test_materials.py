"""Materials from areas, and drops of paper, counted by hand on the room of `works_room`."""

import numpy as np
import pytest

from fragkit.survey import CoverageEntry, DropsEntry
from fragkit.survey.entries import PriceEntry, WorksEntry
from fragkit.works import count_drops, plan_works, take_off


def planned(layout, motif, **entry):
    works = WorksEntry(metal="gold", **entry)
    return plan_works(layout, take_off(layout, motif, works), works, rng=np.random.default_rng(3))


def need(plan, item):
    return next(one for one in plan.materials if one.item == item)


def test_stated_coverage_by_hand(plain_room, hop_cone):
    coverage = {"ground": CoverageEntry(m2_per_unit=(10.0, 10.0), unit="l", coats=2, waste_ratio=0.25)}
    found = need(planned(plain_room, hop_cone, coverage=coverage), "ground")
    # 4.0 × 2.5 m less a door of 1.0 × 2.0 m: 8 m², two coats, a quarter wasted, 10 m² a litre
    assert found.quantity == pytest.approx((2.0, 2.0, 2.0), abs=1e-9)
    assert (found.unit, found.source) == ("litre", "coverage as stated in the study")


def test_assumed_coverage_is_marked(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone)
    for item in ("size", "ground", "shadow colour", "tape", "sheets"):
        assert need(plan, item).source == "common practice, not confirmed by a source"
    # 103 shadows of 36 × 10 mm and 2 that take the motif's own, half wasted, 8 to 12 m² a litre (rectangular)
    area = 105 * 36 * 10 * 1e-6 * 1.5
    low, _, high = need(plan, "shadow colour").quantity
    assert (low, high) == pytest.approx((area / 11.8, area / 8.2), rel=0.01)


def test_tape_and_sheets_by_hand(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone)
    # edges 2 (4 + 2.5) + 2 (1 + 2) = 19 m and a tenth: one roll of 50 m; 4 m × 2 m of floor: one sheet
    assert need(plan, "tape").quantity == (1.0, 1.0, 1.0)
    assert need(plan, "sheets").quantity == (1.0, 1.0, 1.0)
    assert "19 m of edges" in need(plan, "tape").basis


def test_drops_by_hand():
    roll = DropsEntry(width_mm=530.0, length_mm=10050.0, trim_mm=100.0)
    assert count_drops(4000.0, 2500.0, roll) == (8, 3)  # ceil(4000/530), floor(10050/2600)
    lapped = DropsEntry(width_mm=530.0, length_mm=10050.0, trim_mm=100.0, lap_mm=30.0)
    assert count_drops(4030.0, 2500.0, lapped) == (8, 3)  # 8 · 500 + 30
    assert count_drops(4031.0, 2500.0, lapped) == (9, 3)


def test_rolls_for_the_room(plain_room, hop_cone):
    drops = DropsEntry(width_mm=530.0, length_mm=10050.0)
    price = PriceEntry(item="lining paper", unit="roll", price=12.0, currency="EUR")
    plan = planned(plain_room, hop_cone, drops=drops, prices=(price,))
    assert need(plan, "paper or canvas").quantity[1] == 3.0  # 8 drops, 3 a roll, a tenth spare: 2.93
    assert plan.known_total.p50 == 36.0


def test_paper_without_a_roll_is_a_gap(plain_room, hop_cone):
    found = need(planned(plain_room, hop_cone), "paper or canvas")
    assert found.quantity is None
    assert "[works.drops]" in found.basis


def test_impossible_rolls_are_refused():
    with pytest.raises(ValueError, match="too short for one drop of 2600 mm"):
        count_drops(4000.0, 2500.0, DropsEntry(width_mm=530.0, length_mm=2000.0))
    with pytest.raises(ValueError, match="lap_mm is 600"):
        count_drops(4000.0, 2500.0, DropsEntry(width_mm=530.0, length_mm=9000.0, lap_mm=600.0))


def test_litres_are_priced(plain_room, hop_cone):
    coverage = {"ground": CoverageEntry(m2_per_unit=(10.0, 10.0), coats=1, waste_ratio=0.0)}
    price = PriceEntry(item="ground paint", unit="l", price=30.0, currency="EUR")
    assert planned(plain_room, hop_cone, coverage=coverage, prices=(price,)).known_total.p50 == pytest.approx(24.0)
