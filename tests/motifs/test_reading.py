"""Specks and lines of two pixels are read in the picture itself."""

import cv2
import numpy as np
import pytest
from onnx.reference import ReferenceEvaluator

from fragkit.motifs.reading import NETWORK, NOT_LOOKED_AT, REACH_PX, looked_at, read_copy, signs_of
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


def judged(percent: int) -> np.ndarray:
    """That a window is damaged, in hundredths."""
    return np.full((SIDE, SIDE), percent, np.uint8)


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
    metal, _ = read_copy(cv2.split(layers), leaf_with_speck(light), SHADE, judged(0))
    assert metal[MIDDLE, MIDDLE] < 80
    assert metal[4:-4, 4].min() > 220


def test_without_contrast_the_copies_tell():
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = 1.0
    assert read_copy(cv2.split(laid(0.0, metal=250, typical=250)), looks, SHADE, judged(0))[0].min() > 200
    assert read_copy(cv2.split(laid(0.0, metal=30, typical=10)), looks, SHADE, judged(0))[0].max() < 80


def test_where_no_copy_has_metal_none_is_read_nor_damage():
    layers = cv2.split(laid(0.3, metal=0, typical=3))
    metal, damage = read_copy(layers, leaf_with_speck(0.3), SHADE, judged(90))
    assert metal.max() == 0
    assert damage.min() == NOT_LOOKED_AT


@pytest.mark.parametrize(("percent", "light"), [(1, 1.3), (99, 0.6)])
def test_what_was_judged_surely_and_all_around_stays(percent, light):
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = light
    _, damage = read_copy(cv2.split(laid(0.3, metal=250, typical=250)), looks, SHADE, judged(percent))
    assert ((damage > 50) == (percent > 50)).all()


def test_signs_by_hand():
    layers = laid(0.5, metal=255, typical=255)
    layers[..., 7] = 255
    looks = np.zeros((SIDE, SIDE, 3), np.float32)
    looks[..., 0] = 0.95
    layers = cv2.split(layers)
    signs = np.array([layer[MIDDLE, MIDDLE] for layer in signs_of(layers, looks, SHADE, judged(20))])
    gain = 0.5 / (0.5**2 + 0.05**2)
    # shadow beneath is 0.7 light: the pixel lies 0.25 above it, half of the contrast, and hue tells nothing
    expected = [1, 1, 1, 0.25 * gain, 0, 0, 0, 0, 1, 1, 0.5 * gain, 0, 0.5, 1]
    expected += [0.25, 0.01, 0.0, 0.25 - 0.5, 0.01, 0.0, np.log(0.2 / 0.8)]
    np.testing.assert_allclose(signs, expected, rtol=0, atol=1e-5)


def test_metal_and_damage_are_what_the_network_makes_of_the_signs_round_each_pixel():
    rng = np.random.default_rng(5)
    layers = cv2.blur(rng.integers(0, 256, (SIDE, 40, 8)).astype(np.uint8), (3, 3))
    patches = cv2.GaussianBlur(rng.normal(0.0, 1.0, (SIDE, 40)).astype(np.float32), (0, 0), 3.0) > 0.0
    layers[..., [0, 2, 6]] = cv2.blur(255 * patches.astype(np.uint8), (3, 3))[..., None]
    layers[..., 3:6] = EVEN + np.array([30, 0, 0])
    layers[:, 30:, [0, 6]] = 0
    looks = rng.normal([1.0, 0.0, 0.0], 0.02, (SIDE, 40, 3)).astype(np.float32)
    looks[..., 0] += 0.3 * patches
    judged = rng.integers(0, 101, (SIDE, 40)).astype(np.uint8)
    where = looked_at(cv2.split(layers))
    signs = np.stack(signs_of(cv2.split(layers), looks, SHADE, judged))
    signs = np.pad(signs, ((0, 0), (REACH_PX, REACH_PX), (REACH_PX, REACH_PX)), mode="edge")
    # the format's own reference implementation, from the package onnx
    of_metal, of_damage = ReferenceEvaluator(str(NETWORK)).run(None, {"signs": np.float32(signs[None])})[0][0]
    metal, damage = read_copy(cv2.split(layers), looks, SHADE, judged)
    # single precision rounds a probability by far less than a 255th, which may fall on either side of a half
    np.testing.assert_allclose(metal, np.where(where, np.rint(255.0 * of_metal), layers[..., 0]), rtol=0, atol=1)
    expected = np.where(where, np.rint(100.0 * of_damage), NOT_LOOKED_AT)
    np.testing.assert_allclose(damage.astype(float), expected, rtol=0, atol=1)
    assert 0 < where.sum() < where.size
    assert np.ptp(metal[where]) > 200
