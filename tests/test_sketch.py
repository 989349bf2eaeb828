"""Line drawings of cards: to scale, y up, escaped, and nothing for nothing."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from fragkit.card import card
from fragkit.sketch import sketch


def _circles(drawing):
    return [(float(c.get("cx")), float(c.get("cy"))) for c in ElementTree.fromstring(drawing).iter("circle")]


def test_marks_stand_to_one_scale_with_y_up():
    low, right, up = _circles(sketch("three", dots_mm=[[0.0, 0.0], [300.0, 0.0], [0.0, 100.0]]))
    assert (right[0] - low[0]) / (low[1] - up[1]) == pytest.approx(3.0, abs=0.01)  # tenths of a pixel
    assert right[1] == low[1]
    assert up[1] < low[1]


def test_what_it_says_is_escaped_and_nothing_draws_nothing():
    drawing = sketch('a "wall" <1>', rings_mm=[np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])])
    assert ElementTree.fromstring(drawing).get("aria-label") == 'a "wall" <1>'
    assert sketch("nothing") == ""


def test_it_takes_the_colours_of_the_page():
    drawing = sketch("ring", rings_mm=[np.eye(2)], dots_mm=[[0.0, 0.0]], lines_mm=[np.eye(2)])
    assert "currentColor" in drawing
    assert "#" not in drawing
    assert drawing in card("Ring", [], drawing=drawing)
