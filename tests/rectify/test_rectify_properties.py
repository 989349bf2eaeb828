"""What must hold for every public function of rectify, tried on inputs that hypothesis invents."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as some

from fragkit import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify import (
    adjust_figure,
    board_points_mm,
    compare_photographs,
    find_board,
    find_coded_board,
    fit_tone,
    lens_35mm,
    plan_photograph,
    rectify,
    refine_mark,
    set_tone,
    solve,
    solve_lens,
)
from fragkit.survey import ChartEntry, PointControl, TapeControl
from fragkit.survey.entries import Markers

calm = settings(
    max_examples=20,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    derandomize=True,
)
few = settings(calm, max_examples=4)
seeds = some.integers(0, 9999)
sizes = some.floats(5.0, 60.0)


@given(columns=some.integers(2, 9), rows=some.integers(2, 9), square=sizes)
@calm
def test_board_points_stand_one_square_apart(columns, rows, square):
    xy = board_points_mm(columns=columns, rows=rows, square_mm=square).reshape(rows, columns, 2)
    np.testing.assert_allclose(np.diff(xy[..., 0], axis=1), square, rtol=0, atol=1e-9)
    np.testing.assert_allclose(np.abs(np.diff(xy[..., 1], axis=0)), square, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(xy[0, 0], [0.0, 0.0])


@given(f35=some.floats(13.0, 200.0), factor=some.floats(0.2, 5.0), width=some.integers(600, 8000))
@calm
def test_a_lens_by_its_equivalent_grows_with_the_picture(f35, factor, width):
    one = lens_35mm(f35, width_px=width, height_px=3 * width // 4)
    longer = lens_35mm(f35 * factor, width_px=width, height_px=3 * width // 4)
    assert longer.f_px == pytest.approx(factor * one.f_px, rel=1e-9)
    double = lens_35mm(f35, width_px=2 * width, height_px=2 * (3 * width // 4))
    assert double.f_px == pytest.approx(2.0 * one.f_px, rel=1e-9)


@given(distance=some.floats(600.0, 6000.0), flatness=some.floats(0.0, 5.0), control=some.floats(0.1, 3.0))
@few
def test_a_plan_is_never_better_for_worse_conditions(distance, flatness, control):
    lens = lens_35mm(28.0, width_px=4000, height_px=3000)
    plain = plan_photograph(lens, distance_mm=distance, flatness_mm=flatness, control_sd_mm=control)
    for change in ({"flatness_mm": flatness + 2.0}, {"control_sd_mm": 2.0 * control}, {"n_control": 4}):
        options = {"distance_mm": distance, "flatness_mm": flatness, "control_sd_mm": control} | change
        assert plan_photograph(lens, **options).sd_mm >= plain.sd_mm - 1e-9


def noise(seed, *, dtype=np.uint8):
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, (240, 320, 3)).astype(dtype)


@given(seed=seeds, dtype=some.sampled_from([np.uint8, np.uint16]), level=some.integers(0, 255))
@settings(calm, max_examples=6)
def test_no_board_and_no_mark_in_noise_or_in_nothing(seed, dtype, level):
    plain = np.full((240, 320, 3), level, dtype)
    for pixels in (noise(seed, dtype=dtype), plain):
        with pytest.raises(EstimationError, match=r"."):
            find_board(pixels, columns=6, rows=5)
        with pytest.raises(EstimationError, match=r"."):
            find_coded_board(pixels, columns=6, rows=5, markers=Markers(side_mm=15.0), square_mm=20.0)
        with pytest.raises(EstimationError, match=r"."):
            solve_lens([pixels] * 4, columns=6, rows=5, square_mm=20.0)
    for kind in ("cross", "dot", "corner"):
        with pytest.raises(EstimationError, match=r"."):
            refine_mark(plain, (160.0, 120.0), kind=kind)


@given(x=some.floats(110.0, 140.0), y=some.floats(70.0, 90.0), square=some.integers(24, 40), turn=some.integers(0, 3))
@settings(calm, max_examples=8)
def test_a_drawn_board_is_found_where_it_was_drawn(x, y, square, turn):
    """A board of 6 × 4 inner corners drawn 8-fold and reduced: its corners are known without any library."""
    fine = np.full((8 * 400, 8 * 520), 235, np.uint8)
    for i in range(7):
        for j in range(5):
            if (i + j) % 2 == 0:
                low = np.round(8 * (np.array([x + (i - 1) * square, y + (j - 1) * square]) + 0.5)).astype(int)
                cv2.rectangle(fine, low.tolist(), (low + 8 * square - 1).tolist(), 20, -1)
    pixels = cv2.GaussianBlur(cv2.resize(fine, (520, 400), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    found = find_board(np.ascontiguousarray(np.rot90(pixels, 2 * (turn % 2))), columns=6, rows=4)
    true = np.array([(x + i * square, y + j * square) for j in range(4) for i in range(6)])
    true = np.round(8 * (true + 0.5)) / 8 - 0.5
    if turn % 2:
        true = np.array([519.0, 399.0]) - true
    gap = np.linalg.norm(found[:, None] - true[None], axis=2)
    assert gap.min(axis=1).max() < 0.15  # px
    assert len(set(gap.argmin(axis=1))) == 24


@given(x=some.floats(-0.5, 0.5), y=some.floats(-0.5, 0.5), radius=some.floats(3.0, 6.0), dark=some.booleans())
@calm
def test_a_round_mark_is_found_at_its_centre(x, y, radius, dark):
    gy, gx = (np.mgrid[0:488, 0:488] + 0.5) / 8 - 0.5
    inked = (gx - 30 - x) ** 2 + (gy - 30 - y) ** 2 < radius**2
    levels = cv2.resize(np.where(inked == dark, 0.2, 0.8).astype(np.float32), (61, 61), interpolation=cv2.INTER_AREA)
    pixels = np.round(255 * cv2.GaussianBlur(levels, (0, 0), 0.9)).astype(np.uint8)
    mark = refine_mark(pixels, (31.0, 29.0), kind="dot")
    np.testing.assert_allclose(mark.xy_px, [30 + x, 30 + y], rtol=0, atol=0.05)


@given(
    width=some.floats(200.0, 3000.0),
    ratio=some.floats(0.4, 2.0),
    lean=some.floats(-0.2, 0.2),
    turn=some.floats(-0.5, 0.5),
)
@calm
def test_taped_distances_are_kept_whatever_way_the_camera_was_held(width, ratio, lean, turn):
    figure = width * np.array([[0, 0], [1, lean], [1 + lean, ratio], [0, ratio], [0.5, 0.5 * ratio]])
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    pairs = np.array(list(combinations(range(5), 2)))
    distances = np.hypot(*(figure[pairs[:, 1]] - figure[pairs[:, 0]]).T)
    control = TapeControl(
        names=tuple("ABCDE"),
        xy_px=1000.0 + (figure @ matrix.T / width * 900.0) * [1.0, -1.0],
        pairs=pairs,
        distance_mm=distances,
        sd_mm=np.full(len(pairs), 0.7),
    )
    adjusted = adjust_figure(control)
    again = np.hypot(*(adjusted.xy_mm[pairs[:, 1]] - adjusted.xy_mm[pairs[:, 0]]).T)
    np.testing.assert_allclose(again, distances, rtol=0, atol=1e-5)
    assert np.linalg.eigvalsh(adjusted.joint_mm2).min() > -1e-9


@given(seed=seeds)
@settings(calm, max_examples=6)
def test_exact_points_give_the_plane_and_an_error_that_is_one(shoot_at_random, choose_control, seed):
    rng = np.random.default_rng(seed)
    shot = shoot_at_random(rng)
    xy = choose_control(shot, 12, rng)
    names = tuple(map(str, range(12)))
    control = PointControl(names=names, xy_px=shot.see(xy), xy_mm=xy, sd_mm=np.full(12, 0.3), sd_px=0.3)
    plane = solve(control, size_px=shot.size_px).fit.plane
    inside = rng.uniform(-0.4, 0.4, (8, 2)) * shot.wall_mm
    np.testing.assert_allclose(plane.to_mm(shot.see(inside)), inside, rtol=0, atol=0.2)  # k1's prior pulls a little
    for covariance in plane.covariance_mm2(inside):
        assert np.linalg.eigvalsh(covariance).min() > 0.0


def chart_picture(rng, gain):
    """Twenty-four even patches with known linear tones on grey, through a gain alone."""
    from fragkit.rectify.chart import linear_to_lab_d50

    at = np.array([(60 + 90 * (k % 6), 60 + 90 * (k // 6)) for k in range(24)], float)
    linear = np.vstack([rng.uniform(0.06, 0.8, (18, 3)), np.repeat(np.linspace(0.05, 0.85, 6)[:, None], 3, 1)])
    shown = np.full((400, 600, 3), 0.18)
    for (x, y), rgb in zip(at.astype(int), linear, strict=True):
        shown[y - 36 : y + 37, x - 36 : x + 37] = rgb
    seen = np.clip(gain * shown, 0.0, 1.0)
    encoded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    chart = ChartEntry(names=tuple(map(str, range(24))), xy_px=at, lab=linear_to_lab_d50(linear))
    return np.round(255 * encoded).astype(np.uint8), chart


@given(seed=seeds, gain=some.floats(0.4, 1.1))
@few
def test_a_chart_is_brought_to_its_values_whatever_the_exposure(seed, gain):
    pixels, chart = chart_picture(np.random.default_rng(seed), gain)
    tone = fit_tone(pixels, chart)
    assert np.abs(tone.lab_found - tone.lab).max() < 2.0
    height, width = pixels.shape[:2]
    corners = np.array([[2, 2], [width - 3, 2], [width - 3, height - 3], [2, height - 3], [width / 2, 2]], float)
    control = PointControl(
        names=tuple("ABCDE"), xy_px=corners, xy_mm=corners * [0.5, -0.5], sd_mm=np.full(5, 0.05), sd_px=0.1
    )
    plane = rectify(pixels, control)
    toned = set_tone(plane, pixels, chart)
    assert toned.picture.pixels.shape == plane.picture.pixels.shape
    np.testing.assert_array_equal(toned.picture.coverage, plane.picture.coverage)  # tone moves no place
    same = corners[:3]
    picked = compare_photographs(plane, plane, points_px=(same, same))
    assert picked.rms_mm == pytest.approx(0.0, abs=1e-9)
    assert picked.agree
