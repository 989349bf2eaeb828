"""The forecast against walls set out by an independent account of tape, laser and hand."""

import re

import numpy as np
import pytest
from forecast_truth import run_wall

from fragkit.layout import lay_out
from fragkit.setting_out import Instruments, set_out
from fragkit.setting_out.forecast import CHAINED_STEP_SD_MM, forecast_wall


@pytest.fixture
def wall(make_wall, make_repeat, make_motif):
    return lay_out([make_wall(width=2400.0, height=1300.0, fall=14.0)], make_repeat(149.7, 130.3), make_motif()).walls[
        0
    ]


def test_the_stated_figures_hold_in_95_of_100_walls(wall):
    stated = forecast_wall(wall, Instruments(), rng=np.random.default_rng(3))
    rng = np.random.default_rng(4)
    runs = np.array([run_wall(wall, rng) for _ in range(400)])
    shares = (runs <= [stated.worst_mm, stated.waviness_mm]).mean(axis=0)
    # 0.035: three standard errors of a share of 0.95 in 400 walls
    np.testing.assert_allclose(shares, 0.95, rtol=0, atol=0.035)


def test_chained_marks_wander_as_the_square_root_of_their_number(make_wall, make_repeat, make_motif):
    """One row of 40 steps by hand: 0.5 mm √40 = 3.2 mm (the published chain), so 1.96 times that holds 95 of 100."""
    layout = lay_out([make_wall(width=6150.0, height=150.0)], make_repeat(150.0, 130.0, 0.0), make_motif())
    wall = layout.walls[0]
    stated = forecast_wall(wall, Instruments(), rng=np.random.default_rng(1))
    assert stated.chained_mm == pytest.approx(CHAINED_STEP_SD_MM * np.sqrt(wall.n_motifs - 1), abs=1e-9)
    chained = next(one for one in stated.methods if one.name == "chained")
    rng = np.random.default_rng(2)
    ends = np.hypot(*rng.normal(0, 0.5, (2, 4000, wall.n_motifs - 1)).cumsum(axis=2)).max(axis=1)
    # random steps alone are the least it can be; a gauge 0.2 mm wrong adds up to 0.2 mm × 40 to it
    assert np.quantile(ends, 0.95) - 0.6 < chained.worst_mm < np.quantile(ends, 0.95) + 0.2 * wall.n_motifs


def test_running_beats_laser_beats_chain_on_a_long_wall(wall):
    worst = {one.name: one.worst_mm for one in forecast_wall(wall, Instruments(), rng=np.random.default_rng(1)).methods}
    assert worst["running"] < worst["laser"] < worst["chained"]


def test_a_better_tape_and_laser_give_a_better_forecast(wall):
    usual = forecast_wall(wall, Instruments(), rng=np.random.default_rng(1))
    fine = forecast_wall(wall, Instruments(tape_class="I", laser_mm_per_m=0.1), rng=np.random.default_rng(1))
    assert fine.worst_mm < usual.worst_mm
    # the band is made by the hand and by rounding, whatever the tape
    assert fine.waviness_mm == pytest.approx(usual.waviness_mm, abs=0.05)


def test_the_words_name_all_three_ways_with_their_figures(make_wall, make_repeat, make_motif):
    forecast = set_out(lay_out([make_wall()], make_repeat(), make_motif())).walls[0].forecast
    assert f"within {forecast.worst_mm:.1f} mm" in forecast.words
    assert f"band {forecast.waviness_mm:.1f} mm wide" in forecast.words
    assert re.search(
        r"hand-held laser instead of the tape \d+\.\d mm; stepped one from the next \d+ mm", forecast.words
    )
