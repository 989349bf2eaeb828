import numpy as np
import pytest
from works_room import oblong, room, wall

from fragkit.survey.entries import PriceEntry, WorksEntry
from fragkit.works import SIZES, find_size, height_ratio, lifts_of, plan_works, take_off, weeks

FORMS = {"whole": {"metal": (oblong(36, 36),)}}


def planned(layout, motif, **entry):
    works = WorksEntry(metal="gold", **entry)
    return plan_works(layout, take_off(layout, motif, works), works, rng=np.random.default_rng(2))


def test_lifts_by_hand():
    assert lifts_of([0, 1800, 1801, 3800, 3801, 5800]).tolist() == [0, 0, 1, 1, 2, 2]
    assert lifts_of([2500], reach_mm=2000, lift_mm=250).tolist() == [2]


def test_height_costs_five_percent_for_each_twelve_feet():
    """Hints for Painters, Decorators and Paper-Hangers (19th century): 5 % a storey of 12 ft, inside."""
    assert height_ratio([-50, 0, 3657, 3658, 7316]).tolist() == pytest.approx([1, 1, 1, 1.05, 1.10])


def test_programme_runs_wall_by_wall_from_the_top(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone)
    assert [(one.wall, one.lift) for one in plan.programme] == [("north", 1), ("north", 0)]
    # heights from 100 to 2400 mm at 105 even heights: 77 are at 1800 mm or below (by hand)
    assert [one.n_motifs for one in plan.programme] == [28, 77]
    assert plan.programme[0].begin_day == (0.0, 0.0, 0.0)
    assert plan.programme[0].end_day[1] == pytest.approx(plan.days.p50 * 28 / 105, rel=1e-9)
    assert plan.programme[1].begin_day == plan.programme[0].end_day
    assert plan.programme[1].end_day[2] == pytest.approx(plan.days.p95, rel=1e-9)


def test_high_walls_take_longer(hop_cone):
    low, high = (wall(["whole"] * 100, [1.0] * 100) for _ in range(2))
    high.xy_mm = high.xy_mm + [0, 4000]
    plans = [planned(room([one], FORMS), hop_cone, minutes_per_motif=(9.0, 9.0)) for one in (low, high)]
    assert plans[0].basis == "stated range"
    assert plans[0].labour_h.p50 == pytest.approx(15.0, abs=1e-9)
    assert plans[1].labour_h.p50 == pytest.approx(15.75, abs=1e-9)


def test_no_motifs_no_programme(hop_cone):
    assert planned(room([wall([], [])], FORMS), hop_cone).programme == ()


@pytest.mark.parametrize(("days", "number"), [(0.2, 1), (5.0, 1), (5.1, 2), (25, 5)])
def test_weeks(days, number):
    assert weeks(days) == number


@pytest.mark.parametrize(
    ("name", "index"), [("oil size, 3 hours", 1), ("3 h oil", 1), ("oil size 12 h", 2), ("water-based", 3)]
)
def test_size_by_its_name(name, index):
    assert find_size(name) is SIZES[index]


@pytest.mark.parametrize("name", ["oil size", "varnish", ""])
def test_unclear_sizes_are_refused(name):
    with pytest.raises(ValueError, match="name one of 'oil size, 1 hour'"):
        find_size(name)


def test_open_time_tried_on_site_counts(plain_room, hop_cone):
    plan = planned(plain_room, hop_cone, size="oil 3 h", open_h=(1.5, 2.0), crew=2, lay_min=2.0)
    (chosen,) = (batch for batch in plan.batches if batch.chosen)
    assert chosen.n_motifs == 63  # 2 · 1.5 h · 60 / 2 min · 0.7, by hand
    assert chosen.size.source == "tried on site"
    bare = planned(plain_room, hop_cone, open_h=(1.5, 2.0), crew=2, lay_min=2.0).batches[0]
    assert (bare.size.name, bare.n_motifs, bare.chosen) == ("size as tried on site", 63, True)


def test_slow_size_can_hold_the_job_up(hop_cone):
    plain = room([wall(["whole"] * 900, [1.0] * 900)], FORMS)
    slow = planned(plain, hop_cone, size="oil 12 h", open_h=(0.5, 0.5), minutes_per_motif=(2.0, 2.0))
    assert any("one batch a day" in note for note in slow.notes)


def test_range_and_own_quantity_of_a_price(plain_room, hop_cone):
    prices = (
        PriceEntry(item="setting-out", unit="day", price=290.0, currency="EUR", quantity=6.0),
        PriceEntry(item="labour", unit="hour", price=38.0, currency="EUR", low=30.0, high=48.0),
    )
    plan = planned(plain_room, hop_cone, prices=prices, minutes_per_motif=(9.0, 9.0))
    fixed, hours = 6 * 290, 105 * 9 / 60
    assert plan.known_total.p05 == pytest.approx(fixed + hours * 30, rel=0.005)
    assert plan.known_total.p95 == pytest.approx(fixed + hours * 48, rel=0.005)
    assert plan.known_total.drivers[0] == ("price of labour", pytest.approx(1.0, abs=0.02))
    assert not any("setting-out" in gap for gap in plan.gaps)
