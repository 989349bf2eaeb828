"""Control that contradicts the photograph or itself is found and named."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify.adjust import adjust
from fragkit.rectify.blunder import chance, leave_one_out
from fragkit.rectify.control import observe
from fragkit.rectify.lens import assumed_lens
from fragkit.survey import PointControl

SD_MM, SD_PX = 0.3, 0.4
NO_PIXELS = np.zeros((4, 4, 3), np.uint8)


def measured(shot, xy_mm, rng):
    n = len(xy_mm)
    return {
        "names": tuple("ABCDEFGHIJKL"[:n]),
        "xy_px": shot.see(xy_mm) + rng.normal(0, SD_PX, (n, 2)),
        "xy_mm": xy_mm + rng.normal(0, SD_MM, (n, 2)),
        "sd_mm": np.full(n, SD_MM),
        "sd_px": SD_PX,
    }


@pytest.fixture
def shot(shoot):
    return shoot(tilt_deg=(10.0, -12.0), k1=-0.04)


@pytest.fixture
def eight(shot, choose_control):
    return measured(shot, choose_control(shot, 8, np.random.default_rng(1)), np.random.default_rng(2))


def solve(shot, values, *, flatness_mm=0.0):
    return adjust(observe(NO_PIXELS, PointControl(**values)), assumed_lens(*shot.size_px), flatness_mm=flatness_mm)


def test_good_control_passes_without_a_word(shot, eight):
    fit = solve(shot, eight)
    assert fit.suspects == ()
    assert fit.left_out.residuals_mm.shape == (8, 2)
    assert not [note for note in fit.notes if "chance" in note or "larger than" in note]


@pytest.mark.parametrize("miss_mm", [(25.0, 0.0), (0.0, -100.0)])
def test_one_wrong_coordinate_is_named(shot, eight, miss_mm):
    eight["xy_mm"][4] += miss_mm
    with pytest.raises(EstimationError, match=r"Control point E contradicts the others: they put it \d+\.\d mm"):
        solve(shot, eight)


def test_the_miss_is_stated_in_size_and_direction(shot, eight):
    eight["xy_mm"][7] += [0.0, 40.0]
    with pytest.raises(EstimationError, match=r"Control point H .*-(39|40)\.\d mm in y"):
        solve(shot, eight)


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        (lambda xy: xy + [100.0, 0.0], "Its x looks misread by 100 mm"),
        (lambda xy: xy * [1.0, -1.0], "Its y seems to have lost its sign"),
        (lambda xy: xy[::-1], "Its x and y look exchanged"),
    ],
)
def test_usual_slips_are_named(shot, eight, slip, words):
    eight["xy_mm"][2] = slip(eight["xy_mm"][2])
    with pytest.raises(EstimationError, match=rf"Control point C contradicts.*{words}|They agree .*without C"):
        solve(shot, eight)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda xy: xy * [1, -1], "y looks measured downwards"),
        (lambda xy: xy * [-1, 1], "x looks measured leftwards, or the wall mirrored"),
        (lambda xy: xy[:, ::-1], "x and y look exchanged"),
    ],
)
def test_mirrors_are_named(shot, eight, change, words):
    eight["xy_mm"] = change(eight["xy_mm"])
    with pytest.raises(EstimationError, match=f"mirror image of the photograph: {words}"):
        solve(shot, eight)


def test_neighbours_exchanged_are_named(shot, eight):
    eight["xy_mm"][[0, 6]] = eight["xy_mm"][[6, 0]]
    with pytest.raises(EstimationError, match=r"A and G (look exchanged|are exchanged)|agree when A and G"):
        solve(shot, eight)


@pytest.mark.parametrize("change", [[1, -1], "swap"])
def test_mirrors_are_refused(shot, eight, change):
    eight["xy_mm"] = eight["xy_mm"][:, ::-1] if change == "swap" else eight["xy_mm"] * change
    with pytest.raises(EstimationError, match=r"mirror image.*y upwards.*y measured downwards, x and y exchanged"):
        solve(shot, eight)


def test_four_points_two_of_them_exchanged(shot, choose_control):
    four = measured(shot, choose_control(shot, 4, np.random.default_rng(1)), np.random.default_rng(2))
    four["xy_mm"][[0, 1]] = four["xy_mm"][[1, 0]]
    with pytest.raises(EstimationError, match="run round the other way"):
        solve(shot, four)


def test_four_good_points_say_that_nothing_checks_them(shot, choose_control):
    four = measured(shot, choose_control(shot, 4, np.random.default_rng(1)), np.random.default_rng(2))
    fit = solve(shot, four)
    assert fit.left_out.residuals_mm is None
    assert any("nothing over to check" in note for note in fit.notes)


def test_five_points_cannot_tell_which_is_wrong(shot):
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0.1, 0.4]]) * shot.wall_mm / 2
    five = measured(shot, corners, np.random.default_rng(3))
    five["xy_mm"][4] += [30.0, 0.0]
    with pytest.raises(EstimationError, match=r"One of the control points .* is wrong; too few points are left"):
        solve(shot, five)


def test_errors_understated_widen_the_result(shot, choose_control):
    rng = np.random.default_rng(4)
    twelve = measured(shot, choose_control(shot, 12, rng), rng)
    honest = solve(shot, twelve)
    twelve["xy_mm"] += rng.normal(0, 1.2, (12, 2))
    fit = solve(shot, twelve)
    assert any("times larger than the stated errors" in note for note in fit.notes)
    centre = np.zeros((1, 2))
    assert np.trace(fit.plane.covariance_mm2(centre)[0]) > 4 * np.trace(honest.plane.covariance_mm2(centre)[0])


def test_relief_that_is_stated_is_no_blunder(shot, eight):
    # F, in the middle of the upper side, stands 15 mm out: a blunder on a flat wall, none on a rough one.
    proud = np.zeros(8)
    proud[5] = 15.0
    true_mm = np.array(eight["xy_mm"])
    eight["xy_px"] = shot.see(true_mm, proud)
    with pytest.raises(EstimationError, match="Control point F contradicts"):
        solve(shot, eight)
    assert solve(shot, eight, flatness_mm=15.0).suspects == ()


def test_deletion_agrees_with_the_linear_formula(shot, eight):
    # For a linear fit the weighted sum of squares drops by eᵀ(I − H)⁻¹e; small errors are nearly linear.
    points = observe(NO_PIXELS, PointControl(**eight))
    fit = solve(shot, eight)
    from_refits = leave_one_out(points, assumed_lens(*shot.size_px), fit.plane).distances2
    by_mm = fit.plane.px_per_mm(points.xy_mm)
    root = np.linalg.cholesky(SD_PX**2 * np.eye(2) + SD_MM**2 * by_mm @ by_mm.transpose(0, 2, 1))
    e = np.linalg.solve(root, (points.xy_px - fit.plane.to_px(points.xy_mm))[:, :, None])
    spare = np.eye(2) - fit.plane.leverages(points)
    expected = (e.transpose(0, 2, 1) @ np.linalg.solve(spare, e)).ravel()
    np.testing.assert_allclose(from_refits, expected, rtol=0, atol=0.05)  # in units of chi-square


def test_false_alarms_are_as_rare_as_stated(shoot_at_random, choose_control):
    rng = np.random.default_rng(9)
    alarms = 0
    for _ in range(60):
        shot = shoot_at_random(rng)
        alarms += bool(solve(shot, measured(shot, choose_control(shot, 8, rng), rng)).suspects)
    assert alarms <= 3  # 1 % stated: 4 or more in 60 has a chance of 0.3 %


def test_chance_by_hand():
    assert chance(5.991464547107979, 2) == pytest.approx(0.05, abs=1e-12)  # −2 ln 0.05
    assert chance(100.0, 0) == 1.0


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("sd_px", 0.0, "must be above 0"),
        ("xy_mm", np.full((8, 2), np.nan), r"Control point A: x_mm, y_mm is not a number"),
        ("xy_px", np.zeros((7, 2)), "8 names, pixels of shape"),
    ],
)
def test_refuses_values_that_are_none(shot, eight, key, value, message):
    with pytest.raises(ValueError, match=message):
        solve(shot, {**eight, key: value})
