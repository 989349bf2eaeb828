"""Boards with coded markers, and boards that are not what was asked for."""

from pathlib import Path

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify import board_points_mm, find_board, find_coded_board, rectify, solve_lens
from fragkit.survey import BoardControl, Markers

BOARD = Path(__file__).parents[1] / "reference/images/opencv/left01.jpg"
MARKERS = Markers(side_mm=22.5)
SIZE = {"columns": 7, "rows": 5}


def coded_wall(mm):
    """The printed board of 8 × 6 squares of 30 mm, first inner corner at (−90, 60), on a light wall."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    print_ = cv2.aruco.CharucoBoard((8, 6), 30.0, 22.5, dictionary).generateImage((1920, 1440), marginSize=0)
    column, row = ((mm[:, 0] + 120) * 8).astype(int), ((90 - mm[:, 1]) * 8).astype(int)
    inside = (column >= 0) & (column < 1920) & (row >= 0) & (row < 1440)
    levels = np.full(len(mm), 0.9)
    levels[inside] = 0.05 + 0.85 * print_[row[inside], column[inside]] / 255.0
    return np.repeat(levels[:, None], 3, axis=1)


@pytest.fixture(scope="module")
def shots(shoot):
    tilts = [(10, -12), (-14, 8), (16, 15)]
    return [shoot(tilt_deg=t, k1=-0.06, size_px=(540, 412), wall_mm=(260.0, 200.0)) for t in tilts]


@pytest.fixture(scope="module")
def photos(shots, paint):
    return [paint(shot, coded_wall) for shot in shots]


def true_corners(shot):
    return shot.see(board_points_mm(**SIZE, square_mm=30.0) + [-90.0, 60.0])


def test_corners_partly_hidden(shots, photos):
    hidden = photos[0].copy()
    hidden[:, :235] = 120
    seen, corners = find_coded_board(hidden, **SIZE, markers=MARKERS, square_mm=30.0)
    assert 8 <= len(seen) < 30
    clear = corners[:, 0] > 245.0  # a corner whose window meets the rim of what hides it is less good
    miss = (corners - true_corners(shots[0])[seen])[clear]
    assert np.sqrt(np.square(miss).mean()) < 0.1  # px


def test_upside_down_it_keeps_its_frame(shots, photos):
    turned = np.ascontiguousarray(photos[0][::-1, ::-1])
    seen, corners = find_coded_board(turned, **SIZE, markers=MARKERS, square_mm=30.0)
    back = np.array([539.0, 411.0]) - corners
    assert np.abs(back - true_corners(shots[0])[seen]).max() < 0.3  # px


def test_as_control(shots, photos):
    control = BoardControl(**SIZE, square_mm=30.0, markers=MARKERS)
    result = rectify(photos[0], control)
    wall = np.array([[-90.0, 60.0], [90.0, -60.0], [-110.0, 80.0]])
    np.testing.assert_allclose(result.to_mm(shots[0].see(wall)), wall - [-90.0, 60.0], rtol=0, atol=0.3)  # mm
    assert result.control_names[0] == "c1r1"


def test_as_lens_though_partly_hidden(shots, photos):
    covered = [photo.copy() for photo in photos]
    covered[1][284:] = 120
    lens = solve_lens(covered, **SIZE, square_mm=30.0, markers=MARKERS)
    assert lens.f_px == pytest.approx(shots[0].f_px, abs=4 * lens.sd[0] + 2.0)
    assert lens.k1 == pytest.approx(-0.06, abs=4 * lens.sd[3] + 0.01)
    assert lens.n_views == 3


def test_wrong_dictionary_size_and_markers(photos):
    with pytest.raises(EstimationError, match=r"not read in the photograph.*0 markers of 6x6_50"):
        find_coded_board(photos[0], **SIZE, markers=Markers(side_mm=22.5, dictionary="6x6_50"), square_mm=30.0)
    with pytest.raises(ValueError, match="no marker dictionary '3x3_7'"):
        find_coded_board(photos[0], **SIZE, markers=Markers(side_mm=20.0, dictionary="3x3_7"), square_mm=30.0)
    with pytest.raises(ValueError, match="do not fit into squares"):
        find_coded_board(photos[0], **SIZE, markers=Markers(side_mm=31.0), square_mm=30.0)
    with pytest.raises(ValueError, match="has 50 markers, the board 63"):
        find_coded_board(photos[0], columns=13, rows=8, markers=MARKERS, square_mm=30.0)


def test_a_coded_board_with_the_wrong_number_of_squares(photos):
    with pytest.raises(EstimationError, match=r"not read|contradict|look exchanged|is wrong"):
        rectify(photos[0], BoardControl(columns=8, rows=5, square_mm=30.0, markers=MARKERS))


@pytest.mark.parametrize(("columns", "rows"), [(6, 5), (8, 6), (9, 5), (5, 4), (9, 7)])
def test_a_board_with_other_squares_is_not_read_as_part_of_it(columns, rows):
    gray = cv2.imread(str(BOARD), cv2.IMREAD_GRAYSCALE)
    with pytest.raises(EstimationError, match=r"number of inner corners"):
        find_board(gray, columns=columns, rows=rows)


def test_the_board_that_is_there_is_named():
    gray = cv2.imread(str(BOARD), cv2.IMREAD_GRAYSCALE)
    with pytest.raises(EstimationError, match="no chessboard of 9 × 7 inner corners, but one of 9 × 6"):
        find_board(gray, columns=9, rows=7)


@pytest.mark.parametrize(
    ("columns", "rows", "message"),
    [(7, 4, "more squares than asked for.*markers up to number 23, where 7 × 4"), (6, 5, "more squares|is not read")],
)
def test_a_coded_board_of_other_size_is_named(columns, rows, message, photos):
    with pytest.raises(EstimationError, match=message):
        find_coded_board(photos[0], columns=columns, rows=rows, markers=MARKERS, square_mm=30.0)
