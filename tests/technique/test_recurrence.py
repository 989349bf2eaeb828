"""The search for recurring flaws, part by part: chances, draws, and the likeness of white noise."""

import numpy as np
import placing_sets as sets
import pytest
from scipy.optimize import nnls
from scipy.stats import wishart
from statsmodels.api import OLS, add_constant

from fragkit.technique import find_recurrence, recurrence
from fragkit.technique.recurrence import (
    REACHES,
    _Alike,
    _correlations,
    _SeatTest,
    _shuffles,
    _strongest,
    _white,
    likeness,
    seats_of,
)


def test_chances_among_simulated_and_shuffled_steps():
    """Of ten simulated steps none reaches the real one (Gumbel's tail at 4.7 sds: exp -6.6), of ten shuffled five."""
    real, leads = np.array([3.0]), np.zeros(1)
    simulated = np.linspace(-1.0, 1.0, 10)[:, None]
    shuffled = np.array([-8.0, -8.0, -8.0, -4.0, -4.0, 4.0, 7.0, 7.0, 7.0, 7.0])[:, None]
    assert _strongest(real, simulated, shuffled, leads) == (
        0,
        pytest.approx((0.00135, (1 + 5) / 11), abs=2e-5),
    )


@pytest.mark.parametrize(
    ("copies", "chance"),
    [((5, 2), 0.08), ((4, 3), 0.04), ((5, 4), 0.04), ((7, 3), 0.06)],
    ids=["ten", "twelve", "twenty", "twenty-one"],
)
def test_few_copies_get_the_mean_chance_fewer_twice_it_and_many_that_of_shuffles(copies, chance, monkeypatch):
    """Raised where neighbours are alike: by the cube of how much less the trend leaves."""
    monkeypatch.setattr(recurrence, "_strongest", lambda *_: (0, (0.02, 0.06)))
    rng, sites = np.random.default_rng(4), sets.grid(*copies)
    columns = rng.standard_normal((copies[0], 50))[sites[:, 0]]
    for streaks in (0.0, 0.8):
        strays = streaks * columns + rng.standard_normal((len(sites), 50))
        seen, test = np.ones(strays.shape, bool), _SeatTest.of(sites, np.zeros(len(sites), int))
        values = test.values(_correlations(likeness(strays, seen))[1])
        trend = np.repeat(test.fit(values).trend[0], test.counts)
        left = np.sum((values[0] - trend) ** 2) / np.sum((values[0] - values.mean()) ** 2)
        assert left < 0.8 or not streaks
        found = find_recurrence(strays, seen, sites, rng=rng)
        assert found.p == pytest.approx(min(1.0, chance / left**3))


def test_a_chance_is_never_more_than_one(monkeypatch):
    monkeypatch.setattr(recurrence, "_strongest", lambda *_: (0, (0.9, 1.0)))
    rng, sites = np.random.default_rng(4), sets.grid(4, 2)
    strays = np.repeat(rng.standard_normal((4, 50)), 2, axis=0) + 0.3 * rng.standard_normal((8, 50))
    assert find_recurrence(strays, np.ones(strays.shape, bool), sites[np.lexsort(sites.T[::-1])], rng=rng).p == 1.0


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


@pytest.mark.parametrize(
    ("chances", "draws"),
    [((0.2, 0.0, 0.0), 19), ((5e-5, 0.0, 0.0), 19), ((0.02, 0.05, 0.0), 99), ((0.05, 0.001, 0.0), 99)]
    + [((0.02, 0.02, 0.2), 399)],
)
def test_doubtful_chances_rest_on_many_draws(chances, draws, monkeypatch):
    """Far from p = 0.01 a few draws do, within a factor of three of it many are made; the last ones count."""
    asked = []

    def strongest(_real, simulated, shuffled, _leads):
        asked.append((len(simulated), len(shuffled)))
        return 0, (chances[len(asked) - 1],) * 2

    monkeypatch.setattr(recurrence, "_strongest", strongest)
    monkeypatch.setattr(recurrence, "N_NULL", (19, 99, 399))
    sites = sets.grid(6, 4)
    strays = np.random.default_rng(5).standard_normal((24, 50))
    found = find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=np.random.default_rng(6))
    assert asked[-1] == (19, draws)  # of 24 copies the simulated ones only say how widely steps spread
    assert found.p == pytest.approx(chances[len(asked) - 1], rel=0.03)  # raised by what white noise leaves for a trend


def test_clearness_is_a_regression_on_equal_seats():
    """Slope over rms residual, by statsmodels, where likeness does not fall off with distance."""
    sites = sets.grid(8, 1)
    test = _SeatTest.of(sites, np.zeros(8, int))
    column = np.arange(8)
    table = np.random.default_rng(6).standard_normal((8, 8)) + 0.5 * np.abs(column[:, None] - column)
    first, second = test.pairs
    values = table[first, second]  # likeness that grows with distance, so that no falling term takes part
    fits = []
    for group in test.groups:
        seat = seats_of(sites, group)
        fits.append(OLS(values, add_constant((seat[first] == seat[second]).astype(float))).fit())
    least = np.sqrt(min(fit.ssr for fit in fits) / len(values))
    both = test.clearness(np.array([values, 7.0 * values]))
    assert np.ptp(test.fit(values[None]).trend) < 1e-12
    np.testing.assert_allclose(both[0], [fit.params[1] / least for fit in fits], rtol=0, atol=1e-9)
    np.testing.assert_allclose(both[1], both[0], rtol=0, atol=1e-9)


def test_trend_and_step_agree_with_a_fit_over_all_pairs():
    """Pair by pair, falls of weight 0 or more beside the clearest step, in damage that neighbours share."""
    sites, rng = sets.grid(7, 3), np.random.default_rng(9)
    apart = np.abs(sites[:, None] - sites)
    table = 0.3 * np.exp(-0.5 * (apart / [0.7, 2.5]) ** 2).prod(axis=2) + 0.4 * (apart[:, :, 0] % 2 == 0)
    table = table + (noise := 0.05 * rng.standard_normal((21, 21))) + noise.T
    test = _SeatTest.of(sites, np.zeros(21, int))
    columns, rows = apart[tuple(test.pairs)].T
    values = table[tuple(test.pairs)]
    falls = [np.exp(-0.5 * (columns / a) ** 2 - 0.5 * (rows / b) ** 2) for a in REACHES for b in REACHES][:-1]
    step = (columns % 2 == 0) - np.mean(columns % 2 == 0)
    design = np.column_stack([*(one - one.mean() for one in falls), step, -step])
    weights = nnls(design, values - values.mean())[0]
    trend = values.mean() + design[:, :-2] @ weights[:-2]
    fit = test.fit(values[None])
    height = step @ (values - trend) / (step @ step)
    left = np.mean((values - trend - height * step) ** 2)
    np.testing.assert_allclose(np.repeat(fit.trend[0], test.counts), trend, rtol=0, atol=1e-9)
    assert fit.steps[0, test.groups.index((2, 1))] == pytest.approx(height, abs=1e-9)
    assert fit.left[0] == pytest.approx(left, abs=1e-9)
    smooth, rest = test.taken_apart(table)
    np.testing.assert_allclose(smooth[tuple(test.pairs)], trend, rtol=0, atol=1e-9)
    np.testing.assert_allclose(rest[tuple(test.pairs)], values - trend - height * step, rtol=0, atol=1e-9)
    orders = np.array([np.arange(21)[::-1], rng.permutation(21)])
    dealt = [table[np.ix_(order, order)][tuple(test.pairs)] for order in orders]
    np.testing.assert_array_equal(test.shuffled(table, orders), dealt)


def test_of_few_pairs_the_trend_is_fitted_alone():
    rng, test = np.random.default_rng(12), _SeatTest.of(sets.grid(4, 2), np.zeros(8, int))
    values, root = rng.standard_normal(28), np.sqrt(test.counts)
    means = np.add.reduceat(values - values.mean(), np.r_[0, np.cumsum(test.counts)[:-1]]) / test.counts
    trend = values.mean() + test.terms @ nnls(root[:, None] * test.terms, root * means)[0]
    np.testing.assert_allclose(test.fit(values[None]).trend[0], trend, rtol=0, atol=1e-9)


def test_the_trend_leaves_the_step_alone():
    """A plate of one above the other and no trend: by falls alone copies of one row would seem to be alike."""
    sites = sets.grid(4, 6)
    test, seat = _SeatTest.of(sites, np.zeros(24, int)), sites[:, 1] % 2
    table = 0.3 * (seat[:, None] == seat)
    values, root = test.values(table)[0], np.sqrt(test.counts)
    means = np.add.reduceat(values - values.mean(), np.r_[0, np.cumsum(test.counts)[:-1]]) / test.counts
    alone = nnls(root[:, None] * test.terms, root * means)[0]
    assert np.ptp(test.terms @ alone) > 0.02
    smooth, rest = test.taken_apart(table)
    assert np.ptp(smooth[np.triu_indices(24, k=1)]) < 1e-9
    np.testing.assert_allclose(rest, 0.0, rtol=0, atol=1e-9)
    assert test.fit(values[None]).steps[0, test.groups.index((1, 2))] == pytest.approx(0.3)


def test_how_many_samples_are_independent_hardly_matters():
    """Of eight copies it is known to a quarter. Steps of half the samples are √2 as wide, their clearness is not."""
    test = _SeatTest.of(sets.grid(4, 2), np.zeros(8, int))
    widths = {}
    for n_samples in (20, 40):
        alike = _Alike(sizes_mm=np.ones(8), smooth=np.zeros((8, 8)), n_samples=n_samples)
        values = alike.simulated(test, 1500, np.random.default_rng(7))
        for name, found in (("steps", test.fit(values).steps), ("clearness", test.clearness(values))):
            widths[name, n_samples] = np.ptp(np.quantile(found.max(axis=1), [0.1, 0.9]))
    assert widths["steps", 20] / widths["steps", 40] == pytest.approx(np.sqrt(2.0), abs=0.12)  # a width's sd is 3 %
    assert widths["clearness", 20] / widths["clearness", 40] == pytest.approx(1.0, abs=0.12)


def test_as_many_samples_are_simulated_as_the_likeness_was_made_of():
    """Eight copies of 24 samples. The fit leaves less than the likeness strays, which would make 29 of them."""
    rng, test = np.random.default_rng(8), _SeatTest.of(sets.grid(4, 2), np.zeros(8, int))
    alike = _Alike(sizes_mm=np.ones(8), smooth=np.zeros((8, 8)), n_samples=24)
    left = test.fit(alike.simulated(test, 60, rng)).left
    matched = [_Alike.matching(test, alike.sizes_mm, alike.smooth, one, most=160, rng=rng).n_samples for one in left]
    assert 1.0 / np.mean(left) > 27.0
    assert 1.0 / np.mean(1.0 / np.array(matched)) == pytest.approx(24.0, rel=0.12)  # three sds of sixty draws


def test_what_is_weighed_some_sets_at_a_time_is_the_same(monkeypatch):
    test, rng = _SeatTest.of(sets.grid(4, 2), np.zeros(8, int)), np.random.default_rng(10)
    values = rng.standard_normal((50, test.pairs.shape[1]))
    monkeypatch.setattr(recurrence, "MOST_VALUES", 7 * test.pairs.shape[1])
    rows = iter(values)
    asked = []

    def draw(k):
        asked.append(k)
        return np.array([next(rows) for _ in range(k)])

    np.testing.assert_allclose(test.clearness_of(50, draw), test.clearness(values), rtol=0, atol=1e-12)
    assert asked == [7] * 7 + [1]


def test_shuffles_keep_copies_within_their_class():
    classes = np.array([0, 1, 0, 1, 1, 2])
    orders = _shuffles(classes, 300, np.random.default_rng(11))
    np.testing.assert_array_equal(classes[orders], np.tile(classes, (300, 1)))
    np.testing.assert_array_equal(np.sort(orders, axis=1), np.tile(np.arange(6), (300, 1)))
    assert len(np.unique(orders, axis=0)) == 2 * 6  # all orders of two and of three
