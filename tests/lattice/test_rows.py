"""Rows and columns, whatever basis a net is written in."""

import numpy as np
import pytest

from fragkit.lattice import columns_and_rows, describe_repeat, row_basis
from fragkit.lattice.rows import repeat_jacobian


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        ((80.0, 0.0), (0.0, 90.0), (80.0, 90.0, 0.0)),
        ((80.0, 0.0), (40.0, 90.0), (80.0, 90.0, 0.5)),
        ((80.0, 0.0), (-40.0, 90.0), (80.0, 90.0, 0.5)),
        ((50.0, -30.0), (50.0, 30.0), (100.0, 30.0, 0.5)),
        ((50.0, 30.0), (-50.0, 30.0), (100.0, 30.0, 0.5)),
        ((80.0, 1.0), (-2.0, 90.0), None),
    ],
)
def test_a_net_is_described_by_its_level_rows(a, b, expected):
    basis = np.array([a, b])
    change = row_basis(*basis)
    assert round(np.linalg.det(change)) == 1
    found = describe_repeat(change @ basis)
    assert -0.25 < found[2] <= 0.75
    if expected:
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)  # exact nets


def test_columns_zigzag_in_a_half_drop_net_and_stand_upright_in_a_rectangular_one():
    index = np.array([[0, 0], [0, 1], [-1, 2], [-1, 3], [-2, 4]])
    half = columns_and_rows(np.array([80.0, 0.0]), np.array([40.0, 90.0]), index)
    np.testing.assert_array_equal(half, [[0, 0], [0, 1], [0, 2], [0, 3], [0, 4]])
    upright = columns_and_rows(np.array([80.0, 0.5]), np.array([1.0, 90.0]), index)
    np.testing.assert_array_equal(upright, index)


def test_columns_do_not_depend_on_the_basis():
    index = np.array([[i, j] for i in range(5) for j in range(4)])
    direct = columns_and_rows(np.array([100.0, 0.0]), np.array([50.0, 30.0]), index)
    # the same sites in the reduced basis a = (50, −30), b = (50, 30): 100 e₁ = a + b
    reduced = np.column_stack([index[:, 0], index[:, 0] + index[:, 1]])
    again = columns_and_rows(np.array([50.0, -30.0]), np.array([50.0, 30.0]), reduced)
    np.testing.assert_array_equal(direct, again)


def test_the_slopes_of_the_description():
    vectors = np.array([[79.0, 2.0], [41.0, 88.0]])
    numeric = np.empty((3, 4))
    for k in range(4):
        step = np.zeros(4)
        step[k] = 1e-5
        up, down = vectors + step.reshape(2, 2), vectors - step.reshape(2, 2)
        numeric[:, k] = (describe_repeat(up) - describe_repeat(down)) / 2e-5
    np.testing.assert_allclose(repeat_jacobian(vectors), numeric, rtol=0, atol=1e-8)  # second differences
