"""Shading divided out without eating what is painted."""

import numpy as np
import pytest

from fragkit.rectify import Picture, even_light


def encode(linear, top=255):
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055) * top


def wall(rng, *, dtype=np.uint8, shade=True):
    """A ground of 0.35 with bright and dark motifs on a fifth of it, unevenly lit."""
    y, x = np.mgrid[0:300, 0:420]
    motif = ((x % 60 < 26) & (y % 50 < 22)).astype(float)
    paint = 0.35 + motif * np.where((x // 60) % 2, 0.3, -0.22)
    light = (1 - 0.9 * (((x - 210) / 420) ** 2 + ((y - 150) / 420) ** 2)) * (0.8 + 0.4 * x / 420) if shade else 1.0
    top = np.iinfo(dtype).max
    linear = np.clip(paint * light + rng.normal(0, 0.004, x.shape), 0, 1)
    pixels = np.round(encode(np.repeat(linear[:, :, None], 3, axis=2), top)).astype(dtype)
    return Picture(
        pixels=pixels, mm_per_px=1.0, origin_mm=np.zeros(2), coverage=np.ones((300, 420), bool)
    ), motif.astype(bool)  # fmt: skip


def ground_spread(picture, motif):
    return float(np.std(picture.pixels[~motif & picture.coverage][:, 0]) / np.iinfo(picture.pixels.dtype).max)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_ground_becomes_even(dtype):
    shaded, motif = wall(np.random.default_rng(1), dtype=dtype)
    even = even_light(shaded)
    assert even.pixels.dtype == dtype
    assert ground_spread(even, motif) < 0.25 * ground_spread(shaded, motif)
    assert ground_spread(even, motif) < 0.02  # of full scale


def test_even_light_leaves_an_even_picture_alone():
    picture, _ = wall(np.random.default_rng(2), shade=False)
    change = even_light(picture).pixels.astype(float) - picture.pixels
    assert np.abs(change).mean() < 2.0  # grey levels of 255


def test_what_is_not_covered_has_no_say():
    shaded, motif = wall(np.random.default_rng(3))
    pixels, coverage = shaded.pixels.copy(), shaded.coverage.copy()
    pixels[:, :150], coverage[:, :150] = 255, False
    half = Picture(pixels=pixels, mm_per_px=1.0, origin_mm=np.zeros(2), coverage=coverage)
    assert ground_spread(even_light(half), motif) < 0.02


def test_input_is_not_touched():
    shaded, _ = wall(np.random.default_rng(4))
    before = shaded.pixels.copy()
    even_light(shaded)
    assert (shaded.pixels == before).all()
