"""Metals over fifty years and the price at which the choice flips: counted by hand."""

import numpy as np
import pytest

from fragkit.survey.entries import PriceEntry, WorksEntry
from fragkit.works import plan_works, take_off, times_done


def price(item, unit, amount, **more):
    return PriceEntry(item=item, unit=unit, price=amount, currency="EUR", **more)


def planned(layout, motif, **entry):
    works = WorksEntry(spoilage_ratio=0.0, reserve_ratio=0.0, margin_mm=3.0, **entry)
    return plan_works(layout, take_off(layout, motif, works), works, rng=np.random.default_rng(4))


# by hand, margin 3: 103 pieces of 42 mm and 2 of 42 × 26 mm
# gold 80 mm: 103 + 1 leaves, 5 books; silver 95 mm: 4 from a leaf, 25 leaves, 3 and 2 left over share one: 27, 2 books
GOLD, SILVER = price("gold leaf", "book", 40.0), price("silver leaf", "book", 25.0)


@pytest.mark.parametrize(("life", "times"), [(50, 1), (60, 1), (49.9, 2), (25, 2), (24.9, 3), (10, 5), (1, 50)])
def test_times_done_in_fifty_years(life, times):
    assert times_done(np.array([life]))[0] == times


def test_cost_over_fifty_years_by_hand(plain_room, hop_cone):
    plan = planned(
        plain_room,
        hop_cone,
        metal="silver",
        prices=(GOLD, SILVER, price("scaffold", "job", 300.0), price("ground", "job", 1000.0)),
        life_years={"silver": (10.0, 10.0), "gold": (60.0, 60.0)},
    )
    rows = {row.metal: row for row in plan.metals}
    assert rows["silver"].leaf.p50 == 50.0
    assert rows["silver"].n_renewals == (4.0, 4.0, 4.0)
    # each time leaf and scaffold; the ground is not laid again
    assert rows["silver"].over_horizon.p50 == 5 * (50 + 300)
    assert rows["gold"].over_horizon.p50 == 200 + 300
    # the sum of the work itself holds silver, not gold
    assert plan.known_total.p50 == 50 + 300 + 1000


def test_no_assumption_is_a_gap(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, metal="silver", prices=(SILVER,), life_years={"gold": (60.0, 60.0)})
    rows = {row.metal: row for row in plan.metals}
    assert set(rows) == {"silver", "gold"}
    assert (rows["silver"].over_horizon, rows["silver"].gap) == (None, "no life assumed")
    assert (rows["gold"].leaf, rows["gold"].over_horizon, rows["gold"].gap) == (None, None, "no price of leaf stated")


def test_flip_of_the_first_cost_by_hand(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, metal="silver", prices=(GOLD, SILVER))
    (flip,) = plan.flips
    # 2 books of silver cost as much as 5 of gold at 40 when a book of silver is at 100
    assert flip.flip_price == (100.0, 100.0, 100.0)
    assert flip.over_years is None
    assert flip.words.startswith("silver and gold cost the same in leaf for the first time when silver leaf is at 100")
    assert "today's 25 is below that" in flip.words


def test_flip_over_fifty_years_by_hand(plain_room, hop_cone):
    lives = {"silver": (25.0, 25.0), "gold": (60.0, 60.0)}
    cheap = planned(
        plain_room, hop_cone, metal="silver", prices=(GOLD, SILVER, price("scaffold", "job", 50.0)), life_years=lives
    )
    # 2 (2 p + 50) = 200 + 50: p = 37.5
    assert cheap.flips[0].flip_price == (37.5, 37.5, 37.5)
    assert cheap.flips[0].over_years == 50.0
    dear = planned(
        plain_room, hop_cone, metal="silver", prices=(GOLD, SILVER, price("scaffold", "job", 300.0)), life_years=lives
    )
    # 2 · 300 alone is more than 200 + 300
    assert dear.flips[0].flip_price is None
    assert "Even with its leaf for nothing, silver costs more than gold over 50 years always" in dear.flips[0].words


def test_life_and_price_ranges_widen_the_cost(plain_room, hop_cone):
    plan = planned(
        plain_room,
        hop_cone,
        metal="silver",
        prices=(price("silver leaf", "book", 25.0, low=20.0, high=32.0), GOLD),
        life_years={"silver": (8.0, 20.0), "gold": (60.0, 60.0)},
    )
    silver = next(row for row in plan.metals if row.metal == "silver")
    assert silver.n_renewals == (2.0, 3.0, 6.0)  # ceil(50 / 20) - 1, ceil(50 / √160) - 1, ceil(50 / 8) - 1
    assert silver.over_horizon.p95 > 2 * silver.over_horizon.p05
    low, _, high = plan.flips[0].flip_price
    assert low < high
