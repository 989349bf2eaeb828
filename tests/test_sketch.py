"""Line drawings of cards: to scale, y up, escaped, and nothing for nothing."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from fragkit.card import card
from fragkit.sketch import side_by_side, sketch, sketch_bars, sketch_curve, sketch_swatches


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


def test_bars_are_as_long_as_their_numbers_and_say_them():
    root = ElementTree.fromstring(
        sketch_bars("leaf", {"cut": 1528.0, "by <area>": 382.0, "spare": 0.0, "dust": 1e-9}, unit="leaves")
    )
    widths = [float(bar.get("width")) for bar in root.iter("rect")]
    np.testing.assert_allclose(np.array(widths) / widths[0], [1.0, 0.25, 0.0, 0.0], rtol=0, atol=1e-3)
    words = [text.text for text in root.iter("text")]
    assert words == [
        "cut",
        "1,528 leaves",
        "by <area>",
        "382 leaves",
        "spare",
        "0 leaves",
        "dust",
        "under 0.001 leaves",
    ]
    assert sketch_bars("nothing", {}) == ""


def test_a_curve_fills_its_box_and_names_its_ends():
    drawing = sketch_curve("minutes", [1.0, 2.0, 40.0], [12.5, 9.0, 6.0], x_name="motif", y_name="minutes")
    root = ElementTree.fromstring(drawing)
    line = next(path.get("d") for path in root.iter("path") if path.get("stroke-width"))
    points = [tuple(map(float, point.split())) for point in line[1:].split("L")]
    assert points[0][1] == min(y for _, y in points)  # the greatest value stands highest
    assert points[-1][0] == max(x for x, _ in points)
    assert [text.text for text in root.iter("text")] == ["12", "6", "1", "40", "motif (across), minutes (up)"]


def test_swatches_have_their_colour_and_their_name():
    root = ElementTree.fromstring(sketch_swatches("colours", {"ground": (214, 204, 184)}))
    assert next(root.iter("rect")).get("fill") == "rgb(214,204,184)"
    assert next(root.iter("text")).text == "ground"
    assert sketch_swatches("nothing", {}) == ""


def test_outlines_side_by_side_do_not_meet():
    """By hand: a wall of 4 m that begins at −1 m, then one of 2 m."""
    walls = [np.array([[-1.0, 0.0], [3.0, 0.0], [3.0, 2.0]]), np.array([[5.0, 0.0], [7.0, 1.0]])]
    np.testing.assert_allclose(side_by_side(walls), [[1.0, 0.0], [-0.8, 0.0]], rtol=0, atol=1e-12)
