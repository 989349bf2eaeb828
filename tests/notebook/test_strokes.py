"""Strokes against independent geometry: shapely's distances and areas, pixel by pixel."""

import numpy as np
from shapely import LineString, Point, Polygon, points

from fragkit.notebook.strokes import outlines, paint, shares_words

SHAPE = (60, 80)


def _centres():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return points(x.astype(float), y.astype(float))


def test_a_brush_labels_what_lies_within_its_radius():
    line = [[10.2, 12.0], [40.7, 33.1], [70.0, 20.0]]
    codes = paint([{"kind": "brush", "code": 3, "radius_px": 6.5, "points": line}], np.zeros(SHAPE, np.uint8))
    np.testing.assert_array_equal(codes == 3, LineString(line).distance(_centres()) <= 6.5)


def test_one_spot_and_a_stroke_beyond_the_edge():
    spot = {"kind": "brush", "code": 1, "radius_px": 5.0, "points": [[2.0, 3.0]]}
    codes = paint([spot], np.zeros(SHAPE, np.uint8))
    np.testing.assert_array_equal(codes == 1, Point(2.0, 3.0).distance(_centres()) <= 5.0)
    outside = {"kind": "brush", "code": 1, "radius_px": 5.0, "points": [[-50.0, -50.0], [-40.0, -50.0]]}
    assert not paint([outside], np.zeros(SHAPE, np.uint8)).any()


def test_an_outline_labels_the_pixels_whose_centre_is_inside():
    corners = [[10.3, 5.2], [60.6, 15.4], [30.1, 50.7]]
    codes = paint([{"kind": "outline", "code": 4, "points": corners}], np.zeros(SHAPE, np.uint8))
    np.testing.assert_array_equal(codes == 4, Polygon(corners).contains(_centres()))


def test_later_strokes_win_and_the_base_stays_as_it_is():
    base = np.full(SHAPE, 1, np.uint8)
    strokes = [
        {"kind": "brush", "code": 3, "radius_px": 8.0, "points": [[40.0, 30.0]]},
        {"kind": "brush", "code": 0, "radius_px": 3.0, "points": [[40.0, 30.0]]},
        {"kind": "example", "code": 5, "points": [[0.0, 0.0], [79.0, 59.0]]},
    ]
    codes = paint(strokes, base)
    assert (codes[30, 40], codes[30, 46], codes[0, 0]) == (0, 3, 1)
    assert (base == 1).all()


def test_labels_on_disk_are_drawn_with_their_holes():
    codes = np.zeros(SHAPE, np.uint8)
    codes[10:40, 10:50] = 3
    codes[20:30, 20:40] = 4
    metal, loss = outlines(codes)
    assert (metal["code"], len(metal["rings"]), loss["code"], len(loss["rings"])) == (3, 2, 4, 1)
    assert sorted(map(tuple, loss["rings"][0])) == [(20, 20), (20, 29), (39, 20), (39, 29)]


def test_shares_in_words():
    codes = np.zeros((10, 10), np.uint8)
    assert shares_words(codes) == "nothing labelled yet"
    codes[:3], codes[9, 0] = 1, 4
    assert shares_words(codes) == "ground 30 %, loss 1 %"
