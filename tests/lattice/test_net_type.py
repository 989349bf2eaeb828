"""The five nets by weights of constrained fits."""

import numpy as np
import pytest

from fragkit.lattice import weigh_net_types

SHARP = np.eye(4) * 0.05**2
CASES = {
    "square": ((80.0, 0.0), (0.0, 80.0)),
    "rectangular": ((80.0, 0.0), (0.0, 95.0)),
    "centred": ((80.0, 0.0), (40.0, 90.0)),
    "hexagonal": ((80.0, 0.0), (40.0, 40.0 * np.sqrt(3.0))),
    "oblique": ((80.0, 0.0), (22.0, 90.0)),
}


@pytest.mark.parametrize("name", CASES)
def test_each_net_is_named(name):
    """Conditions of the nets: International Tables for Crystallography A (2016), 3.1."""
    a, b = np.array(CASES[name])
    support = weigh_net_types(a, b, SHARP)
    assert sum(support.values()) == pytest.approx(1.0, abs=1e-12)
    assert max(support, key=support.__getitem__) == name
    assert support[name] > 0.8
    turn = np.array([[np.cos(0.3), np.sin(0.3)], [-np.sin(0.3), np.cos(0.3)]])
    turned = weigh_net_types(a @ turn, b @ turn, SHARP)
    assert turned[name] == pytest.approx(support[name], abs=1e-6)


def test_a_centred_net_is_named_in_its_three_ways_of_writing():
    for a, b in (((80.0, 0.0), (-40.0, 90.0)), ((50.0, -30.0), (50.0, 30.0)), ((90.0, 40.0), (0.0, 80.0))):
        support = weigh_net_types(np.array(a), np.array(b), SHARP)
        assert support["centred"] > 0.9


@pytest.mark.parametrize("ratio", [complex(0.51, 1.1), complex(0.47, 0.92), complex(0.02, 1.04)])
def test_the_weight_of_a_centred_net_agrees_with_a_direct_integral(ratio):
    """Independent computation: the likelihood summed along the five curves of centred nets."""
    a, b = np.array([80.0, 0.0]), 80.0 * np.array([ratio.real, ratio.imag])
    cov = np.diag([0.6, 0.1, 0.2, 0.9]) ** 2
    found = weigh_net_types(a, b, cov)
    d_log = np.array([-1.0 / 80.0, -1j / 80.0, 1.0 / (80.0 * ratio), 1j / (80.0 * ratio)])
    jacobian = np.array([d_log.real, d_log.imag])
    shape_cov = jacobian @ cov @ jacobian.T
    t = np.linspace(-3.0, 3.0, 60_001)
    upright = np.linspace(0.05, 4.0, 60_001)
    curves = [1j * (np.pi / 2 + t / 2)]
    curves += [np.log(side + 1j * upright) for side in (-0.5, 0.5)]
    curves += [-np.log(side - 1j * upright) for side in (-0.5, 0.5)]
    total = 0.0
    for curve in curves:
        gap = np.array([(curve - np.log(ratio)).real, (curve - np.log(ratio)).imag])
        density = np.exp(-0.5 * np.sum(gap * np.linalg.solve(shape_cov, gap), axis=0))
        density /= 2 * np.pi * np.sqrt(np.linalg.det(shape_cov))
        total += np.sum(0.5 * (density[1:] + density[:-1]) * np.abs(np.diff(curve)))
    expected = total / (np.pi / 3 + 4 * 0.7) * (1.4 * np.pi / 3)
    assert found["centred"] / found["oblique"] == pytest.approx(expected, rel=0.03)  # curvature of the curves


def test_a_blurred_net_leaves_the_question_open():
    a, b = np.array(CASES["rectangular"])
    support = weigh_net_types(a, b, np.eye(4) * 8.0**2)
    assert max(support.values()) < 0.7


def test_a_net_five_sd_from_square_is_not_called_square():
    support = weigh_net_types(np.array([80.0, 0.0]), np.array([0.0, 80.5]), SHARP)
    assert support["rectangular"] > 0.9
    nearer = weigh_net_types(np.array([80.0, 0.0]), np.array([0.0, 80.05]), SHARP)
    assert nearer["square"] > 0.8
