"""The search for recurring flaws, part by part: chances, draws, and the likeness of white noise."""

import numpy as np
import placing_sets as sets
import pytest
from scipy.stats import wishart
from statsmodels.api import OLS, add_constant

from fragkit.technique import find_recurrence, recurrence
from fragkit.technique.recurrence import N_NULL, _Alike, _correlations, _SeatTest, _strongest, _white, seats_of


def test_chances_among_simulated_and_shuffled_steps():
    """Of ten simulated steps none reaches the real one (Gumbel's tail at 4.7 sds: exp -6.6), of ten shuffled five."""
    real, leads = np.array([3.0]), np.zeros(1)
    simulated = np.linspace(-1.0, 1.0, 10)[:, None]
    shuffled = np.array([-8.0, -8.0, -8.0, -4.0, -4.0, 4.0, 7.0, 7.0, 7.0, 7.0])[:, None]
    assert _strongest(real, simulated, shuffled, leads) == (
        0,
        pytest.approx((0.00135, (1 + 5) / 11), abs=2e-5),
    )


@pytest.mark.parametrize(("copies", "kept"), [((5, 4), sum), ((7, 3), np.mean)], ids=["twenty", "twenty-one"])
def test_few_copies_get_twice_the_mean_chance_and_many_the_mean(copies, kept, monkeypatch):
    monkeypatch.setattr(recurrence, "_strongest", lambda *_: (0, (0.2, 0.6)))
    rng, sites = np.random.default_rng(4), sets.grid(*copies)
    strays = rng.standard_normal((len(sites), 50))
    found = find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng)
    assert found.p == pytest.approx(kept([0.2, 0.6]))
    monkeypatch.setattr(recurrence, "_strongest", lambda *_: (0, (0.7, 0.8)))
    assert find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng).p <= 1.0


def test_larger_groups_must_lead():
    real, nulls = np.array([2.5, 3.0]), np.random.default_rng(1).standard_normal((2, 400, 2))
    assert _strongest(real, *nulls, np.array([0.0, 0.0]))[0] == 1
    assert _strongest(real, *nulls, np.array([0.0, 2.0]))[0] == 0


@pytest.mark.parametrize("n_samples", [3, 9], ids=["fewer samples than copies", "more"])
def test_likeness_of_white_noise(n_samples):
    """Mean, variances and determinant of sums of products; of many samples as scipy draws them, too."""
    rng = np.random.default_rng(2)
    tables = np.array([(one := _white(5, n_samples, rng)) @ one.T for _ in range(4000)])
    np.testing.assert_allclose(tables.mean(axis=0), n_samples * np.eye(5), rtol=0, atol=0.35)  # five sds of a mean
    assert tables[:, 4, 4].var() == pytest.approx(2.0 * n_samples, rel=0.15)
    assert tables[:, 1, 4].var() == pytest.approx(n_samples, rel=0.15)
    if n_samples > 5:
        drawn = wishart(n_samples, np.eye(5)).rvs(4000, random_state=rng)
        ours, theirs = (np.linalg.slogdet(one)[1].mean() for one in (tables, drawn))
        assert ours == pytest.approx(theirs, abs=0.15)  # its sd is 1.4: five sds of the difference


def test_doubtful_chances_rest_on_many_draws():
    """Flaws that are just found: p is a count of a thousand, not of two hundred."""
    rng, sites = np.random.default_rng(5), sets.grid(6, 4)
    doubtful = []
    for _ in range(8):
        strays = 0.15 * rng.standard_normal((2, 100))[sites[:, 0] % 2] + rng.standard_normal((24, 100))
        p = find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng).p
        doubtful += [p] if 0.002 < p < 0.09 else []
    counts = np.array(doubtful) * (1 + N_NULL)
    assert len(counts) >= 2
    np.testing.assert_allclose(2.0 * counts, np.round(2.0 * counts), rtol=0, atol=1e-6)  # a mean of two counts
    assert np.any(np.abs(counts / 2.5 - np.round(counts / 2.5)) > 0.1)  # two hundred draws give multiples of 2.5


def test_clearness_is_a_regression_on_equal_seats():
    """Slope over rms residual, by statsmodels, where likeness does not fall off with distance."""
    sites = sets.grid(8, 1)
    test = _SeatTest.of(sites, np.zeros(8, int))
    column = np.arange(8)
    table = np.random.default_rng(6).standard_normal((8, 8)) + 0.1 * np.abs(column[:, None] - column)
    first, second = test.pairs
    values = table[first, second]  # likeness that grows with distance, so that no falling term takes part
    fits = []
    for group in test.groups:
        seat = seats_of(sites, group)
        fits.append(OLS(values, add_constant((seat[first] == seat[second]).astype(float))).fit())
    least = np.sqrt(min(fit.ssr for fit in fits) / len(values))
    assert np.ptp(test.fall(values)) == 0.0
    np.testing.assert_allclose(test.clearness(table), [fit.params[1] / least for fit in fits], rtol=0, atol=1e-9)
    np.testing.assert_allclose(test.clearness(7.0 * table), test.clearness(table), rtol=0, atol=1e-9)


def test_how_many_samples_are_independent_hardly_matters():
    """Of eight copies it is known to a quarter. Steps of half the samples are √2 as wide, their clearness is not."""
    test = _SeatTest.of(sets.grid(4, 2), np.zeros(8, int))
    widths = {}
    for n_samples in (20, 40):
        alike = _Alike(sizes_mm=np.ones(8), smooth=np.zeros((8, 8)), n_samples=n_samples)
        tables = list(alike.simulated(1500, np.random.default_rng(7)))
        for measure in (test.steps, test.clearness):
            best = np.array([measure(_correlations(one)[1]) for one in tables]).max(axis=1)
            widths[measure.__name__, n_samples] = np.quantile(best, 0.9) - np.quantile(best, 0.1)
    assert widths["steps", 20] / widths["steps", 40] == pytest.approx(np.sqrt(2.0), abs=0.12)  # a width's sd is 3 %
    assert widths["clearness", 20] / widths["clearness", 40] == pytest.approx(1.0, abs=0.12)


def test_as_many_samples_are_simulated_as_the_likeness_was_made_of():
    """Eight copies of 24 samples. The fit leaves less than the likeness strays, which would make 29 of them."""
    rng, test = np.random.default_rng(8), _SeatTest.of(sets.grid(4, 2), np.zeros(8, int))
    alike = _Alike(sizes_mm=np.ones(8), smooth=np.zeros((8, 8)), n_samples=24)
    left = [test.mean_square(_correlations(one)[1]) for one in alike.simulated(60, rng)]
    matched = [_Alike.matching(test, alike.sizes_mm, alike.smooth, one, most=160, rng=rng).n_samples for one in left]
    assert 1.0 / np.mean(left) > 27.0
    assert 1.0 / np.mean(1.0 / np.array(matched)) == pytest.approx(24.0, rel=0.12)  # three sds of sixty draws
