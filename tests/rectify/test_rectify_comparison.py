"""Two photographs of one area, and a photograph planned, against simulation."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify import compare_photographs, given_lens, lens_35mm, plan_photograph, rectify
from fragkit.rectify.lens import assumed_lens
from fragkit.rectify.plane import Observations, solve_plane
from fragkit.survey import PointControl

SIZE, WALL = (720, 544), (800.0, 600.0)


@pytest.fixture(scope="module")
def shots(shoot):
    tilts = [((10.0, -12.0), -0.05), ((-8.0, 9.0), -0.02)]
    return [shoot(tilt_deg=tilt, k1=k1, size_px=SIZE, wall_mm=WALL) for tilt, k1 in tilts]


@pytest.fixture(scope="module")
def photos(shots, paint):
    noise = np.random.default_rng(0).random((75, 100, 3)).astype(np.float32)
    texture = cv2.GaussianBlur(cv2.resize(noise, (1000, 750), interpolation=cv2.INTER_NEAREST), (0, 0), 2)

    def wall(mm):
        column = np.clip(mm[:, 0] + 500, 0, 999).astype(int)
        return texture[np.clip(mm[:, 1] + 375, 0, 749).astype(int), column]

    return [paint(shot, wall) for shot in shots]


def rectified(shot, photo, rng, *, stretch=1.0, flatness_mm=0.0):
    corners_and_sides = [[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1], [-1, 0], [1, 0]]
    xy = np.array(corners_and_sides) * np.array(WALL) / 2.2
    control = PointControl(
        names=tuple("ABCDEFGH"), xy_px=shot.see(xy) + rng.normal(0, 0.4, (8, 2)),
        xy_mm=stretch * xy + rng.normal(0, 0.3, (8, 2)), sd_mm=np.full(8, 0.3), sd_px=0.4,
    )  # fmt: skip
    return rectify(photo, control, flatness_mm=flatness_mm)


def test_sound_pairs_agree_within_their_budgets(shots, photos):
    found, allowed, chances = [], [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        pair = [rectified(*both, rng) for both in zip(shots, photos, strict=True)]
        result = compare_photographs(*pair)
        found.append(result.rms_mm)
        allowed.append(result.allowed_mm)
        chances.append(result.chance)
    assert np.sqrt(np.mean(np.square(found))) / np.mean(allowed) == pytest.approx(1.0, abs=0.35)  # 8 pairs
    assert min(chances) > 0.005
    assert "which their budgets allow" in result.notes[0]


def test_matching_agrees_with_the_solved_planes(shots, photos):
    # Independent of matching: where each plane puts the same true point.
    rng = np.random.default_rng(3)
    first, second = (rectified(*both, rng) for both in zip(shots, photos, strict=True))
    matched = compare_photographs(first, second)
    true = np.array([[0.0, 0.0], [200.0, 150.0], [-250.0, -100.0], [150.0, -180.0]])
    picked = compare_photographs(first, second, points_px=(shots[0].see(true), shots[1].see(true)))
    for place, apart in zip(picked.xy_mm, picked.apart_mm, strict=True):
        nearest = np.argmin(np.hypot(*(matched.xy_mm - place).T))
        np.testing.assert_allclose(matched.apart_mm[nearest], apart, rtol=0, atol=0.25)  # mm, a quarter pixel


def test_control_that_is_stretched_shows(shots, photos):
    rng = np.random.default_rng(4)
    first = rectified(shots[0], photos[0], rng)
    second = rectified(shots[1], photos[1], rng, stretch=1.012)
    result = compare_photographs(first, second)
    assert not result.agree
    assert "more than chance leaves" in result.notes[0]
    assert repr(result).startswith("Comparison(")
    assert "they disagree" in result._repr_html_()
    rough = rectified(shots[1], photos[1], rng, stretch=1.012, flatness_mm=15.0)
    assert compare_photographs(first, rough).allowed_mm > 2 * result.allowed_mm  # relief has its share


def test_pairs_that_cannot_be_compared(shots, photos):
    rng = np.random.default_rng(5)
    first = rectified(shots[0], photos[0], rng)
    blank = rectified(shots[1], np.full_like(photos[1], 128), rng)
    with pytest.raises(EstimationError, match=r"too little of their overlap matches.*0 matched tiles"):
        compare_photographs(first, blank)


def test_equivalent_focal_length_by_hand():
    # 26 mm on 43.27 mm diagonal; 4032 × 3024 px have a diagonal of 5040 px: 3028 px.
    assert lens_35mm(26.0, width_px=4032, height_px=3024).f_px == pytest.approx(3028.6, abs=0.5)
    with pytest.raises(ValueError, match="f35_mm is 0"):
        lens_35mm(0.0, width_px=4032, height_px=3024)


def test_plan_is_what_photographs_then_show(shoot):
    # A frontal-ish photograph simulated 60 times with the planned control; rms error against the plan.
    rng = np.random.default_rng(6)
    plan = plan_photograph(
        lens_35mm(28.0, width_px=4000, height_px=3000), distance_mm=1000.0, control_sd_mm=0.5,
        area_mm=(900.0, 650.0),
    )  # fmt: skip
    misses = []
    for _ in range(60):
        tilt = rng.choice([-8.0, 8.0], 2)
        shot = shoot(tilt_deg=tuple(tilt), k1=rng.normal(0, 0.05), f_ratio=0.81, wall_mm=(1000.0, 750.0))
        corners_and_sides = [[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1], [-1, 0], [1, 0]]
        xy = np.array(corners_and_sides) * [450.0, 325.0]
        points = Observations(
            names=tuple("ABCDEFGH"), xy_px=shot.see(xy) + rng.normal(0, 0.5, (8, 2)),
            xy_mm=xy + rng.normal(0, 0.5, (8, 2)), cov_mm2=np.tile(0.25 * np.eye(2), (8, 1, 1)), sd_px=0.5,
        )  # fmt: skip
        check = rng.uniform(-0.5, 0.5, (20, 2)) * [900.0, 650.0]
        misses.append(solve_plane(points, assumed_lens(*shot.size_px)).to_mm(shot.see(check)) - check)
    assert np.sqrt(np.mean(np.square(misses))) / plan.sd_mm == pytest.approx(1.0, abs=0.15)


def test_plan_says_what_would_halve_it():
    phone = lens_35mm(26.0, width_px=4032, height_px=3024)
    rough = plan_photograph(phone, distance_mm=1500.0, flatness_mm=25.0)
    assert max(rough.budget, key=rough.budget.get) == "relief"
    assert "largest part is relief" in rough.notes[0]
    assert rough.changes["twice the distance, the same area"] < 0.7 * rough.sd_mm
    assert "About halved by: " in rough.notes[1]
    assert "twice the distance" in rough.notes[1]
    four = plan_photograph(phone, distance_mm=1500.0, n_control=4)
    assert "the lens solved from ten board photographs" in four.notes[1]  # four points leave k1 to its prior
    assert four.sd_mm > 5 * plan_photograph(phone, distance_mm=1500.0, n_control=8).sd_mm
    assert "<table" in four._repr_html_()


def test_plan_halves_with_the_control_where_control_is_all():
    known = given_lens(3000.0, (1999.5, 1499.5), k1_sd=0.0)
    plan = plan_photograph(known, distance_mm=1000.0, control_sd_mm=5.0)
    assert plan.changes["control measured twice as well"] == pytest.approx(plan.sd_mm / 2, abs=0.02 * plan.sd_mm)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"distance_mm": -1.0}, "distance_mm and control_sd_mm must be above 0"),
        ({"distance_mm": 1000.0, "n_control": 3}, "n_control is 3"),
        ({"distance_mm": 1000.0, "area_mm": (9000.0, 500.0)}, "does not fit the photograph.*stand farther away"),
    ],
)
def test_plans_that_are_none(options, message):
    with pytest.raises(ValueError, match=message):
        plan_photograph(lens_35mm(26.0, width_px=4032, height_px=3024), **options)
