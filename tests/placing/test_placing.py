"""Ways of placing: covariances by hand, draws that match them, the published random walk."""

import numpy as np
import pytest

from fragkit.placing import ContinuousPrint, OnLines, RigidGroups, SteppedOff, covariance, draw

SITES = np.array([(i, j) for j in range(3) for i in range(5) if (i, j) not in [(1, 0), (4, 2)]])
PLACES = SITES @ np.array([[80.0, 0.0], [0.0, 90.0]]) + [10.0, -5.0]

PROCESSES = {
    "lines": OnLines(sd_x_mm=0.7, sd_y_mm=0.3),
    "rows": SteppedOff(step_sd_mm=0.5, start_sd_mm=0.8, own_sd_mm=0.2),
    "columns": SteppedOff(step_sd_mm=0.5, start_sd_mm=0.8, along="columns"),
    "groups": RigidGroups(
        columns=2, rows=2, shift_sd_mm=0.7, turn_sd_rad=0.004, seat_sd_mm=0.3, own_sd_mm=0.1, phase=(1, 0)
    ),
    "print": ContinuousPrint(swing_sd_mm=0.8, stretch_sd_ratio=0.004, own_sd_mm=0.1, correlation_mm=120.0),
    "print along rows": ContinuousPrint(
        swing_sd_mm=0.8, stretch_sd_ratio=0.004, own_sd_mm=0.1, correlation_mm=120.0, along="rows"
    ),
}


@pytest.mark.parametrize("name", PROCESSES)
def test_draws_have_the_stated_covariance(name):
    rng = np.random.default_rng(3)
    stated = covariance(PROCESSES[name], SITES, PLACES)
    n = 4000
    draws = np.array([draw(PROCESSES[name], SITES, PLACES, rng=rng).ravel() for _ in range(n)])
    sample = draws.T @ draws / n
    scale = np.sqrt(np.outer(np.diag(stated), np.diag(stated)))
    # sd of a sample covariance of normals is below scale·√(2/n); 5 sd for some 700 entries
    assert np.abs(sample - stated).max() < (5.0 * np.sqrt(2.0 / n) * scale).max()
    assert np.all(np.abs(sample - stated) < 6.0 * np.sqrt(2.0 / n) * scale + 1e-12)
    assert np.linalg.eigvalsh(stated).min() > -1e-9
    np.testing.assert_allclose(stated, stated.T, rtol=0, atol=1e-12)


def test_stepping_off_by_hand():
    """Three sites of a row, the second missing: start², start² + 2 and 3 steps; rows independent."""
    sites = np.array([[0, 0], [2, 0], [3, 0], [1, 1]])
    cov = covariance(SteppedOff(step_sd_mm=0.5, start_sd_mm=1.0), sites, sites * 80.0)
    expected = np.array([[1.0, 1.0, 1.0, 0.0], [1.0, 1.5, 1.5, 0.0], [1.0, 1.5, 1.75, 0.0], [0, 0, 0, 1.25]])
    np.testing.assert_allclose(cov[::2, ::2], expected, rtol=0, atol=1e-12)  # exact
    np.testing.assert_allclose(cov[::2, 1::2], 0.0, atol=0)


def test_a_turned_pair_by_hand():
    """A plate of two, 80 mm apart, turned a little: its ends move ±40 mm × angle, opposite ways."""
    sites = np.array([[0, 0], [1, 0], [0, 1]])
    plate = RigidGroups(columns=2, rows=1, shift_sd_mm=0.0, turn_sd_rad=0.01, seat_sd_mm=0.0, own_sd_mm=0.0)
    cov = covariance(plate, sites, sites * [80.0, 90.0])
    np.testing.assert_allclose(cov[1, 1], 0.16, rtol=0, atol=1e-12)  # (40 × 0.01)²
    np.testing.assert_allclose(cov[1, 3], -0.16, rtol=0, atol=1e-12)
    np.testing.assert_allclose(cov[0, 0], 0.0, atol=1e-12)
    np.testing.assert_allclose(cov[1, 5], 0.0, atol=1e-12)  # another placing


def test_the_phase_says_where_a_group_begins():
    """Four sites in groups of two: phase 0 pairs (0 1)(2 3), phase 1 pairs (0)(1 2)(3)."""
    sites = np.array([[0, 0], [1, 0], [2, 0], [3, 0]])

    def together(phase):
        plate = RigidGroups(
            columns=2, rows=1, shift_sd_mm=1.0, turn_sd_rad=0.0, seat_sd_mm=0.0, own_sd_mm=0.0, phase=phase
        )
        return covariance(plate, sites, sites * 80.0)[::2, ::2]

    np.testing.assert_array_equal(together((0, 0))[1], [1, 1, 0, 0])
    np.testing.assert_array_equal(together((1, 0))[1], [0, 1, 1, 0])


def test_seats_recur_at_every_placing():
    sites = np.array([[0, 0], [1, 0], [2, 0], [3, 0]])
    plate = RigidGroups(columns=2, rows=1, shift_sd_mm=0.0, turn_sd_rad=0.0, seat_sd_mm=0.5, own_sd_mm=0.0)
    cov = covariance(plate, sites, sites * 80.0)[::2, ::2]
    np.testing.assert_allclose(cov, 0.25 * np.array([[1, 0, 1, 0], [0, 1, 0, 1]] * 2), rtol=0, atol=1e-12)


def test_a_plate_with_one_motif_is_placed_like_handwork():
    plate = RigidGroups(columns=1, rows=1, shift_sd_mm=0.6, turn_sd_rad=0.01, seat_sd_mm=0.0, own_sd_mm=0.0)
    hand = OnLines(sd_x_mm=0.6, sd_y_mm=0.6)
    np.testing.assert_allclose(covariance(plate, SITES, PLACES), covariance(hand, SITES, PLACES), atol=1e-12)


def test_a_slow_stretch_integrates_numerically():
    """Independent computation: the double integral of exp(−Δ²/2ℓ²) by sums."""
    print_ = ContinuousPrint(swing_sd_mm=0.0, stretch_sd_ratio=1.0, own_sd_mm=0.0, correlation_mm=120.0)
    cov = covariance(print_, SITES, PLACES)
    fine = (np.arange(1800) + 0.5) * 0.1
    kernel = np.exp(-0.5 * (np.subtract.outer(fine, fine) / 120.0) ** 2) * 0.01
    top, middle = kernel.sum(), kernel[:, :900].sum()
    y = PLACES[:, 1] - PLACES[:, 1].min()
    high, mid = int(np.argmax(y)), int(np.flatnonzero(y == 90.0)[0])
    np.testing.assert_allclose(
        [cov[2 * high + 1, 2 * high + 1], cov[2 * high + 1, 2 * mid + 1]], [top, middle], rtol=1e-5
    )


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0, along="sideways"), "along is 'sideways'"),
        (
            lambda: RigidGroups(columns=0, rows=2, shift_sd_mm=1.0, turn_sd_rad=0.0, seat_sd_mm=0.0, own_sd_mm=0.0),
            "group of 0 × 2",
        ),
        (
            lambda: ContinuousPrint(swing_sd_mm=1.0, stretch_sd_ratio=0.0, own_sd_mm=0.0, correlation_mm=0.0),
            "correlation_mm is 0",
        ),
        (lambda: covariance("hand", SITES, PLACES), "not a placing process"),
        (lambda: draw("hand", SITES, PLACES, rng=np.random.default_rng(0)), "not a placing process"),
        (lambda: covariance(PROCESSES["lines"], SITES, PLACES[:3]), "both must be"),
    ],
)
def test_bad_arguments_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()
