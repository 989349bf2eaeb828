"""Specks and lines of two pixels are read in the picture itself."""

import cv2
import numpy as np
import pytest
from learn_reading import beside

import fragkit.motifs.reading_weights as w
from fragkit.motifs.reading import looked_at, read_metal, signs_of
from fragkit.motifs.shares import EVEN, STEPS_A_RATIO

SHADE = np.array([-0.3, -0.01, 0.0], np.float32)
SIDE, MIDDLE = 31, 15


def laid(light: float, *, metal: int, typical: int) -> np.ndarray:
    """Layers of a copy all over a window: its leaf so much lighter than the bare ground that is beneath."""
    layers = np.zeros((SIDE, SIDE, 8), np.uint8)
    layers[..., [0, 2]], layers[..., 6] = metal, typical
    layers[..., 3:6] = EVEN
    layers[..., 3] = EVEN + round(STEPS_A_RATIO * light)
    return layers


def leaf_with_speck(light: float) -> np.ndarray:
    """Looks of leaf with a rubbed speck of 3 × 3 px, seen through a lens with a blur of 0.8 px."""
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = 1.0 + light
    looks[MIDDLE - 1 : MIDDLE + 2, MIDDLE - 1 : MIDDLE + 2, 0] = 1.0
    return cv2.GaussianBlur(looks, (0, 0), 0.8)


@pytest.mark.parametrize("light", [0.3, -0.4])
def test_a_speck_is_bare_whether_leaf_is_lighter_or_darker(light):
    # the copy as it was straightened shows 60 % of leaf at the speck
    layers = laid(light, metal=250, typical=250)
    layers[MIDDLE - 1 : MIDDLE + 2, MIDDLE - 1 : MIDDLE + 2, [0, 2]] = 150
    metal = read_metal(cv2.split(layers), leaf_with_speck(light), SHADE)
    assert metal[MIDDLE, MIDDLE] < 80
    assert metal[4:-4, 4].min() > 220


def test_without_contrast_the_copies_tell():
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = 1.0
    assert read_metal(cv2.split(laid(0.0, metal=250, typical=250)), looks, SHADE).min() > 200
    assert read_metal(cv2.split(laid(0.0, metal=30, typical=10)), looks, SHADE).max() < 80


def test_where_no_copy_has_metal_none_is_read():
    metal = read_metal(cv2.split(laid(0.3, metal=0, typical=3)), leaf_with_speck(0.3), SHADE)
    assert metal.max() == 0


def test_signs_by_hand():
    layers = laid(0.5, metal=255, typical=255)
    layers[..., 7] = 255
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = 0.95
    signs = np.array([layer[MIDDLE, MIDDLE] for layer in signs_of(cv2.split(layers), looks, SHADE)])
    gain = 0.5 / (0.5**2 + 0.05**2)
    # shadow beneath is 0.7 light: the pixel lies 0.25 above it, half of the contrast, and hue tells nothing
    expected = [1, 1, 1, 0.25 * gain, 0, 0, 0, 0, 1, 1, 0.5 * gain, 0, 0.5, 1]
    np.testing.assert_allclose(signs, expected, rtol=0, atol=1e-5)


def test_metal_is_what_the_network_makes_of_the_signs_round_each_pixel():
    rng = np.random.default_rng(5)
    layers = cv2.blur(rng.integers(0, 256, (SIDE, 40, 8)).astype(np.uint8), (3, 3))
    layers[:, 30:, [0, 6]] = 0
    looks = rng.normal(1.0, 0.3, (SIDE, 40, 3)).astype(np.float32)
    where = looked_at(cv2.split(layers))
    signs = (
        beside(np.dstack(signs_of(cv2.split(layers), looks, SHADE)), where).reshape(-1, 25, 14) - w.CENTRES
    ) / w.SCALES
    traits = np.maximum(np.maximum(signs @ w.FIRST + w.FIRST_OFFSETS, 0.0) @ w.SECOND + w.SECOND_OFFSETS, 0.0)
    joined = np.maximum(traits.reshape(len(traits), -1) @ w.JOINED + w.JOINED_OFFSETS, 0.0)
    expected = layers[..., 0].copy()
    expected[where] = np.rint(255.0 / (1.0 + np.exp(-(joined @ w.LAST) - w.LAST_OFFSET)))
    # single precision rounds a probability by far less than a 255th, which may fall on either side of a half
    np.testing.assert_allclose(read_metal(cv2.split(layers), looks, SHADE), expected, rtol=0, atol=1)
    assert 0 < where.sum() < where.size
    assert np.ptp(expected[where]) > 200


def test_what_is_beside_a_place_comes_row_by_row_and_the_rim_goes_on():
    layers = np.arange(24.0).reshape(4, 6, 1) + [0.0, 100.0]
    where = np.zeros((4, 6), bool)
    where[0, 0] = where[2, 3] = True
    corner, middle = beside(layers, where).reshape(2, 5, 5, 2)
    np.testing.assert_array_equal(corner[..., 0], [[0, 0, 0, 1, 2]] * 3 + [[6, 6, 6, 7, 8], [12, 12, 12, 13, 14]])
    np.testing.assert_array_equal(middle[:4], layers[0:4, 1:6])
    np.testing.assert_array_equal(middle[4], layers[3, 1:6])
