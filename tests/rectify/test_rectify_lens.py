"""The distortion, its inverse and its slopes."""

from dataclasses import replace

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify import distort, given_lens, undistort
from fragkit.rectify.lens import assumed_lens, lens_slopes, radius_limit

LENS = given_lens(1000.0, (500.0, 400.0), k1=-0.1, k2=0.02)


def test_distortion_by_hand():
    # 500 px off the centre: r = 0.5, factor 1 − 0.1/4 + 0.02/16 = 0.97625.
    np.testing.assert_allclose(distort(LENS, [[1000.0, 400.0]]), [[500 + 488.125, 400.0]], rtol=0, atol=1e-10)


@pytest.mark.parametrize(("k1", "k2"), [(-0.29, 0.1), (-0.12, 0.0), (0.05, 0.0), (0.2, -0.05), (0.0, 0.0)])
def test_inverse_is_exact(k1, k2):
    lens = given_lens(3400.0, (2000.0, 1500.0), k1=k1, k2=k2)
    ideal = np.stack(np.meshgrid(np.linspace(0, 4000, 21), np.linspace(0, 3000, 16)), -1).reshape(-1, 2)
    np.testing.assert_allclose(undistort(lens, distort(lens, ideal)), ideal, rtol=0, atol=1e-9)


def test_slopes_are_those_of_finite_differences():
    ideal = np.array([[620.0, 310.0], [900.0, 750.0], [500.0, 400.0]])
    by_pixel, by_lens = lens_slopes(LENS, ideal)
    for axis in range(2):
        step = 1e-3 * np.eye(2)[axis]
        rise = (distort(LENS, ideal + step) - distort(LENS, ideal - step)) / 2e-3
        np.testing.assert_allclose(by_pixel[:, :, axis], rise, rtol=0, atol=1e-8)
    x, y = LENS.centre_px
    for number, (name, step) in enumerate([("f_px", 1e-2), ("x", 1e-3), ("y", 1e-3), ("k1", 1e-5), ("k2", 1e-5)]):
        moved = [
            replace(LENS, centre_px=np.array([x + s * (name == "x"), y + s * (name == "y")]))
            if name in "xy"
            else replace(LENS, **{name: getattr(LENS, name) + s})
            for s in (step, -step)
        ]
        rise = (distort(moved[0], ideal) - distort(moved[1], ideal)) / (2 * step)
        np.testing.assert_allclose(by_lens[:, :, number], rise, rtol=0, atol=2e-6)


def test_where_the_model_folds_over():
    lens = given_lens(1000.0, (0.0, 0.0), k1=-1 / 3)  # 1 − r² = 0 at r = 1, shown at 2/3
    assert radius_limit(lens) == pytest.approx(1.0, abs=1e-12)
    with pytest.raises(EstimationError, match=r"folds over.*at most 0.67"):
        undistort(lens, [[700.0, 0.0]])


def test_assumed_lens_states_what_it_assumes():
    lens = assumed_lens(4000, 3000)
    assert lens.f_px == 3400.0
    assert lens.source == "none"
    assert "0.85 × the longer side (3400 px" in lens.notes[0]
    assert "0 ± 0.1" in lens.notes[0]


def test_refuses_a_focal_length_that_is_none():
    with pytest.raises(ValueError, match=r"f_px is -1\.0; a focal length is a positive number"):
        given_lens(-1.0, (0.0, 0.0))


def test_card_escapes_its_name():
    assert "<b>" not in replace(LENS, name="<b>")._repr_html_()
