"""Suspicious regularity, change points, known lengths, two areas compared."""

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import placing_sets as sets
import pytest
from scipy.stats import multivariate_normal
from statsmodels.stats.multitest import multipletests

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, fit_row
from fragkit.technique import compare_areas, false_discoveries, find_changes, find_trade_lengths, map_regularity
from fragkit.technique.changes import STEP_RATIOS, _WeighedHand
from fragkit.technique.discoveries import tail_chance
from fragkit.technique.handwork import HAND_SCATTERS, hand_work, with_shuffles
from fragkit.technique.likelihoods import rank_gain
from fragkit.technique.regularity import _merge, _Search

REFERENCE = Path(__file__).parents[1] / "reference"
NET = np.array([sets.ACROSS, sets.DOWN])


def _lattice(sites, moved, sd, rng, net=NET):
    xy = sites * net + moved + sd * rng.standard_normal(moved.shape)
    return fit_lattice((xy, np.tile(np.eye(2) * sd**2, (len(sites), 1, 1)), sites))


def patched_wall(rng, *, patch=True, scatter=None, one_plate=False):
    """A freehand wall of 12 × 9, a fifth lost; in it 5 × 4 motifs by a plate. Lattice, and sites of the patch."""
    sites = sets.grid(12, 9)
    scatter = 1.4 * np.exp(0.6 * rng.standard_normal()) if scatter is None else scatter
    moved = sets.displaced("hand", sites, scatter, rng)
    corner = np.array([rng.integers(8), rng.integers(6)])
    inside = np.all((sites >= corner) & (sites < corner + [5, 4]), axis=1) & patch
    if patch:
        size = (5, 4) if one_plate else sets.SIZES[1 + rng.integers(11)]
        moved[inside] = sets.displaced("plate", sites[inside] - corner * one_plate, scatter, rng, size=size)
    seen = rng.random(len(sites)) > 0.2
    lattice = _lattice(sites[seen], moved[seen], rng.uniform(0.15, 0.5), rng)
    return lattice, {tuple(site) for site in sites[inside & seen].tolist()}


def _hits(areas, patch):
    """Areas that lie in the patch for the greater part."""
    return [a for a in areas if len({tuple(site) for site in a.index.tolist()} & patch) > 0.5 * len(a.index)]


def test_the_published_fifteen_p_values():
    """Benjamini and Hochberg (1995), section 4: four of fifteen stand at 5 %."""
    published = json.loads((REFERENCE / "multiple_testing/benjamini_hochberg_1995.json").read_text())
    p = np.array(published["p_values"])
    assert false_discoveries(p, rate=published["alpha"]).sum() == published["published"]["bh_rejected"] == 4
    shuffled = np.random.default_rng(0).permutation(len(p))
    np.testing.assert_array_equal(false_discoveries(p[shuffled]), false_discoveries(p)[shuffled])


def test_discoveries_agree_with_statsmodels():
    rng = np.random.default_rng(2)
    for n in (1, 7, 60):
        p = rng.uniform(size=n) ** 3
        for rate in (0.01, 0.05, 0.3):
            np.testing.assert_array_equal(false_discoveries(p, rate=rate), multipletests(p, rate, "fdr_bh")[0])
    assert false_discoveries([]).shape == (0,)


@pytest.mark.parametrize(("p", "rate", "message"), [([2.0], 0.05, "from 0 to 1"), ([0.5], 1.0, "rate is 1.0")])
def test_bad_p_values_are_refused(p, rate, message):
    with pytest.raises(ValueError, match=message):
        false_discoveries(p, rate=rate)


def test_chances_beyond_all_simulated_values_are_read_off_their_tail():
    """Exponential values, whose tail is known; a share where ten reach the value, and for few values."""
    rng = np.random.default_rng(3)
    values = rng.exponential(1.0, 3000)
    assert tail_chance(9.0, values) == pytest.approx(np.exp(-9.0), rel=0.6)  # 300 in the tail: exponent to 6 %
    assert tail_chance(50.0, values) == pytest.approx(1 / 30000)
    assert tail_chance(1.0, values) == (1 + np.sum(values >= 1.0)) / 3001
    assert tail_chance(50.0, values[:60]) == 1 / 61


def test_a_stencilled_patch_is_found_and_hand_work_left_alone():
    rng = np.random.default_rng(11)
    found = 0
    for _ in range(2):
        lattice, patch = patched_wall(rng, scatter=1.4)
        areas = map_regularity(lattice, rng=rng)
        found += bool(_hits(areas, patch))
        for area in areas:
            assert area.p < 0.05
            assert f"{len(area.index)} motifs" in area.words
            assert area.outline_mm.shape[1] == 2
    assert found == 2  # nine in ten are found; both of these
    assert map_regularity(patched_wall(rng, patch=False)[0], rng=rng) == ()


def test_a_fragment_is_judged_by_all_its_neighbourhoods_and_the_clearest_stands():
    """By hand: two neighbourhoods of a share of 0.9 with ratios 30 and 2 give 0.45 x 32 = 14.4."""
    windows = [np.arange(3), np.arange(2, 5)]
    simulated = np.log(np.linspace(0.01, 50.0, 400)).reshape(2, 200)
    search = _Search(windows, np.column_stack([np.log([30.0, 2.0]), simulated]), 0.9)
    assert np.exp(search.mean[0]) == pytest.approx(14.4)
    assert list(search.standing(0.05, clearest=np.inf)) == []  # four in ten simulated ones are as clear
    ((members, log_ratio, p),) = search.standing(0.05, clearest=search.weighted.max(axis=0)[0])
    np.testing.assert_array_equal(members, windows[0])
    assert log_ratio == pytest.approx(np.log(30.0))
    assert p == pytest.approx(0.4, abs=0.01)


def test_shuffled_walls_deal_out_the_errors_of_the_wall():
    """Measured alike: the very errors, at other motifs, the net taken off again by least squares."""
    rng, sites = np.random.default_rng(12), sets.grid(6, 5)
    work = hand_work(
        _lattice(sites, sets.displaced("hand", sites, 1.0, rng, heavy=True), 0.2, rng), n_simulated=0, rng=rng
    )
    walls = with_shuffles(work, n_shuffles=20, rng=np.random.default_rng(13)).offsets_mm
    errors, again = work.offsets_mm[:, 0].reshape(-1, 2), np.random.default_rng(13)
    design = np.column_stack([np.ones(30), sites])
    np.testing.assert_allclose(walls[:, 0], work.offsets_mm[:, 0], rtol=0, atol=1e-9)  # mm
    for wall in walls.T[1:]:
        dealt = np.sqrt(30 / 27) * errors[again.permutation(30)]
        left = dealt - design @ np.linalg.lstsq(design, dealt, rcond=None)[0]
        np.testing.assert_allclose(wall.reshape(-1, 2), left, rtol=0, atol=1e-9)  # mm


def test_shuffled_walls_stray_most_where_the_wall_is_measured_worst():
    """Seven motifs measured to 3 mm, the others to 0.1 mm, by a hand of 0.3 mm: walls stray as stated."""
    rng, sites = np.random.default_rng(14), sets.grid(10, 8)
    sd = np.where(np.arange(80) % 13 == 0, 3.0, 0.1)
    xy = sites * NET + np.hypot(0.3, sd)[:, None] * rng.standard_normal((80, 2))
    work = hand_work(fit_lattice((xy, sd[:, None, None] ** 2 * np.eye(2), sites)), n_simulated=0, rng=rng)
    walls = with_shuffles(work, n_shuffles=199, rng=rng).offsets_mm[:, 1:].reshape(80, 2, -1)
    far = np.sqrt(np.mean(walls**2, axis=(1, 2)))
    stated = np.hypot(0.3, sd)
    assert work.scatter_mm == pytest.approx(0.3, abs=0.05)  # 74 motifs tell it to a twelfth
    assert np.median(far[sd > 1.0] / stated[sd > 1.0]) == pytest.approx(1.0, abs=0.15)
    assert np.median(far[sd < 1.0] / stated[sd < 1.0]) == pytest.approx(1.0, abs=0.15)


def test_a_neighbourhood_widens_an_area_only_by_what_it_does_not_share():
    """Four in five of its motifs lie in an area of log ratio 20: hand work beside it leaves 16, ten times 18.3."""
    clearest, beside, elsewhere = np.arange(20), np.arange(4, 24), np.arange(40, 60)
    for log_ratio, members in ((18.2, clearest), (18.4, np.arange(24))):
        found = [(beside, log_ratio, 0.01), (elsewhere, 7.0, 0.02), (clearest, 20.0, 0.001)]
        (area, p), (other, _) = _merge(found)
        np.testing.assert_array_equal(area, members)
        assert p == 0.001
        np.testing.assert_array_equal(other, elsewhere)


def test_work_stepped_off_is_not_called_suspicious():
    """Neighbours that follow each other are regular near by, and yet hand work."""
    rng = np.random.default_rng(12)
    flagged = 0
    for _ in range(2):
        sites = sets.grid(9, 6)
        lattice = _lattice(sites, sets.displaced("stepped", sites, 1.0, rng), 0.3, rng)
        flagged += bool(map_regularity(lattice, rng=rng))
    assert flagged <= 1


@pytest.mark.benchmark
def test_benchmark_of_regularity():
    rng = np.random.default_rng(41)
    for name, one_plate, scatter in (("one plate of 5 × 4", True, None), ("plates of 2 to 12", False, None)):
        found = 0
        for _ in range(60):
            lattice, patch = patched_wall(rng, one_plate=one_plate, scatter=scatter)
            found += bool(_hits(map_regularity(lattice, rng=rng), patch))
        print(f"\npatch by {name}, 60 walls: found >= 0.90 / {found / 60:.2f}")
    false = sum(bool(map_regularity(patched_wall(rng, patch=False)[0], rng=rng)) for _ in range(100))
    print(f"walls without a patch, 100: shown <= 0.05 / {false / 100:.2f}")
    assert false <= 10


def test_one_rank_more_gains_what_dense_normal_likelihoods_give():
    """A drift, and a step along and across the rows, against scipy's density of the whole covariance."""
    rng = np.random.default_rng(15)
    spread, shape, values = rng.uniform(0.5, 2.0, 6), rng.standard_normal(6), rng.standard_normal((6, 2))
    gain = rank_gain(1.0 / spread[None], shape, values, variance=1.7)
    with_shape = multivariate_normal(np.zeros(6), np.diag(spread) + 1.7 * np.outer(shape, shape))
    without = multivariate_normal(np.zeros(6), np.diag(spread))
    np.testing.assert_allclose(gain[0], with_shape.logpdf(values.T) - without.logpdf(values.T), rtol=0, atol=1e-9)
    kernel = np.cov(rng.standard_normal((6, 20)))
    gains = _WeighedHand.of(kernel, np.column_stack([values[:, :1], values[:, 1:]]), 0.3).gains(shape)
    for ratio, ours in zip(STEP_RATIOS, gains, strict=True):
        for k in (10, 30):
            hand = 0.3 * np.eye(6) + HAND_SCATTERS[k] ** 2 * kernel
            step = (ratio * HAND_SCATTERS[k]) ** 2 * np.outer(shape, shape)
            logs = [multivariate_normal(np.zeros(6), one).logpdf(values.T).sum() for one in (hand + step, hand)]
            assert ours[k, 0] == pytest.approx(logs[0] - logs[1], abs=1e-9)


def test_a_step_in_the_net_is_found_where_it_is():
    rng = np.random.default_rng(5)
    sites = sets.grid(10, 6)
    moved = sets.displaced("hand", sites, 0.7, rng) + np.outer(sites[:, 0] >= 6, [0.0, 3.0])
    change, *echoes = find_changes(_lattice(sites, moved, 0.2, rng), rng=rng)
    assert not echoes  # the net leans over the step, so that lines beside it look like steps back
    assert (change.along, change.before) == ("rows", 6)
    assert change.step_mm[1] == pytest.approx(3.0, abs=4.0 * change.step_sd_mm[1])
    assert 0.1 < change.step_sd_mm[1] < 1.0
    assert change.p < 0.01
    assert "along rows before 6" in repr(change)
    np.testing.assert_allclose(change.line_mm[:, 0], 550.0, rtol=0, atol=3.0)  # half way between columns 5 and 6
    np.testing.assert_allclose(change.line_mm[:, 1], [-55.0, 605.0], rtol=0, atol=5.0)  # half a row beyond either end
    assert "from column 6 on, everything to the right stands" in change.words
    assert "mm up" in change.words
    assert "<svg" in change._repr_html_()


def frieze(rng, *, n=24, step_mm=0.0, patch=False, scatter=0.7, sd=0.2):
    """A single row that leans a little; from the middle on moved up, or ten motifs by two plates of five."""
    sites = sets.grid(n, 1)
    moved = sets.displaced("hand", sites, scatter, rng) + np.outer(sites[:, 0] >= n // 2, [0.0, step_mm])
    if patch:
        moved[6:16] = sets.displaced("plate", sets.grid(10, 1), scatter, rng, size=(5, 1))
    xy = sites * [100.0, 0.0] + moved + sd * rng.standard_normal(moved.shape)
    xy = xy @ np.array([[np.cos(0.1), np.sin(0.1)], [-np.sin(0.1), np.cos(0.1)]])
    return fit_row((xy, np.tile(np.eye(2) * sd**2, (n, 1, 1)), sites))


def test_a_frieze_is_searched_like_a_net():
    rng = np.random.default_rng(14)
    (change,) = find_changes(frieze(rng, step_mm=4.0), rng=rng)
    assert change.along == "rows"
    assert abs(change.before - 12) <= 1
    across = np.diff(change.line_mm, axis=0)[0]
    np.testing.assert_allclose(across, [-100.0 * np.sin(0.1), 100.0 * np.cos(0.1)], rtol=0, atol=3.0)  # one step high
    plates = [map_regularity(frieze(rng, patch=True), rng=rng) for _ in range(4)]
    assert sum(map(bool, plates)) >= 2  # of ten motifs by two plates of five, seven in ten are found
    assert all(set(area.index[:, 0]) & set(range(6, 16)) for areas in plates for area in areas)
    assert map_regularity(frieze(rng), rng=rng) == ()
    assert find_changes(frieze(rng), rng=rng) == ()


def test_steps_are_rarely_seen_where_there_is_none():
    rng = np.random.default_rng(6)
    sites = sets.grid(7, 5)
    for kind in ("hand", "stepped"):
        shown = [
            bool(find_changes(_lattice(sites, sets.displaced(kind, sites, 1.0, rng), 0.3, rng), rng=rng))
            for _ in range(5)
        ]
        assert sum(shown) <= 1
    tiny = sets.grid(3, 3)
    assert find_changes(_lattice(tiny, sets.displaced("hand", tiny, 1.0, rng), 0.3, rng), rng=rng) == ()


def test_jumps_at_the_length_of_a_block_are_named():
    rng = np.random.default_rng(7)
    sites = sets.grid(24, 4)
    strip = np.floor((sites[:, 0] * 100.0 + 250.0) / 533.0).astype(int)
    jumps = 2.5 * rng.standard_normal((strip.max() + 1, 2))[strip]
    lattice = _lattice(sites, jumps + sets.displaced("hand", sites, 0.5, rng), 0.2, rng)
    named = find_trade_lengths(lattice, rng=rng)
    assert 533.0 in [one.length_mm for one in named]  # lengths a few per cent off fit 2.3 m as well
    assert {one.along for one in named} == {"rows"}
    assert named[0].log10_bayes_factor > 2.0
    assert named[0].p < 0.05
    assert f"strips of {named[0].length_mm:.0f} mm ({named[0].name})" in named[0].words
    plain = _lattice(sites, sets.displaced("hand", sites, 0.5, rng), 0.2, rng)
    assert find_trade_lengths(plain, rng=rng) == ()


def _outlined(rng, gap_mm, n=16, points=120):
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    strays = 0.3 * rng.standard_normal((n, points))
    strays[n // 2 :] += gap_mm * np.sin(3.0 * angle)
    pictures = np.repeat([0, 1], n // 2)
    return SimpleNamespace(
        strays_mm=strays,
        strays_seen=rng.random(strays.shape) > 0.2,
        example_index=np.column_stack([pictures, np.arange(n), np.zeros(n, int)]),
    )


def test_two_areas_are_told_apart_by_repeat_scatter_or_outline():
    rng = np.random.default_rng(9)
    sites = sets.grid(7, 6)

    def area(scatter, net=NET):
        return _lattice(sites, sets.displaced("hand", sites, scatter, rng), 0.2, rng, net=net)

    first, pictures = area(0.8), ((0,), (1,))
    alike = compare_areas(first, area(0.8), motif=_outlined(rng, 0.0), pictures=pictures, rng=rng)
    assert alike.differs == ()
    assert "possible, not proven" in alike.words
    other_plate = compare_areas(first, area(0.8), motif=_outlined(rng, 0.3), pictures=pictures, rng=rng)
    assert other_plate.differs == ("mean outline",)
    assert other_plate.outline_mm == pytest.approx(0.3 / np.sqrt(2.0), abs=0.1)
    assert "not one plate" in other_plate.words
    other_hand = compare_areas(first, area(2.4, NET * 1.02), rng=rng)
    assert set(other_hand.differs) == {"repeat", "placing scatter"}
    assert other_hand.p_outline is None
    assert "not compared" in other_hand._repr_html_()


def test_p_values_of_like_areas_are_even():
    """Six pairs from one process: p-values below a tenth about once in two such tests."""
    rng = np.random.default_rng(10)
    sites = sets.grid(6, 5)
    lattices = [_lattice(sites, sets.displaced("hand", sites, 1.0, rng), 0.2, rng) for _ in range(12)]
    pairs = [compare_areas(a, b, rng=rng) for a, b in zip(lattices[::2], lattices[1::2], strict=True)]
    assert sum(pair.p_repeat < 0.1 for pair in pairs) <= 2  # three or more: a chance of 1.6 %
    assert sum(pair.p_scatter < 0.1 for pair in pairs) <= 2


def test_comparing_needs_pictures_and_examples():
    rng = np.random.default_rng(1)
    sites = sets.grid(4, 3)
    lattice = _lattice(sites, sets.displaced("hand", sites, 1.0, rng), 0.2, rng)
    with pytest.raises(ValueError, match="without pictures"):
        compare_areas(lattice, lattice, motif=_outlined(rng, 0.0), rng=rng)
    with pytest.raises(EstimationError, match="Too few examples to compare outlines"):
        compare_areas(lattice, lattice, motif=_outlined(rng, 0.0, n=6), pictures=((0,), (1,)), rng=rng)
