"""Reduced pictures keep their place on the wall, and labels come back to their full size."""

import numpy as np
import pytest

from fragkit.motifs.reducing import enlarged_labels, reduced, reduced_labels
from fragkit.rectify import Picture


def test_blocks_become_pixels_and_keep_their_place():
    pixels = np.repeat(np.arange(7 * 9, dtype=np.uint8).reshape(7, 9, 1), 3, axis=2)
    coverage = np.ones((7, 9), bool)
    coverage[1, 1] = False
    small = reduced(Picture(pixels=pixels, mm_per_px=0.2, origin_mm=(10.0, 50.0), coverage=coverage), 2)
    assert small.pixels.shape == (3, 4, 3)
    assert small.pixels[0, 1, 0] == round((2 + 3 + 11 + 12) / 4)  # by hand
    assert small.coverage.sum() == 11
    assert small.mm_per_px == 0.4
    np.testing.assert_allclose(small.origin_mm, (10.1, 49.9), rtol=0, atol=1e-12)


@pytest.mark.parametrize("ratio", [1, 2, 3])
def test_labels_come_back_to_their_size(ratio):
    labels = np.random.default_rng(3).integers(0, 6, (12, 9), dtype=np.uint8).repeat(ratio, 0).repeat(ratio, 1)
    padded = np.pad(labels, ((0, ratio - 1), (0, 0)))
    back = enlarged_labels(reduced_labels(padded, ratio), ratio, padded.shape)
    np.testing.assert_array_equal(back, padded)
