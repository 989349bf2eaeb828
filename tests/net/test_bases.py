"""Basis reduction against published examples and an exhaustive search; sub- and super-nets; types."""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from fragkit.net import reduce_basis
from fragkit.net.bases import coarser_nets, finer_nets, type_from_shape

REFERENCE = Path(__file__).parents[1] / "reference" / "lattice"
EXAMPLES = json.loads((REFERENCE / "lagrange_gauss_reduction.json").read_text(encoding="utf-8"))["examples"]


@pytest.mark.parametrize("example", EXAMPLES, ids=[e["name"] for e in EXAMPLES])
def test_published_reductions_come_out_exactly(example):
    # Sources stand in the file: Galbraith (2012) ch. 17; Hoffstein, Pipher and Silverman (2008) Example 6.67.
    a, b = reduce_basis(*example["input"])
    assert a.dtype == np.int64
    assert sorted([int(a @ a), int(b @ b)]) == example["squared_lengths"]
    own = {tuple(a), tuple(-a), tuple(b), tuple(-b)}
    for vector in example["published_reduced"] or example["reduced"]:
        if int(np.dot(vector, vector)) in example["squared_lengths"]:
            assert tuple(vector) in own
    assert int(a[0] * b[1] - a[1] * b[0]) == example["abs_det"]


def test_reduced_vectors_are_the_two_shortest_by_search():
    rng = np.random.default_rng(4)
    for _ in range(40):
        given = rng.integers(-9, 10, (2, 2))
        if round(abs(np.linalg.det(given))) == 0:
            continue
        a, b = reduce_basis(*given)
        multiples = np.array([m for m in product(range(-40, 41), repeat=2) if m != (0, 0)]) @ given
        lengths = np.sort((multiples**2).sum(1))
        shortest = min(a @ a, b @ b)
        assert shortest == lengths[0]
        independent = [v @ v for v in multiples if abs(np.linalg.det([a if a @ a == shortest else b, v])) > 0.5]
        assert max(a @ a, b @ b) == min(independent)


def test_a_is_nearest_to_x_and_the_pair_right_handed():
    a, b = reduce_basis([0.0, 5.0], [-7.0, 0.3])
    np.testing.assert_allclose(a, [7.0, -0.3], rtol=0, atol=1e-12)  # rounding only
    np.testing.assert_allclose(b, [0.0, 5.0], rtol=0, atol=1e-12)


@pytest.mark.parametrize("given", [([1.0, 2.0], [2.0, 4.0]), ([0, 0], [1, 0])])
def test_parallel_vectors_are_refused(given):
    with pytest.raises(ValueError, match="parallel: give two directions"):
        reduce_basis(*given)


def test_vectors_that_are_not_finite_are_refused():
    with pytest.raises(ValueError, match="must be finite"):
        reduce_basis([1.0, np.inf], [0.0, 1.0])


@pytest.mark.parametrize(("index", "number"), [(2, 3), (3, 4), (4, 7), (5, 6), (6, 12)])
def test_number_of_coarser_and_finer_nets_is_the_sum_of_divisors(index, number):
    # Number of sublattices of index n in two dimensions: sum of the divisors of n (common knowledge, from memory).
    a, b = np.array([3.0, 0.2]), np.array([0.5, 2.0])
    area = np.linalg.det([a, b])
    coarse = list(coarser_nets(a, b, index))
    fine = list(finer_nets(a, b, index))
    assert len(coarse) == len(fine) == number
    keys = set()
    for u, v in coarse:
        assert np.linalg.det([u, v]) == pytest.approx(index * area, rel=0, abs=1e-9)  # rounding only
        keys.add(tuple(np.round(np.concatenate(reduce_basis(u, v)), 6)))
    assert len(keys) == number
    assert all(abs(np.linalg.det([u, v]) - area / index) < 1e-9 for u, v in fine)


@pytest.mark.parametrize(
    ("a", "b", "kind"),
    [
        ([10, 0], [0, 10], "square"),
        ([10, 0], [0, 14], "rectangular"),
        ([10, 0], [5, 8.0], "centred"),
        ([10, 0], [5, 30.0], "centred"),
        ([10, 0], [5, 8.660254], "hexagonal"),
        ([10, 0], [3, 8.0], "oblique"),
    ],
)
def test_type_from_shape(a, b, kind):
    turn = np.radians(17)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    assert type_from_shape(rotation @ a, rotation @ b) == kind


def test_reduction_agrees_with_the_niggli_reduction_of_a_tall_prism():
    # Independent: brute force over unimodular matrices, minimising |a|² + |b|².
    given = np.array([[201, 3], [503, 149]])
    best = min(
        (
            (np.array(m).reshape(2, 2) @ given)
            for m in product(range(-8, 9), repeat=4)
            if m[0] * m[3] - m[1] * m[2] == 1
        ),
        key=lambda pair: int((pair**2).sum()),
    )
    a, b = reduce_basis(*given)
    assert int(a @ a + b @ b) == int((best**2).sum())
