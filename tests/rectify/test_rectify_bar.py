"""A scale bar alone: its scale, its stand-off, and errors that hold for photographs tilted by chance."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify import given_lens, rectify
from fragkit.rectify.bar import adjust_bar
from fragkit.rectify.lens import assumed_lens
from fragkit.survey import BarControl


def test_frontal_bar_with_stand_off_by_hand():
    # f 1000 px, 200 mm over 400 px: 0.5 mm per px at the bar, 500 mm from the camera; 25 mm behind it, 0.525.
    control = BarControl(ends_px=np.array([[300.0, 400.0], [700.0, 400.0]]), length_mm=200.0, stand_off_mm=25.0)
    plane = adjust_bar(control, given_lens(1000.0, (499.5, 399.5), k1_sd=0.0))[1].plane
    corners = plane.to_mm(np.array([[300.0, 400.0], [700.0, 400.0], [300.0, 300.0]]))
    np.testing.assert_allclose(corners[1] - corners[0], [210.0, 0.0], rtol=0, atol=1e-6)
    np.testing.assert_allclose(corners[2] - corners[0], [0.0, 52.5], rtol=0, atol=1e-6)  # y up


def test_stated_errors_hold_for_chance_tilts(shoot):
    rng = np.random.default_rng(1)
    pulls, misses = [], []
    for _ in range(200):
        shot = shoot(
            tilt_deg=tuple(rng.normal(0, 3, 2)), roll_deg=rng.uniform(-3, 3), k1=rng.normal(0, 0.02),
            f_ratio=0.85 * rng.normal(1, 0.1),
        )  # fmt: skip
        ends = np.array([[-250.0, -200.0], [250.0, -190.0]])
        control = BarControl(
            ends_px=shot.see(ends, 20.0) + rng.normal(0, 0.5, (2, 2)), stand_off_mm=20.0 + rng.normal(0, 1),
            length_mm=float(np.hypot(*(ends[1] - ends[0])) + rng.normal(0, 0.2)),
        )  # fmt: skip
        plane = adjust_bar(control, assumed_lens(*shot.size_px))[1].plane
        true = np.array([[-100.0, 100.0], [250.0, 150.0]])
        seen = plane.to_mm(shot.see(true))
        joint = plane.joint_covariance_mm2(seen).reshape(2, 2, 2, 2)
        cov = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
        apart = seen[1] - seen[0]
        length = np.hypot(*apart)
        misses.append(length - np.hypot(*(true[1] - true[0])))
        pulls.append(misses[-1] * length / np.sqrt(apart @ cov @ apart))
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.15)  # 200 fix it to 5 %
    assert abs(np.mean(misses)) < 0.25 * np.std(misses)


def test_the_picture_warns_and_names_the_tilt():
    pixels = np.full((300, 400, 3), 128, np.uint8)
    control = BarControl(ends_px=np.array([[100.0, 250.0], [300.0, 250.0]]), length_mm=300.0)
    result = rectify(pixels, control)
    assert any("Perspective is unmeasured" in note and "within 3°" in note for note in result.notes)
    assert max(result.budget, key=result.budget.get) == "tilt"
    assert result.sd_mm == pytest.approx(np.sqrt(sum(sd**2 for sd in result.budget.values())), abs=1e-9)
    assert result.loo_residuals_mm is None
    assert result.control_names == ("first end", "second end")
    assert result.picture.mm_per_px == pytest.approx(1.5, abs=0.1)
    assert result.picture.coverage.mean() > 0.95  # the whole photograph, not a hull of two points


def test_refuses_what_is_no_bar():
    lens = assumed_lens(400, 300)
    with pytest.raises(EstimationError, match=r"too short in the picture.*Found: 20 px"):
        adjust_bar(BarControl(ends_px=np.array([[0.0, 0.0], [20.0, 0.0]]), length_mm=50.0), lens)
    with pytest.raises(ValueError, match="length_mm is -1"):
        adjust_bar(BarControl(ends_px=np.array([[0.0, 0.0], [90.0, 0.0]]), length_mm=-1.0), lens)
    with pytest.raises(ValueError, match="ends_px has shape"):
        adjust_bar(BarControl(ends_px=np.zeros((3, 2)), length_mm=50.0), lens)
