"""What must hold for every public function of the lattice, tried on inputs that hypothesis invents."""

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as some
from hypothesis.extra.numpy import arrays

from fragkit import EstimationError, fit_lattice, fit_row, pool, pool_steps, residual_variogram
from fragkit.lattice import (
    columns_and_rows,
    describe_repeat,
    free_contrasts,
    group_numbers,
    least_squares,
    measure_spacing,
    merge_centres,
    random_effects,
    repeat_of,
    restricted_log_likelihood,
    row_basis,
    shared_kernel,
    smooth_kernel,
    stand_in_one_row,
    stretch_kernel,
    walk_kernel,
    weigh_net_types,
)
from fragkit.motifs import Centres
from fragkit.net import Net

calm = settings(
    max_examples=25,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=True,
)
few = settings(calm, max_examples=4)
lengths = some.floats(20.0, 200.0)
offsets = some.floats(-0.2, 0.7)
seeds = some.integers(0, 9999)


def centres_on(across, down, offset, *, seed, columns=6, rows=5, missing=0.15, sd=0.3):
    rng = np.random.default_rng(seed)
    index = np.array([(i, j) for j in range(rows) for i in range(columns)])
    index = index[rng.random(len(index)) > missing]
    xy = index @ np.array([[across, 0.0], [offset * across, down]]) + rng.normal(0, sd, (len(index), 2))
    return xy, np.tile(0.04 * np.eye(2), (len(index), 1, 1)), index


@given(across=lengths, ratio=some.floats(0.4, 0.99), offset=offsets)
@calm
def test_a_repeat_described_is_the_repeat_drawn(across, ratio, offset):
    vectors = np.array([[across, 0.0], [offset * across, ratio * across]])
    np.testing.assert_allclose(describe_repeat(vectors), [across, ratio * across, offset], rtol=0, atol=1e-9)
    basis = row_basis(*vectors)
    assert abs(round(np.linalg.det(basis))) == 1  # the same sites, none left out
    row = basis[0] @ vectors
    assert row[0] > 0.0
    assert abs(row[1]) <= min(abs(vectors[1, 1]), abs(vectors.sum(0)[1])) + 1e-9


@given(offset=some.sampled_from([0.0, 0.5, 0.3]), seed=seeds, order=some.permutations(range(20)))
@calm
def test_every_site_has_a_column_and_row_of_its_own(offset, seed, order):
    a, b = np.array([90.0, 0.0]), np.array([offset * 90.0, 60.0])
    index = np.random.default_rng(seed).permutation([(i, j) for i in range(-3, 4) for j in range(-3, 4)])[:20]
    sites = columns_and_rows(a, b, index)
    assert len(np.unique(sites, axis=0)) == len(index)
    np.testing.assert_array_equal(columns_and_rows(a, b, index[order]), sites[order])


@given(columns=some.integers(1, 5), rows=some.integers(1, 5), seed=seeds, phase=some.tuples(*[some.integers(0, 4)] * 2))
@calm
def test_a_group_has_each_seat_once_at_most(columns, rows, seed, phase):
    sites = np.random.default_rng(seed).permutation([(i, j) for i in range(-6, 7) for j in range(-6, 7)])[:60]
    group, seat = group_numbers(sites, columns=columns, rows=rows, phase=phase)
    assert len(np.unique(np.column_stack([group, seat]), axis=0)) == len(sites)
    assert seat.min() >= 0
    assert seat.max() < columns * rows
    spread = max(np.ptp(sites[group == number], axis=0).tolist() for number in np.unique(group))
    assert spread[0] < columns
    assert spread[1] < rows


places = arrays(float, (9,), elements=some.floats(-500.0, 500.0))


@given(position=places, length=some.floats(5.0, 400.0), shift=some.floats(-1e3, 1e3), seed=seeds)
@calm
def test_a_kernel_is_a_covariance_and_does_not_know_the_order(position, length, shift, seed):
    order = np.random.default_rng(seed).permutation(len(position))
    sites = np.round(np.column_stack([position, position[::-1]]) / 100.0).astype(int)
    sites = np.unique(sites, axis=0)
    again = np.random.default_rng(seed).permutation(len(sites))
    kernels = [
        (lambda p: smooth_kernel(p, correlation_mm=length), position, order),
        (lambda p: stretch_kernel(p, correlation_mm=length), position, order),
        (lambda n: shared_kernel(n), np.round(position / 200.0), order),
        (lambda s: walk_kernel(s, along="rows"), sites, again),
        (lambda s: walk_kernel(s, along="columns"), sites, again),
    ]
    for kernel, given_sites, moved in kernels:
        one = kernel(given_sites)
        np.testing.assert_allclose(one, one.T, rtol=0, atol=1e-9 * one.max())
        assert np.linalg.eigvalsh(one).min() > -1e-8 * max(one.max(), 1.0)
        np.testing.assert_allclose(kernel(given_sites[moved]), one[np.ix_(moved, moved)], rtol=0, atol=1e-7 * one.max())
    moved_place = smooth_kernel(position + shift, correlation_mm=length)
    np.testing.assert_allclose(moved_place, smooth_kernel(position, correlation_mm=length), rtol=0, atol=1e-6)


@given(
    values=arrays(float, (8,), elements=some.floats(-100.0, 100.0)),
    truth=arrays(float, (2,), elements=some.floats(-100.0, 100.0)),
    variances=arrays(float, (8,), elements=some.floats(0.1, 10.0)),
)
@calm
def test_least_squares_take_off_all_that_a_design_can_reach(values, truth, variances):
    design = np.column_stack([np.ones(8), np.arange(8.0)])
    exact, covariance = least_squares(design @ truth, design, variances)
    np.testing.assert_allclose(exact, truth, rtol=0, atol=1e-7)
    assert np.linalg.eigvalsh(covariance).min() > 0.0
    one, other = (least_squares(values, design, given)[0] for given in (variances, np.diag(variances)))
    np.testing.assert_allclose(one, other, rtol=0, atol=1e-8)
    contrasts = free_contrasts(design)
    np.testing.assert_allclose(contrasts.T @ contrasts, np.eye(6), rtol=0, atol=1e-9)
    np.testing.assert_allclose(contrasts.T @ design, 0.0, rtol=0, atol=1e-9)
    likely = [restricted_log_likelihood(v, design, np.diag(variances)) for v in (values, values + design @ truth)]
    assert likely[0] == pytest.approx(likely[1], rel=0, abs=1e-6)  # REML does not know the parameters


@given(
    values=arrays(float, (4,), elements=some.floats(50.0, 150.0)),
    variance=some.floats(0.01, 4.0),
    shift=some.floats(-1e3, 1e3),
)
@calm
def test_a_mean_over_fragments_moves_with_them_and_lies_among_them(values, variance, shift):
    one, other = (random_effects(v, np.full(4, variance), between_scale=1.0) for v in (values, values + shift))
    assert other.mean - shift == pytest.approx(one.mean, rel=0, abs=1e-6)
    assert values.min() - 1e-9 <= one.mean <= values.max() + 1e-9
    assert one.sd >= np.sqrt(variance / 4.0) - 1e-9  # never surer than if fragments did not differ


@given(angle=some.floats(61.0, 119.0), ratio=some.floats(0.6, 1.6), sd=some.floats(0.05, 3.0), turn=some.floats(-3, 3))
@calm
def test_net_types_share_one_belief_however_the_net_is_turned(angle, ratio, sd, turn):
    a = np.array([80.0, 0.0])
    b = 80.0 * ratio * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    plain = weigh_net_types(a, b, sd**2 * np.eye(4))
    moved = weigh_net_types(matrix @ a, matrix @ b, sd**2 * np.eye(4))
    assert sum(plain.values()) == pytest.approx(1.0, rel=0, abs=1e-9)
    for name, weight in plain.items():
        assert 0.0 <= weight <= 1.0
        assert moved[name] == pytest.approx(weight, rel=0, abs=1e-6)


@given(step=some.floats(30.0, 150.0), seed=seeds, n=some.integers(6, 12))
@few
def test_a_row_says_its_step_and_rows_together_no_less_surely(step, seed, n):
    fits = []
    for k in range(2):
        rng = np.random.default_rng([seed, k])
        index = np.column_stack([np.arange(n), np.zeros(n, int)])
        given_centres = (index * [step, 0.0] + rng.normal(0, 0.3, (n, 2)), np.tile(0.04 * np.eye(2), (n, 1, 1)), index)
        assert stand_in_one_row(given_centres)
        fits.append(fit_row(given_centres))
    pooled = pool_steps(fits)
    for fit in fits:
        assert abs(fit.length_mm - step) < 6.0 * fit.length_sd_mm
    low, high = pooled.interval_mm
    assert low < pooled.step_mm < high
    assert min(f.length_mm for f in fits) - 1e-6 <= pooled.step_mm <= max(f.length_mm for f in fits) + 1e-6


@given(across=lengths, ratio=some.floats(0.6, 0.95), seed=seeds)
@few
def test_what_is_read_off_a_net_agrees_with_it(across, ratio, seed):
    lattice = fit_lattice(centres_on(across, ratio * across, 0.0, seed=seed))
    assume(len(lattice.residuals_mm) > 18)
    pooled = pool([lattice])
    values, sds = repeat_of(lattice, like=pooled)
    assert np.all(sds > 0.0)
    np.testing.assert_allclose(values[:2], [across, ratio * across], rtol=0, atol=6.0 * sds[:2].max())
    spacing = measure_spacing(lattice)
    for axis, length in ((spacing.rows, across), (spacing.columns, ratio * across)):
        assert axis is not None
        assert np.all(np.abs(axis.spacing_mm - length) < 6.0 * axis.sd_mm)
    seen = residual_variogram(lattice)
    assert np.all(seen.semivariance_mm2 >= 0.0)
    assert np.all(seen.sd_mm2 > 0.0)


def centres_of(xy, index, a, b):
    net = Net(
        a_mm=a,
        b_mm=b,
        support=0.9,
        explained=0.9,
        evidence=9.0,
        independent_evidence=9.0,
        contrast_evidence=9.0,
        net_type="rectangular",
    )
    n = len(xy)
    return Centres(
        index=index,
        xy_mm=xy,
        cov_mm2=np.tile(0.04 * np.eye(2), (n, 1, 1)),
        visible_ratio=np.ones(n),
        score=np.ones(n),
        status=("seen",) * n,
        net=net,
    )


@given(seed=seeds, shift=some.tuples(some.integers(-3, 3), some.integers(-3, 3)))
@few
def test_a_site_on_two_photographs_is_one_site_and_better_known(seed, shift):
    a, b = np.array([90.0, 0.0]), np.array([0.0, 60.0])
    rng = np.random.default_rng(seed)
    index = np.array([(i, j) for j in range(4) for i in range(5)])
    xy = index @ np.array([a, b])
    parts = [centres_of(xy + rng.normal(0, 0.2, xy.shape), index + np.array(moved), a, b) for moved in ((0, 0), shift)]
    merged = merge_centres(parts)
    assert len(merged.xy_mm) == len(index)
    assert np.trace(merged.cov_mm2[0]) < np.trace(parts[0].cov_mm2[0])


@given(n=some.integers(0, 3))
@few
def test_too_few_centres_are_no_row(n):
    index = np.column_stack([np.arange(n), np.zeros(n, int)])
    with pytest.raises((EstimationError, ValueError), match=r"."):
        fit_row((90.0 * index.astype(float), np.tile(np.eye(2), (n, 1, 1)), index))
