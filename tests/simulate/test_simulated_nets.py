"""Nets, their sites, and drift."""

import numpy as np
import pytest

from fragkit.simulate import NETS, NetPlan, sites_within


def test_half_drop_by_hand():
    net = NetPlan(across_mm=10.0, down_mm=6.0, offset_ratio=0.5)
    places = net.place(np.array([[0, 0], [1, 0], [0, 1], [-1, 2]]))
    assert places.tolist() == [[0.0, 0.0], [10.0, 0.0], [5.0, 6.0], [0.0, 12.0]]


@pytest.mark.parametrize("kind", tuple(NETS))
def test_sites_fill_a_box_once_each(kind):
    net = NETS[kind]
    index, xy = sites_within(net, (-500.0, -400.0, 700.0, 600.0), origin_mm=np.array([3.0, 8.0]), turn_deg=7.0)
    assert len(np.unique(index, axis=0)) == len(index)
    expected = 1200.0 * 1000.0 / (net.across_mm * net.down_mm)
    assert len(index) == pytest.approx(expected, rel=0.05)  # the border holds a few per cent
    back = (xy - [3.0, 8.0]) @ np.array([[np.cos(a := np.radians(7.0)), -np.sin(a)], [np.sin(a), np.cos(a)]])
    assert np.allclose(back, net.place(index), rtol=0, atol=1e-9)  # mm, rounding only


def test_hexagonal_net_has_six_equal_neighbours():
    net = NETS["hexagonal"]
    lengths = np.hypot(*net.place(np.array([[1, 0], [0, 1], [-1, 1], [-1, 0], [0, -1], [1, -1]])).T)
    assert np.ptp(lengths) < 1e-9


def test_growth_widens_the_spacing_along_x():
    net = NetPlan(across_mm=100.0, down_mm=50.0, offset_ratio=0.0, growth_ratio_per_m=0.01)
    x = net.place(np.column_stack([np.arange(11), np.zeros(11, int)]))[:, 0]
    assert np.diff(x)[0] == pytest.approx(100.05, abs=1e-9)  # 1 % a metre, at 50 mm
    assert np.diff(x)[9] == pytest.approx(100.95, abs=1e-9)  # at 950 mm


def test_bow_sags_on_both_sides():
    net = NetPlan(across_mm=100.0, down_mm=50.0, offset_ratio=0.0, bow_mm_per_m2=4.0)
    assert net.place(np.array([[-10, 0], [0, 0], [10, 0]]))[:, 1].tolist() == [-4.0, 0.0, -4.0]


def test_a_net_without_size_is_refused():
    with pytest.raises(ValueError, match=r"95\.0 by 0\.0 mm"):
        NetPlan(across_mm=95.0, down_mm=0.0, offset_ratio=0.5)
