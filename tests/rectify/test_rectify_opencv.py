"""Silent faults of OpenCV 5.0 that touch this room, each pinned with the way round it."""

import numpy as np
import pytest

from fragkit.opencv import cv2
from fragkit.rectify import find_board
from fragkit.rectify.comparison import _shift
from fragkit.rectify.resample import MAX_SIDE_PX


def shifted(source):
    place = np.meshgrid(np.arange(8, dtype=np.float32), np.arange(8, dtype=np.float32))
    maps = [axis + np.float32(0.25) for axis in place]
    return cv2.remap(source, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_cubic_is_right_to_the_border_in_the_types_that_are_used(dtype):
    # Cubic of float64 truncates the source to whole numbers at the border; the room never warps float64.
    level = 0.7 if dtype == np.float32 else 7
    np.testing.assert_allclose(shifted(np.full((8, 8), level, dtype)), level, rtol=0, atol=1e-6)


def test_remap_takes_no_side_above_the_limit_that_is_refused():
    strip = np.zeros((1, MAX_SIDE_PX + 1), np.uint8)
    at = np.zeros((1, 1), np.float32)
    with pytest.raises(cv2.error):
        cv2.remap(strip, at, at, cv2.INTER_LINEAR)
    assert cv2.remap(strip[:, :MAX_SIDE_PX], at, at, cv2.INTER_LINEAR).shape == (1, 1)


def test_nothing_found_is_none_and_corners_have_no_middle_axis():
    # detectBoard gives None where 4.x gave empty arrays, and (n, 2) where it gave (n, 1, 2).
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((5, 4), 30.0, 20.0, dictionary)
    detector = cv2.aruco.CharucoDetector(board)
    assert detector.detectBoard(np.full((200, 250), 128, np.uint8))[1] is None
    corners = detector.detectBoard(board.generateImage((500, 400), marginSize=20))[0]
    assert np.asarray(corners, float).reshape(-1, 2).shape == (12, 2)


def test_masked_or_flat_matching_is_not_taken_for_a_match():
    # TM_CCOEFF_NORMED over flat areas gives NaN, inf or 1: nothing may be matched there.
    flat = np.zeros((200, 200), np.float32)
    assert _shift(flat, flat, 60, 60, 24) is None


def test_second_board_detector_takes_part_of_a_board_for_the_whole():
    squares = np.kron((np.indices((7, 10)).sum(axis=0) % 2).astype(np.uint8), np.ones((40, 40), np.uint8)) * 255
    image = cv2.GaussianBlur(np.pad(squares, 60, constant_values=255), (0, 0), 1.0)
    assert find_board(image, columns=9, rows=6).shape == (54, 2)
    for columns, rows in ((6, 5), (8, 5), (9, 5)):
        with pytest.raises(Exception, match="number of inner corners"):
            find_board(image, columns=columns, rows=rows)
