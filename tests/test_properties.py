"""What must hold for every input that the public functions take, tried on inputs that hypothesis invents."""

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as some
from hypothesis.extra.numpy import arrays

from fragkit import EstimationError, delta_e00, fit_lattice, pool, reduce_basis
from fragkit.rectify import Picture
from fragkit.units import interval, with_sd

calm = settings(
    max_examples=25,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=True,
)
lengths = some.floats(20.0, 200.0)
angles = some.floats(-180.0, 180.0)


def turned(angle_deg):
    angle = np.radians(angle_deg)
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])


@given(
    across=lengths, down=lengths, offset=some.floats(0, 1), angle=angles, k=some.integers(-4, 4), m=some.integers(-4, 4)
)
@calm
def test_a_net_has_one_reduced_basis_whatever_pair_describes_it(across, down, offset, angle, k, m):
    a, b = np.array([[across, 0.0], [offset * across, down]]) @ turned(angle).T
    one = reduce_basis(a, b)
    other = reduce_basis(a + k * (b + m * a), b + m * a)
    for first, second in zip(one, other, strict=True):
        assert np.hypot(*first) == pytest.approx(np.hypot(*second), rel=1e-9)
    assert abs(np.linalg.det(np.array(other))) == pytest.approx(across * down, rel=1e-9)


def centres_on(a, b, *, seed, sd=0.3, columns=6, rows=5):
    rng = np.random.default_rng(seed)
    index = np.array([(i, j) for j in range(rows) for i in range(columns)])
    index = index[rng.random(len(index)) > 0.2]
    xy = index @ np.array([a, b]) + rng.normal(0, sd, (len(index), 2))
    return xy, np.tile(0.04 * np.eye(2), (len(index), 1, 1)), index


@given(
    across=lengths,
    ratio=some.floats(0.5, 2.0),
    angle=some.floats(-10.0, 10.0),
    quarters=some.integers(-1, 2),
    shift=some.floats(-1e4, 1e4),
    seed=some.integers(0, 999),
)
@settings(calm, max_examples=6)
def test_a_net_turns_and_shifts_with_its_centres(across, ratio, angle, quarters, shift, seed):
    """Turned further than that, a diagonal may lie level, and rows are what lies level: the next test."""
    xy, cov, index = centres_on((across, 0.0), (0.0, ratio * across), seed=seed)
    assume(len(index) > 12)
    turn = turned(angle + 90.0 * quarters)
    plain = fit_lattice((xy, cov, index))
    moved = fit_lattice((xy @ turn.T + shift, cov, index))
    np.testing.assert_allclose(moved.a_mm, turn @ plain.a_mm, rtol=0, atol=0.005)  # mm; shares of kinds to 1 %
    np.testing.assert_allclose(moved.b_mm, turn @ plain.b_mm, rtol=0, atol=0.005)
    for lattice in (plain, moved):
        assert np.linalg.eigvalsh(lattice.cov).min() > 0.0


@given(across=lengths, down=lengths, angle=angles, seed=some.integers(0, 999))
@settings(calm, max_examples=6)
def test_a_net_turned_until_its_diagonals_lie_level_moves_by_far_less_than_its_error(across, down, angle, seed):
    xy, cov, index = centres_on((across, 0.0), (0.0, down), seed=seed)
    assume(len(index) > 12)
    plain, moved = (fit_lattice((xy @ turn.T, cov, index)) for turn in (np.eye(2), turned(angle)))
    sd = np.sqrt(np.diag(plain.cov).max())
    np.testing.assert_allclose(moved.a_mm, turned(angle) @ plain.a_mm, rtol=0, atol=0.5 * sd)
    np.testing.assert_allclose(moved.b_mm, turned(angle) @ plain.b_mm, rtol=0, atol=0.5 * sd)


@given(seed=some.integers(0, 999), order=some.permutations(range(30)))
@settings(calm, max_examples=6)
def test_the_order_of_the_centres_does_not_matter(seed, order):
    xy, cov, index = centres_on((90.0, 0.0), (45.0, 60.0), seed=seed)
    order = [k for k in order if k < len(xy)]
    assume(len(order) == len(xy))
    one, other = fit_lattice((xy, cov, index)), fit_lattice((xy[order], cov[order], index[order]))
    np.testing.assert_allclose(one.a_mm, other.a_mm, rtol=0, atol=1e-6)


@given(n=some.integers(1, 6))
@settings(calm, max_examples=6)
def test_more_fragments_never_make_the_mean_less_sure(n):
    lattices = [fit_lattice(centres_on((90.0, 0.0), (45.0, 60.0), seed=k)) for k in range(n + 1)]
    few, more = pool(lattices[:n]), pool(lattices)
    assert np.sqrt(more.cov[0, 0]) <= 1.25 * np.sqrt(few.cov[0, 0])  # the spread between them may show itself
    for pooled in (few, more):
        low, high = pooled.interval_new_wall["across_mm"]
        assert low <= pooled.interval_across_mm[0] < pooled.interval_across_mm[1] <= high


@given(xy=arrays(float, (3, 2), elements=some.floats(-1e3, 1e3)))
@calm
def test_three_centres_are_never_a_net(xy):
    with pytest.raises(EstimationError, match=r"."):
        fit_lattice((xy, np.tile(np.eye(2), (3, 1, 1)), np.array([[0, 0], [1, 0], [0, 1]])))


labs = arrays(float, (3,), elements=some.floats(0, 100))


@given(one=labs, other=labs)
@calm
def test_a_colour_difference_is_symmetric_and_nothing_for_equals(one, other):
    assert delta_e00(one, other) == pytest.approx(delta_e00(other, one), abs=1e-9)
    assert delta_e00(one, one) == pytest.approx(0.0, abs=1e-9)
    assert delta_e00(one, other) >= 0.0


@given(
    xy=arrays(float, (5, 2), elements=some.floats(-1e5, 1e5)),
    mm_per_px=some.floats(0.01, 10.0),
    origin=some.floats(-1e5, 1e5),
)
@calm
def test_picture_and_plane_lead_back_to_each_other(xy, mm_per_px, origin):
    shown = Picture(
        pixels=np.zeros((2, 2, 3), np.uint8),
        mm_per_px=mm_per_px,
        origin_mm=(origin, 0.0),
        coverage=np.ones((2, 2), bool),
    )
    np.testing.assert_allclose(shown.to_mm(shown.to_px(xy)), xy, rtol=0, atol=1e-6)


@given(value=some.floats(-1e6, 1e6), sd=some.floats(1e-9, 1e6))
@calm
def test_numbers_are_written_to_what_they_are_worth(value, sd):
    written = float(with_sd(value, sd).split(" ± ")[0])
    assert abs(written - value) <= 0.5 * sd + 1e-9
    low, high = (float(part) for part in interval((value, value + sd)).split(" to "))
    assert abs(low - value) <= 0.1 * sd + 1e-9
    assert abs(high - value - sd) <= 0.1 * sd + 1e-9
