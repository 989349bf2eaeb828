"""Many layers to a call come out as each by itself."""

import numpy as np
import pytest
from displaced import warped

from fragkit.motifs.bending import each_warped
from fragkit.motifs.blurring import each_widely, enlarged, shrunk, widely
from fragkit.motifs.copies import tall


@pytest.mark.parametrize("width_px", [0.6, 1.5, 3.0, 5.0, 11.0])
@pytest.mark.parametrize("shape", [(40, 57), (33, 24), (9, 70)])
def test_layers_are_blurred_together_as_each_by_itself(shape, width_px):
    layers = np.random.default_rng(4).normal(0.0, 1.0, (5, *shape)).astype(np.float32)
    by_itself = np.stack([widely(layer, width_px) for layer in layers])
    np.testing.assert_allclose(each_widely(layers, width_px), by_itself, rtol=0, atol=2e-6)


def test_means_of_blocks_by_hand_and_back_along_a_straight_slope():
    slope = np.arange(12, dtype=np.float32) + 10.0 * np.arange(8, dtype=np.float32)[:, None]
    small = shrunk(slope[None], 4)
    np.testing.assert_array_equal(small[0], [[16.5, 20.5, 24.5], [56.5, 60.5, 64.5]])  # by hand: 1.5 + 15, and on
    np.testing.assert_allclose(enlarged(small, 4, slope.shape, straight=True)[0], slope, rtol=0, atol=1e-5)


@pytest.mark.parametrize("n", [3, 90])  # 36,000 rows: OpenCV takes 32,767
def test_layers_are_warped_together_as_each_by_itself_even_more_than_one_call_takes(n):
    rng, shape = np.random.default_rng(5), (400, 12)
    layers = rng.normal(0.0, 1.0, (n, *shape)).astype(np.float32)
    fields = rng.uniform(-9.0, 9.0, (n, 2, *shape)).astype(np.float32)
    together = each_warped(tall(layers), fields[:, 0], fields[:, 1], shape).reshape(layers.shape)
    by_itself = np.stack([warped(layer, field) for layer, field in zip(layers, fields, strict=True)])
    # places are rounded to a 32nd of a pixel, here and there to the next one
    assert np.abs(together - by_itself).max() < 0.3
    assert np.median(np.abs(together - by_itself)) < 1e-4
