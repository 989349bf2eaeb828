"""Densities over boxes of tones: smoothed, and looked up."""

import numpy as np
import pytest
from scipy import ndimage

from fragkit.motifs.mixture import CODES_AT_ONCE, Surfaces
from fragkit.motifs.tones import boxes_for, smoothed


@pytest.mark.parametrize(("shape", "widths"), [((9, 7, 5), (1.0, 0.8, 0.8)), ((5, 4, 3, 6), (0.7, 0.7, 0.7, 0.7))])
def test_counts_are_smoothed_as_by_a_plain_filter(shape, widths):
    counts = np.random.default_rng(1).integers(0, 9, shape)
    expected = ndimage.gaussian_filter(counts.astype(float), widths, mode="nearest")
    np.testing.assert_allclose(smoothed(counts, widths), expected, rtol=0, atol=3e-6)  # single precision


@pytest.mark.parametrize("shape", [(3, 4), (2, CODES_AT_ONCE // 2 + 3), (2, 3, 5), (0, 4)])
def test_each_tone_has_the_densities_of_its_box(shape):
    rng = np.random.default_rng(2)
    boxes = boxes_for(1.0 + 0.2 * rng.standard_normal((1000, 3)).astype(np.float32))
    density = rng.random((4, 50), np.float32)
    codes = rng.integers(0, 50, shape).astype(np.uint16)
    np.testing.assert_array_equal(Surfaces(boxes, density, 0.1).at(codes), density[:, codes])
