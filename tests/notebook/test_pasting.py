"""Rows from a spreadsheet, as people paste them."""

import pytest

from fragkit.notebook.pasting import parse_number, paste_coordinates, paste_distances
from fragkit.survey.marked import MarkedPoint, TapedDistance

P1 = MarkedPoint(name="P1", x_px=10.0, y_px=20.0)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.5", 12.5),
        ("12,5", 12.5),
        ("−3", -3.0),
        ("+.5", 0.5),
        ("7.", 7.0),
        ("1.234,5", None),
        ("", None),
        ("nan", None),
    ],
)
def test_numbers_with_point_or_comma(text, value):
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "P1\t1210,5\t0\t0,4",
        "P1\t1210.5\t0\t0.4",
        "P1; 1210,5; 0; 0,4",
        "P1,1210.5,0,0.4",
        "P1, 1210.5, 0, 0.4",
        "P1 1210.5 0 0.4",
        "name\tacross\tup\tsd\r\nP1\t1210.5\t0\t0.4\r\n\r\n",
    ],
)
def test_one_row_however_it_is_separated(text):
    (point,), unread = paste_coordinates(text, [P1], sd_mm=1.0)
    assert point == MarkedPoint(name="P1", x_px=10.0, y_px=20.0, x_mm=1210.5, y_mm=0.0, sd_mm=0.4)
    assert unread == ()


def test_rows_without_an_error_keep_the_one_that_is_there():
    known = MarkedPoint(name="P1", x_px=1.0, y_px=2.0, x_mm=3.0, y_mm=4.0, sd_mm=0.3)
    assert paste_coordinates("P1\t5\t6", [known], sd_mm=1.0)[0][0].sd_mm == 0.3
    assert paste_coordinates("P1\t5\t6", [P1], sd_mm=1.0)[0][0].sd_mm == 1.0


def test_rows_with_pixels_make_points_and_others_are_handed_back():
    text = "P9\t100.5\t200\t0\t1\t0.3\nP8\t1\t2\nP1\tone\t2"
    points, unread = paste_coordinates(text, [P1], sd_mm=1.0)
    assert points == (P1, MarkedPoint(name="P9", x_px=100.5, y_px=200.0, x_mm=0.0, y_mm=1.0, sd_mm=0.3))
    assert unread == ("P8\t1\t2", "P1\tone\t2")


def test_distances():
    text = "from\tto\tdistance\nP1\tP2\t1534,5\nP2\tP3\t800\t0.5\nP1\tP2\t-4\nP1\t\t12"
    distances, unread = paste_distances(text, sd_mm=1.0)
    assert distances == (
        TapedDistance(start="P1", end="P2", distance_mm=1534.5, sd_mm=1.0),
        TapedDistance(start="P2", end="P3", distance_mm=800.0, sd_mm=0.5),
    )
    assert unread == ("P1\tP2\t-4", "P1\t\t12")
