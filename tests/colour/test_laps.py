"""Lap lines on leaf that covers a wide area, known by construction, and on leaf without any."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from fragkit.colour import find_laps
from fragkit.rectify import Picture

SIZE = (300, 360)  # rows and columns at 1 mm


def smooth(rng, scale_mm):
    field = gaussian_filter(rng.standard_normal(SIZE), scale_mm, mode="wrap")
    return field / field.std()


def leaf(seed, *, spacing_mm=None, turn_deg=0.0, contrast=0.15, scratch=False):
    """Leaf from bright to dark with creases; laps where the double leaf is lighter, in both directions."""
    rng = np.random.default_rng(seed)
    light = 0.25 * np.exp(0.5 * smooth(rng, 30.0) + 0.25 * smooth(rng, 6.0) + 0.05 * smooth(rng, 1.0))
    rows, columns = np.indices(SIZE)
    turn = np.radians(turn_deg)
    for along in (columns * np.cos(turn) + rows * np.sin(turn), rows * np.cos(turn) - columns * np.sin(turn)):
        if spacing_mm is not None:
            first = rng.uniform(0, spacing_mm) - 3 * spacing_mm
            for k in range(12):
                at = first + k * spacing_mm + rng.normal(0, 0.5)
                light = light * (1.0 + contrast * ((along > at) & (along < at + 2.0)))
        elif scratch:
            light = light * (1.0 - 0.6 * (np.abs(along - 150.0) < 1.5))
    light = np.clip(light + rng.normal(0, 0.004, SIZE), 0.002, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    pixels = np.repeat(np.round(255 * encoded).astype(np.uint8)[..., None], 3, axis=2)
    coverage = np.ones(SIZE, bool)
    return Picture(pixels=pixels, mm_per_px=1.0, origin_mm=np.zeros(2), coverage=coverage), np.full(SIZE, 3, np.uint8)


@pytest.mark.parametrize(("seed", "spacing_mm", "side_mm", "turn_deg"), [(1, 78.0, 80.0, 1.0), (2, 93.0, 95.0, 17.0)])
def test_spacing_and_the_leaf_it_fits(seed, spacing_mm, side_mm, turn_deg):
    found = find_laps(*leaf(seed, spacing_mm=spacing_mm, turn_deg=turn_deg))
    assert found.is_told
    for direction, spacing, sd, n_lines in found.spacings:
        assert n_lines >= 3
        assert abs(spacing - spacing_mm) < 3.0 * sd
        assert sd < 1.0
        # turned clockwise in the picture, whose y runs down, is minus the turn measured anticlockwise
        assert min(abs((direction + turn_deg) % 90.0), 90.0 - (direction + turn_deg) % 90.0) <= 1.0
    assert side_mm in [side for side, _ in found.leaf_sides]
    assert "Lap lines in the metal" in found.text


@pytest.mark.parametrize("scratch", [False, True])
def test_leaf_without_laps_and_a_scratch(scratch):
    found = find_laps(*leaf(3, scratch=scratch))
    assert found.is_told
    assert found.spacings == ()
    assert "No lap lines" in found.text


def test_motifs_smaller_than_a_leaf_cannot_tell():
    picture, codes = leaf(4, spacing_mm=78.0)
    codes[:] = 1
    for row in range(20, 280, 70):
        for column in range(20, 340, 70):
            codes[row : row + 45, column : column + 35] = 3
    found = find_laps(picture, codes)
    assert not found.is_told
    assert "cannot be told" in found.text
    assert "35 × 45 mm" in found.text
    assert "No metal is labelled" in find_laps(picture, np.ones_like(codes)).text
