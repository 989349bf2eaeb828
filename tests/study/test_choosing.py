"""Photographs of one decoration agree on one net, whichever way each is turned and cut."""

import numpy as np
import pytest

from fragkit.net import Net, Nets, reduce_basis
from fragkit.study.choosing import agree, is_same_net, superbase_mm


def net(a, b, *, turn_deg=0.0, support=0.5):
    turn = np.deg2rad(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    a, b = reduce_basis(rotation @ a, rotation @ b)
    return Net(
        a_mm=a,
        b_mm=b,
        support=support,
        explained=0.5,
        evidence=20.0,
        independent_evidence=20.0,
        contrast_evidence=20.0,
        net_type="oblique",
    )


def nets(*candidates):
    return Nets(candidates=candidates, decided=True, correlation=np.zeros((3, 3), np.float32), lag_mm_per_px=1.0)


HALF_DROP = (np.array([62.0, 0.0]), np.array([31.0, 78.0]))
DOUBLE = (np.array([62.0, 0.0]), np.array([0.0, 156.0]))  # the rectangular net of the same motifs


def test_sides_of_a_half_drop_net_by_hand():
    expected = np.sort([62.0, np.hypot(31.0, 78.0), np.hypot(31.0, 78.0)])
    np.testing.assert_allclose(superbase_mm(net(*HALF_DROP)), expected, rtol=0, atol=1e-9)  # rounding


@pytest.mark.parametrize("turn_deg", range(0, 180, 15))
def test_turning_does_not_change_a_net(turn_deg):
    one, other = net(*HALF_DROP), net(*HALF_DROP, turn_deg=turn_deg)
    assert is_same_net(one, other)
    assert not is_same_net(one, net(*DOUBLE, turn_deg=turn_deg))


def test_the_common_net_is_taken_even_where_it_is_not_the_first():
    votes = {
        "one": nets(net(*HALF_DROP), net(*DOUBLE)),
        "two": nets(net(*DOUBLE, turn_deg=5), net(*HALF_DROP, turn_deg=5)),
        "three": nets(net(*HALF_DROP, turn_deg=40)),
    }
    chosen = agree(votes)
    assert all(is_same_net(found, net(*HALF_DROP)) for found in chosen.values())


def test_a_single_photograph_keeps_its_first_candidate():
    first = net(*DOUBLE)
    assert agree({"one": nets(first, net(*HALF_DROP))})["one"] is first
    assert agree({}) == {}


def test_another_decoration_has_no_such_net():
    other = nets(net(np.array([40.0, 0.0]), np.array([0.0, 40.0])))
    chosen = agree({"one": nets(net(*HALF_DROP)), "two": nets(net(*HALF_DROP)), "odd": other})
    assert chosen["odd"] is None
    assert chosen["one"] is not None
