"""Round lengths in historic units, and how often they fit by accident."""

import numpy as np
import pytest

from fragkit import round_lengths


def test_six_inches_by_hand():
    """151.9 to 152.9 mm: 6 in is 152.4; a width of 1 mm on steps of 25.4, 27.07 and 26.15 mm fits in 11 of 100."""
    (found,) = round_lengths((151.9, 152.9))
    assert (found.unit, found.n_units) == ("inch", 6.0)
    assert found.length_mm == pytest.approx(152.4, abs=1e-9)
    by_hand = 1.0 - (1 - 1 / 25.4) * (1 - 1 / 27.06995) * (1 - 1 / 26.15417)
    assert found.chance == pytest.approx(by_hand, abs=1e-6)
    assert "by accident in 11 of 100 cases" in found.text


def test_three_pouces_and_no_inch():
    """The pouce is 27.06995 mm (metre of 443.296 lignes, 1799)."""
    (found,) = round_lengths((80.9, 81.5))
    assert (found.unit, found.n_units) == ("pouce (France)", 3.0)
    assert found.length_mm == pytest.approx(3 * 27.06995, abs=1e-4)


def test_the_stated_chance_is_how_often_it_happens():
    """Simulated: intervals of 0.6 mm laid anywhere between 50 and 150 mm; sd of a share of 4000 is 0.004."""
    rng = np.random.default_rng(4)
    starts = rng.uniform(50.0, 150.0, 4000)
    chances = [found[0].chance for low in starts if (found := round_lengths((low, low + 0.6)))]
    whole = np.mean([chance < 0.08 for chance in chances]) * len(chances) / len(starts)
    assert whole == pytest.approx(min(chances), abs=0.015)


def test_a_wide_interval_gives_no_remark_and_a_bad_one_is_refused():
    assert round_lengths((70.0, 95.0)) == ()
    with pytest.raises(ValueError, match="must rise"):
        round_lengths((80.0, 79.0))
