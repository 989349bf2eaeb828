"""Relief, and the camera out of a homography."""

import numpy as np
import pytest

from fragkit.rectify import given_lens, relief_shift_mm
from fragkit.rectify.lens import assumed_lens
from fragkit.rectify.plane import Observations, solve_plane
from fragkit.rectify.relief import find_camera, focal_length_px, relief_covariance_mm2, relief_sd_mm


def plane_of(shot, lens, *, sd=1e-3):
    xy_mm = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1]]) * shot.wall_mm / 2
    cov = np.tile(sd**2 * np.eye(2), (6, 1, 1))
    points = Observations(names=tuple("ABCDEF"), xy_px=shot.see(xy_mm), xy_mm=xy_mm, cov_mm2=cov, sd_px=sd)
    return solve_plane(points, lens)


def true_place(shot):
    return -shot.rotation.T @ shot.shift_mm


def test_shift_by_hand():
    # 8 mm proud, 1 m off the axis, camera at 2 m: 1000 · 8 / 1992 = 4.02 mm.
    assert relief_shift_mm(1000.0, 8.0, 2000.0) == pytest.approx(4.016, abs=5e-4)


def test_sd_of_an_even_spread():
    assert relief_sd_mm(3.0) == pytest.approx(3**0.5, abs=1e-12)


def test_camera_of_a_known_lens(shoot):
    shot = shoot(tilt_deg=(15.0, -20.0), roll_deg=5.0)
    camera = find_camera(plane_of(shot, given_lens(shot.f_px, shot.centre_px, k1_sd=0.0)))
    np.testing.assert_allclose([*camera.foot_mm, camera.height_mm], true_place(shot), rtol=0, atol=0.05)  # mm
    assert camera.basis == "lens"


def test_focal_length_is_used_only_where_the_view_carries_it(shoot):
    tilted = shoot(tilt_deg=(20.0, -20.0), f_ratio=1.1)
    camera = find_camera(plane_of(tilted, assumed_lens(*tilted.size_px), sd=0.05))
    assert camera.basis == "plane"
    assert camera.f_px == pytest.approx(1.1 * 4000, abs=20.0)
    assert camera.height_mm == pytest.approx(true_place(tilted)[2], abs=10.0)
    frontal = shoot(tilt_deg=(0.5, 0.0))
    assert find_camera(plane_of(frontal, assumed_lens(*frontal.size_px), sd=0.3)).basis == "assumed"


def test_sd_of_the_focal_length_is_that_of_repeats(shoot):
    rng = np.random.default_rng(1)
    shot = shoot(tilt_deg=(20.0, -18.0))
    xy_mm = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1]]) * shot.wall_mm / 2
    found = []
    for _ in range(120):
        points = Observations(
            names=tuple("ABCDEF"), xy_px=shot.see(xy_mm) + rng.normal(0, 0.4, (6, 2)),
            xy_mm=xy_mm + rng.normal(0, 0.3, (6, 2)), cov_mm2=np.tile(0.09 * np.eye(2), (6, 1, 1)), sd_px=0.4,
        )  # fmt: skip
        found.append(focal_length_px(solve_plane(points, assumed_lens(*shot.size_px))))
    values, sds = np.array(found).T
    assert np.std(values) / np.mean(sds) == pytest.approx(1.0, abs=0.2)  # 120 repeats fix an sd to 6 %


def test_covariance_is_that_of_simulated_relief(shoot):
    rng = np.random.default_rng(2)
    shot = shoot(tilt_deg=(12.0, 8.0))
    plane = plane_of(shot, given_lens(shot.f_px, shot.centre_px, k1_sd=0.0))
    place = np.array([[380.0, -250.0]])
    heights = rng.uniform(-3, 3, 4000)
    moved = plane.to_mm(shot.see(np.repeat(place, 4000, axis=0), heights)) - place
    stated = relief_covariance_mm2(find_camera(plane), place, 3.0)[0]
    np.testing.assert_allclose(moved.T @ moved / 4000, stated, rtol=0, atol=0.05 * np.trace(stated))  # mm²
