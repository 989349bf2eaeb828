"""A mixture of kinds of scatter, and the error bar it is given."""

import numpy as np
import pytest
from scipy.stats import norm

from fragkit.lattice.average import mix
from fragkit.units import Z95


def test_one_kind_is_left_as_it_is():
    cov = np.array([[[0.04, 0.01], [0.01, 0.09]]])
    mean, mixed = mix(np.ones(1), np.array([[80.0, 1.0]]), cov)
    np.testing.assert_allclose(mean, [80.0, 1.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(mixed, cov[0], rtol=0, atol=1e-8)  # bisection


def test_the_error_bar_holds_95_percent_of_two_kinds_that_disagree():
    """Independent computation: the mixture's distribution function at ± 1.96 of the stated sd."""
    weights, means = np.array([0.7, 0.3]), np.array([[80.0], [80.5]])
    covs = np.array([[[0.01]], [[0.25]]])
    mean, mixed = mix(weights, means, covs)
    assert mean[0] == pytest.approx(80.15, abs=1e-12)
    half = Z95 * np.sqrt(mixed[0, 0])
    inside = sum(
        w * (norm.cdf(mean[0] + half, m, s) - norm.cdf(mean[0] - half, m, s))
        for w, m, s in zip(weights, means[:, 0], (0.1, 0.5), strict=True)
    )
    assert inside == pytest.approx(0.95, abs=1e-6)


def test_a_correlation_survives_the_mixing():
    """Two equal kinds whose means differ along (1, 1): the mixture leans that way."""
    weights, means = np.array([0.5, 0.5]), np.array([[0.0, 0.0], [1.0, 1.0]])
    covs = np.tile(np.eye(2) * 0.01, (2, 1, 1))
    _, mixed = mix(weights, means, covs)
    assert mixed[0, 1] / mixed[0, 0] == pytest.approx(0.25 / 0.26, abs=1e-9)
