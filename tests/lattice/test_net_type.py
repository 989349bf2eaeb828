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


def test_a_blurred_net_leaves_the_question_open():
    a, b = np.array(CASES["rectangular"])
    support = weigh_net_types(a, b, np.eye(4) * 8.0**2)
    assert max(support.values()) < 0.7


def test_a_net_five_sd_from_square_is_not_called_square():
    support = weigh_net_types(np.array([80.0, 0.0]), np.array([0.0, 80.5]), SHARP)
    assert support["rectangular"] > 0.9
    nearer = weigh_net_types(np.array([80.0, 0.0]), np.array([0.0, 80.05]), SHARP)
    assert nearer["square"] > 0.8
