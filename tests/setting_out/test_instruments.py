"""Limits of tapes and lasers, and how errors add up, against published figures."""

import numpy as np
import pytest

from fragkit.setting_out import (
    chained_error_mm,
    facing_walls_limit_mm,
    heat_error_mm,
    plumb_bob_period_s,
    read_instruments,
    tape_limit_mm,
)
from fragkit.setting_out.instruments import tape_limits_mm


@pytest.mark.parametrize(
    ("tape_class", "length_m", "limit_mm"),
    [
        ("I", 5, 0.6),
        ("II", 5, 1.3),
        ("III", 5, 2.6),
        ("I", 10, 1.1),
        ("II", 10, 2.3),
        ("III", 10, 4.6),
    ],
)
def test_tape_classes(tape_class, length_m, limit_mm):
    """Makers' tables of Directive 2014/32/EU annex X (MI-008): class I, II, III at 5 and 10 m."""
    assert tape_limit_mm(1000.0 * length_m, tape_class=tape_class) == pytest.approx(limit_mm, abs=1e-9)


def test_a_tape_limit_counts_whole_metres_and_not_the_sign():
    assert tape_limit_mm(4000.0) == tape_limit_mm(3000.1) == tape_limit_mm(-3500.0)
    assert tape_limit_mm(4000.1) > tape_limit_mm(4000.0)
    with pytest.raises(ValueError, match="must be I, II or III"):
        tape_limit_mm(1000.0, tape_class="IV")


@pytest.mark.parametrize(
    ("n", "random_05", "systematic_02", "systematic_05"),
    [(10, 1.6, 2, 5), (40, 3.2, 8, 20), (60, 3.9, 12, 30), (100, 5.0, 20, 50)],
)
def test_chained_steps_add_up(n, random_05, systematic_02, systematic_05):
    """√n and n times the step (computed); against running, class II: ±1.5 mm at 6 m."""
    random, systematic = chained_error_mm(n, random_mm=0.5, systematic_mm=0.2)
    assert random == pytest.approx(random_05, abs=0.05)
    assert systematic == pytest.approx(systematic_02, abs=1e-9)
    assert chained_error_mm(n, systematic_mm=0.5)[1] == pytest.approx(systematic_05, abs=1e-9)
    assert tape_limit_mm(6000.0) == pytest.approx(1.5, abs=1e-9)


def test_chained_steps_by_simulation():
    rng = np.random.default_rng(1)
    ends = rng.normal(0, 0.5, (4000, 60)).sum(axis=1)
    # 3 % of 3.9 mm: three standard errors of the standard deviation of 4000 sums
    assert ends.std() == pytest.approx(chained_error_mm(60, random_mm=0.5)[0], abs=0.13)


def test_a_laser_of_03_mm_per_m_may_show_3_mm_between_walls_5_m_apart():
    """A maker's check on two facing walls: 2 × 5 m × 0.3 mm/m."""
    assert facing_walls_limit_mm(5.0) == pytest.approx(3.0, abs=1e-12)


def test_a_warm_tape():
    """6 m at 10 K above 20 °C: 0.7 mm (steel, 11.5 µm/m·K; from memory)."""
    assert heat_error_mm(6000.0, over_20_deg_c=10.0) == pytest.approx(0.7, abs=0.02)


def test_instruments_are_read_from_words_and_assumed_without():
    stated = read_instruments(["steel tape class i", "cross-line laser 0.2 mm/m"])
    assert (stated.tape_class, stated.laser_mm_per_m, stated.stated) == ("I", 0.2, True)
    assumed = read_instruments([])
    assert "assumed" in assumed.words
    with pytest.raises(ValueError, match="the classes are I, II and III"):
        read_instruments(["tape class 4"])


@pytest.mark.parametrize(("length_m", "period_s"), [(1, 2.0), (2, 2.8), (3, 3.5)])
def test_a_plumb_bob_swings_as_published(length_m, period_s):
    """Surveyors' notes on plumbing: 2.0, 2.8 and 3.5 s at 1, 2 and 3 m, given to 0.1 s."""
    assert plumb_bob_period_s(length_m) == pytest.approx(period_s, abs=0.051)


def test_one_running_read_of_every_published_length():
    """Class II against the chain: ±1.5 mm at 6 m, ±2.3 at 10 m, and 0.3 + 0.2 L between (2014/32/EU, annex X)."""
    lengths = np.array([400.0, 1000.0, 1000.1, 6000.0, 10_000.0])
    np.testing.assert_allclose(tape_limits_mm(lengths), [0.5, 0.5, 0.7, 1.5, 2.3], rtol=0, atol=1e-9)
