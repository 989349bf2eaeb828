"""The true-scale picture: scale, orientation, depth, coverage, and the whole of `rectify`."""

from dataclasses import replace

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify import find_board, rectify
from fragkit.rectify.resample import _exact_maps, _maps
from fragkit.survey import BoardControl, Photograph, PointControl

SIZE = (600, 460)
WALL = (800.0, 600.0)


def quarters(mm):
    """Red grows to the right, green upwards, blue marks a disc of 40 mm at (150, 100)."""
    disc = np.hypot(*(mm - [150.0, 100.0]).T) < 40.0
    return np.column_stack([0.5 + mm[:, 0] / 1600, 0.5 + mm[:, 1] / 1200, disc]).clip(0, 1)


def board(mm):
    """Squares of 60 mm, 7 × 5 inner corners, first inner corner at (−180, 120), on white."""
    i, j = np.floor((mm[:, 0] + 240) / 60), np.floor((180 - mm[:, 1]) / 60)
    dark = (i >= 0) & (i < 8) & (j >= 0) & (j < 6) & ((i + j) % 2 == 0)
    return np.repeat(np.where(dark, 0.1, 0.9)[:, None], 3, axis=1)


@pytest.fixture(scope="module")
def shot(shoot):
    return shoot(tilt_deg=(12.0, -15.0), roll_deg=4.0, k1=-0.06, size_px=SIZE, wall_mm=WALL)


@pytest.fixture(scope="module")
def photo(shot, paint):
    pixels = paint(shot, quarters)
    pixels.setflags(write=False)
    return pixels


@pytest.fixture
def control(shot):
    xy_mm = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1], [-1, 0], [1, 0]]) * np.array(WALL) / 2.2
    return PointControl(names=tuple("ABCDEFGH"), xy_px=shot.see(xy_mm), xy_mm=xy_mm, sd_mm=np.full(8, 0.05), sd_px=0.05)


def centroid_mm(picture, mask):
    y, x = np.nonzero(mask)
    return picture.to_mm(np.column_stack([x, y])).mean(axis=0)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_scale_orientation_and_depth(shot, control, paint, dtype):
    photo = paint(shot, quarters, dtype=dtype)
    before = photo.copy()
    result = rectify(photo, control)
    picture, top = result.picture, np.iinfo(dtype).max
    assert (photo == before).all()
    assert picture.pixels.dtype == dtype
    disc = (picture.pixels[:, :, 2] > top / 2) & picture.coverage
    np.testing.assert_allclose(centroid_mm(picture, disc), [150.0, 100.0], rtol=0, atol=0.1)  # a tenth of a pixel
    assert disc.sum() * picture.mm_per_px**2 == pytest.approx(np.pi * 40**2, abs=15.0)  # mm², 0.3 %
    rows, columns = picture.pixels.shape[:2]
    middle = picture.pixels[rows // 2, columns // 2]
    assert picture.pixels[rows // 4, columns // 2, 1] > middle[1]  # upwards is green
    assert picture.pixels[rows // 2, 3 * columns // 4, 0] > middle[0]  # rightwards is red


def test_sampling_is_what_the_photograph_carries(shot, photo, control):
    natural = rectify(photo, control)
    edge = shot.see(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    area_px = abs(np.linalg.det(edge[1:] - edge[0]))
    assert natural.picture.mm_per_px == pytest.approx(1 / np.sqrt(area_px), abs=0.1 / np.sqrt(area_px))
    with pytest.raises(ValueError, match=r"mm_per_px is 0\.1; the photograph carries .* mm per px at best"):
        rectify(photo, control, mm_per_px=0.1)


def test_shrinking_averages(shot, control, paint):
    # A grid far finer than the coarse pixels must come out even, not as moiré.
    stripes = paint(shot, lambda mm: np.repeat((mm[:, :1] % 5 < 2.5) * 0.8 + 0.1, 3, axis=1))
    coarse = rectify(stripes, control, mm_per_px=10.0).picture
    inner = coarse.pixels[8:-8, 8:-8, 0][coarse.coverage[8:-8, 8:-8]]
    assert inner.std() < 4.0  # grey levels of 255; picking single samples leaves about 20


def test_coverage_ends_with_the_photograph_and_the_hull(shot, photo, control):
    result = rectify(photo, control)
    y, x = np.nonzero(result.picture.coverage)
    mm = result.picture.to_mm(np.column_stack([x, y]))
    px = shot.see(mm)
    assert ((px > -0.6) & (px < np.array(SIZE) - 0.4)).all()
    assert (np.abs(mm) <= 1.25 * np.abs(control.xy_mm).max(axis=0) + result.picture.mm_per_px).all()
    assert any("Nothing is shown beyond 1.25" in note for note in result.notes)


def test_area_as_asked_and_its_limits(photo, control):
    result = rectify(photo, control, area_mm=(100.0, 50.0, 200.0, 150.0), mm_per_px=2.0)
    assert result.picture.coverage.shape == (50, 50)
    np.testing.assert_allclose(result.picture.origin_mm, [101.0, 149.0], rtol=0, atol=1e-9)
    with pytest.raises(ValueError, match=r"reaches beyond 1\.25 × the extent of the control"):
        rectify(photo, control, area_mm=(-900.0, 0.0, 0.0, 100.0))
    with pytest.raises(ValueError, match="is empty"):
        rectify(photo, control, area_mm=(10.0, 0.0, 0.0, 100.0))


def test_sampling_map_is_that_of_each_place(shot, photo, control):
    result = rectify(photo, control)
    sampling = result.sampling_map_mm()
    assert sampling.shape == result.picture.coverage.shape
    assert (sampling[~result.picture.coverage] == 0).all()
    for row, column in ((120, 150), (300, 420)):
        mm = result.picture.to_mm(np.array([[column, row]]))[0]
        corners = shot.see(mm + np.array([[0.0, 0.0], [0.1, 0.0], [0.0, 0.1]]))
        expected = 0.1 / np.sqrt(abs(np.linalg.det(corners[1:] - corners[0])))
        assert sampling[row, column] == pytest.approx(expected, abs=0.01 * expected)  # 1 % of a pixel


def test_colour_profile_is_kept(photo, control):
    named = Photograph(pixels=photo, icc=b"a profile", sha256="", file="wall.jpg")
    assert rectify(named, control).picture.icc == b"a profile"
    assert rectify(photo, control).picture.icc is None


def test_grey_photographs_and_photographs_with_a_file(photo, control):
    grey = rectify(photo[:, :, 1], control)
    assert grey.picture.pixels.shape[2] == 3
    named = rectify(Photograph(pixels=photo, icc=None, sha256="", file="wall.jpg"), control)
    assert (named.picture.pixels[:, :, 1] == grey.picture.pixels[:, :, 1]).all()


def test_board_in_the_plane(shot, paint):
    control = BoardControl(columns=7, rows=5, square_mm=60.0)
    photo = paint(shot, board)
    result = rectify(photo, control)
    # Frame of the board: first inner corner at (0, 0), y up; it lies at (−180, 120) of the wall.
    wall = np.array([[-180.0, 120.0], [180.0, 120.0], [180.0, -120.0], [-250.0, 200.0]])
    np.testing.assert_allclose(result.to_mm(shot.see(wall)), wall - [-180.0, 120.0], rtol=0, atol=0.5)  # mm
    again = find_board(result.picture.pixels, columns=7, rows=5)
    steps = np.diff(again.reshape(5, 7, 2), axis=1)[..., 0] * result.picture.mm_per_px
    assert steps.mean() == pytest.approx(60.0, abs=0.05)
    middle = result.picture.to_px(np.array([[180.0, -120.0]]))[0].round().astype(int)
    assert not result.picture.coverage[middle[1], middle[0]]  # the board is foreign to the wall


def test_budget_names_the_largest(photo, control):
    flat, rough = rectify(photo, control), rectify(photo, control, flatness_mm=6.0)
    assert flat.budget["relief"] == 0.0
    assert any("Relief is not counted" in note for note in flat.notes)
    assert max(rough.budget, key=rough.budget.get) == "relief"
    assert any("relief is the largest" in note for note in rough.notes)
    assert rough.sd_mm == pytest.approx(np.sqrt(sum(sd**2 for sd in rough.budget.values())), abs=1e-12)


def test_result_shows_itself_and_cannot_be_changed(photo, control):
    result = rectify(photo, control)
    assert repr(result).startswith("Rectified(")
    assert "<table" in result._repr_html_()
    with pytest.raises(ValueError, match="read-only"):
        result.residuals_mm[0] = 0.0
    assert result.lens.source == "solved with the plane"
    assert result.homography.shape == (3, 3)
    assert result.parameter_cov.shape == (13, 13)
    assert result.rms_mm < 0.05
    assert result.n_control == 8


def test_metres_given_for_millimetres(shot, control):
    metres = replace(control, xy_mm=control.xy_mm / 1000, sd_mm=control.sd_mm / 1000)
    with pytest.raises(EstimationError, match=r"cannot be in millimetres.*give the coordinates in mm, not m"):
        rectify(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), metres)


def test_wall_of_four_metres_given_as_four_in_a_small_picture(shot, control):
    four = replace(control, xy_mm=control.xy_mm * 4 / np.ptp(control.xy_mm[:, 0]), sd_mm=control.sd_mm / 1000)
    with pytest.raises(EstimationError, match=r"cannot be in millimetres.*must be multiplied by 1000"):
        rectify(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), four)


def test_control_picked_in_the_photograph_turned_the_other_way(control):
    with pytest.raises(EstimationError, match=r"outside the photograph\. All points fit .* turned by 90°"):
        rectify(np.zeros((SIZE[0], SIZE[1], 3), np.uint8), control)
    xy = np.array(control.xy_px)
    xy[1, 0] = 900.0
    with pytest.raises(EstimationError, match=r"Control point B was picked outside .*\(900, "):
        rectify(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), replace(control, xy_px=xy))


@pytest.mark.parametrize("pixels", [np.zeros((50, 50, 3)), np.zeros((50, 50, 4), np.uint8)])
def test_refuses_pixels_of_another_kind(control, pixels):
    with pytest.raises(ValueError, match="uint8 or uint16"):
        rectify(pixels, control)


def test_refuses_a_negative_flatness(control):
    with pytest.raises(ValueError, match=r"flatness_mm is -1\.0"):
        rectify(np.zeros((50, 50, 3), np.uint8), control, flatness_mm=-1.0)


def test_interpolated_map_keeps_to_the_exact_one(shot, control):
    plane = rectify(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), control).plane
    xs, ys = np.arange(-400.0, 400.0, 0.8), np.arange(300.0, -300.0, -0.8)
    quick, exact = _maps(plane, xs, ys, (SIZE[1], SIZE[0])), _exact_maps(plane, xs, ys)
    for axis in range(2):
        assert np.abs(quick[axis] - exact[axis]).max() < 0.005  # px
