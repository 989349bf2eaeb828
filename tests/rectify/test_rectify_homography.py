"""The direct linear fit against figures by hand and against an unnormalised solution."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify.homography import apply_homography, fit_homography, slopes

SQUARE = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])


def test_square_to_trapezium_by_hand():
    # w = 1 + y/2 sends (0,0),(2,0),(2,2),(0,2) to (0,0),(2,0),(1,1),(0,1).
    matrix = fit_homography(SQUARE, np.array([[0.0, 0.0], [2.0, 0.0], [1.0, 1.0], [0.0, 1.0]]))
    expected = np.array([[1, 0, 0], [0, 1, 0], [0, 0.5, 1]]) / 1.5  # last entry 1 at the centroid (1, 1)
    np.testing.assert_allclose(matrix, expected, rtol=0, atol=1e-12)


def test_against_plain_least_squares_without_normalisation():
    rng = np.random.default_rng(1)
    xy = rng.uniform(-1, 1, (12, 2))
    true = np.array([[1.1, 0.2, 0.3], [-0.1, 0.9, 0.2], [0.2, -0.1, 1.0]])
    uv = apply_homography(true, xy)
    (x, y), (u, v) = xy.T, uv.T
    zero, one = np.zeros(12), np.ones(12)
    rows = np.r_[
        np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y]),
        np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y]),
    ]
    entries = np.linalg.lstsq(rows, np.r_[u, v], rcond=None)[0]
    found = fit_homography(xy, uv)
    np.testing.assert_allclose(found / found[2, 2], np.append(entries, 1).reshape(3, 3), rtol=0, atol=1e-10)


def test_slopes_are_those_of_finite_differences():
    matrix = np.array([[1.1, 0.2, 0.3], [-0.1, 0.9, 0.2], [0.2, -0.1, 1.0]])
    xy = np.array([[0.3, -0.4], [1.0, 0.5]])
    for axis in range(2):
        step = 1e-6 * np.eye(2)[axis]
        rise = (apply_homography(matrix, xy + step) - apply_homography(matrix, xy - step)) / 2e-6
        np.testing.assert_allclose(slopes(matrix, xy)[:, :, axis], rise, rtol=0, atol=1e-8)


def test_far_origin_costs_nothing():
    shift = np.array([5e5, 2e5])  # a national grid in metres; float64 leaves about 1e-9 of a unit
    matrix = fit_homography(SQUARE + shift, SQUARE * 700 + [100, 50])
    np.testing.assert_allclose(apply_homography(matrix, SQUARE + shift), SQUARE * 700 + [100, 50], rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (SQUARE[:3], "at least four control points.*Found: 3 points"),
        (np.column_stack([np.arange(6.0), 2 * np.arange(6.0)]), "lie on one line"),
        (np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0], [0.0, 2.0]]), "do not fix a plane"),
    ],
)
def test_refuses_points_that_fix_no_plane(points, message):
    with pytest.raises(EstimationError, match=message):
        fit_homography(points, SQUARE[: len(points)] if len(points) < 5 else np.random.default_rng(0).random((6, 2)))
