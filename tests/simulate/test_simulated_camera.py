"""The simulated camera against an independent projection, and relief against its formula."""

import numpy as np
import pytest

from fragkit.opencv import cv2
from fragkit.simulate import LensPlan, facing
from fragkit.simulate.relief import Relief, draw_relief

LENS = LensPlan()
POINTS_MM = np.array([[0.0, 0.0], [310.0, 205.0], [-290.0, 180.0], [250.0, -190.0], [-305.0, -210.0]])


@pytest.fixture
def camera():
    return facing((12.0, -7.0), distance_mm=830.0, lens=LENS, tilt_deg=(14.0, -22.0), roll_deg=3.0)


def test_projection_agrees_with_opencv(camera):
    inner = np.array([[LENS.f_px, 0, LENS.centre_px[0]], [0, LENS.f_px, LENS.centre_px[1]], [0, 0, 1.0]])
    space = np.column_stack([POINTS_MM, np.zeros(len(POINTS_MM))])
    turn, _ = cv2.Rodrigues(camera.rotation)
    expected, _ = cv2.projectPoints(
        space, turn, -camera.rotation @ camera.position_mm, inner, np.array([LENS.k1, LENS.k2, 0.0, 0.0])
    )
    assert np.allclose(camera.project(POINTS_MM), expected[:, 0], rtol=0, atol=1e-6)  # px, rounding only


def test_homography_and_distortion_make_the_projection(camera):
    homogeneous = np.column_stack([POINTS_MM, np.ones(len(POINTS_MM))]) @ camera.homography.T
    ideal = homogeneous[:, :2] / homogeneous[:, 2:]
    assert np.allclose(LENS.distort(ideal), camera.project(POINTS_MM), rtol=0, atol=1e-8)  # px


def test_the_axis_meets_the_target(camera):
    assert np.allclose(camera.project([12.0, -7.0]), LENS.centre_px, rtol=0, atol=1e-9)  # px


def test_pixels_lead_back_to_the_wall_over_relief(camera):
    relief = draw_relief((-400.0, -300.0, 400.0, 300.0), relief_mm=4.0, rng=np.random.default_rng(3))
    there = camera.to_wall(camera.project(POINTS_MM, relief), relief)
    assert np.allclose(there, POINTS_MM, rtol=0, atol=1e-4)  # mm; four steps towards the surface


def test_relief_moves_a_point_as_the_formula_says():
    """Similar triangles: d = r h / (H - h); 8 mm, 1 m off axis, camera at 2 m gives 4.02 mm."""
    bulge = Relief(centres_mm=np.array([[1000.0, 0.0]]), radius_mm=np.array([50.0]), height_mm=np.array([8.0]))
    camera = facing((0.0, 0.0), distance_mm=2000.0, lens=LensPlan(k1=0.0, k2=0.0, size_px=(6000, 4000)))
    seen = camera.to_wall(camera.project([1000.0, 0.0], bulge))
    assert seen[0] - 1000.0 == pytest.approx(1000.0 * 8.0 / 1992.0, abs=1e-6)  # mm


def test_roll_turns_the_picture_anticlockwise_and_tilt_moves_the_camera():
    rolled = facing((0.0, 0.0), distance_mm=800.0, lens=LENS, roll_deg=10.0)
    right = rolled.project([100.0, 0.0]) - rolled.project([0.0, 0.0])
    assert right[1] < 0.0  # a point to the right has moved up
    tilted = facing((0.0, 0.0), distance_mm=800.0, lens=LENS, tilt_deg=(20.0, -10.0))
    assert tilted.position_mm[1] > 0.0 > tilted.position_mm[0]
    assert np.linalg.norm(tilted.position_mm) == pytest.approx(800.0, abs=1e-9)


def test_strong_distortion_is_undone():
    strong = LensPlan(k1=-0.12, k2=0.03)
    px = np.array([[0.0, 0.0], [2399.0, 1799.0], [400.0, 900.0]])
    assert np.allclose(strong.distort(strong.undistort(px)), px, rtol=0, atol=1e-4)  # px


def test_the_footprint_holds_every_corner(camera):
    x0, y0, x1, y1 = camera.footprint_mm(margin_mm=0.0)
    corners = camera.to_wall(np.array([[0.0, 0.0], [2399.0, 0.0], [2399.0, 1799.0], [0.0, 1799.0]]))
    assert (corners >= [x0, y0]).all()
    assert (corners <= [x1, y1]).all()


def test_a_camera_behind_the_wall_is_refused():
    with pytest.raises(ValueError, match="within 80 degrees"):
        facing((0.0, 0.0), distance_mm=800.0, lens=LENS, tilt_deg=(0.0, 95.0))
