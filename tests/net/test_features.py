"""Features that do not mind the sign of contrast, offset, gain, depth or a quarter turn."""

import numpy as np
import pytest

from fragkit.net import features
from fragkit.rectify import Picture


def drawing(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:90, :120]
    shape = (np.hypot(x - 60, (y - 45) * 1.3) < 25).astype(float)
    return 120 + 60 * shape + rng.normal(0, 2, shape.shape)


def test_a_vertical_edge_has_cosine_one_and_sine_nought():
    picture = np.where(np.arange(80) < 40, 50.0, 150.0)[None, :] * np.ones((60, 1))
    strength, cosine, sine = features(picture)[30, 40]
    assert strength > 0.5
    assert cosine == pytest.approx(strength, rel=0, abs=1e-5)  # float32
    assert sine == pytest.approx(0.0, rel=0, abs=1e-5)


@pytest.mark.parametrize(
    "change",
    [lambda p: 255 - p, lambda p: 0.2 * p + 30, lambda p: p * 257.0, lambda p: p + 30000],
    ids=["light and dark exchanged", "a fifth of the contrast", "16 bit", "large offset"],
)
def test_sign_gain_and_offset_do_not_matter(change):
    picture = drawing()
    np.testing.assert_allclose(features(change(picture)), features(picture), rtol=0, atol=2e-3)  # float32, offset 3e4


def test_a_quarter_turn_turns_the_features():
    picture = drawing()
    turned = features(np.rot90(picture).copy())
    own = np.rot90(features(picture))
    np.testing.assert_allclose(turned, own * [1, -1, -1], rtol=0, atol=2e-3)  # float32


def test_depth_and_colour_do_not_matter():
    eight = np.clip(np.round(drawing()), 0, 255).astype(np.uint8)
    sixteen = eight.astype(np.uint16) * 257
    np.testing.assert_allclose(features(sixteen), features(eight), rtol=0, atol=1e-3)  # float32
    colour = np.repeat(eight[:, :, None], 3, axis=2)
    np.testing.assert_allclose(features(colour), features(eight), rtol=0, atol=1e-3)  # three equal channels


def test_input_is_untouched_and_result_finite_with_holes():
    picture = drawing()
    picture[10:20, 10:30] = np.nan
    before = picture.copy()
    result = features(picture)
    np.testing.assert_array_equal(picture, before)
    assert np.isfinite(result).all()
    assert np.abs(result[12:18, 14:26]).max() == 0.0


def test_the_border_of_a_mask_is_no_edge():
    picture = np.full((80, 100), 90.0) + np.random.default_rng(0).normal(0, 1, (80, 100))
    mask = np.ones((80, 100), bool)
    mask[:, :30] = False
    picture[~mask] = 255.0
    inside = features(picture, mask=mask)[:, 40:, 0]
    near = features(picture, mask=mask)[:, 28:40, 0]
    assert near.max() < 1.5 * inside.max()


def test_coverage_of_a_picture_counts():
    pixels = np.clip(drawing(), 0, 255).astype(np.uint8)
    coverage = np.ones(pixels.shape, bool)
    coverage[:, :20] = False
    picture = Picture(
        pixels=np.repeat(pixels[:, :, None], 3, axis=2), mm_per_px=0.5, origin_mm=np.zeros(2), coverage=coverage
    )
    assert np.abs(features(picture)[:, :20]).max() == 0.0


def test_a_blank_picture_has_no_features():
    assert not features(np.full((40, 40), 128, np.uint8)).any()


def test_a_mask_of_another_size_is_refused():
    with pytest.raises(ValueError, match="give the same shape"):
        features(drawing(), mask=np.ones((3, 3), bool))


def test_a_row_of_pixels_is_refused():
    with pytest.raises(ValueError, match=r"give \(h, w\) or \(h, w, 3\)"):
        features(np.zeros(40))
