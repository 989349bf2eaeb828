"""Reduced pictures keep their place on the wall, and labels come back to their full size."""

import cv2
import numpy as np
import pytest
from hop_scene import example, make_wall

from fragkit.motifs import build_motif
from fragkit.motifs.reducing import as_fine, enlarged_labels, reduced, reduced_labels
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


def test_layers_of_a_reduced_picture_lie_in_place_on_the_fine_one():
    codes = np.array([[1, 2], [3, 4]], np.uint8)
    # by hand: each value over its block, the odd row and column carried on
    by_hand = [[1, 1, 2, 2, 2], [1, 1, 2, 2, 2], [3, 3, 4, 4, 4], [3, 3, 4, 4, 4], [3, 3, 4, 4, 4]]
    np.testing.assert_array_equal(as_fine(codes, (5, 5), 2), by_hand)
    ramp = as_fine(np.array([[0, 100]], np.uint8), (2, 4), 2, smooth=True)
    np.testing.assert_array_equal(ramp, [[0, 25, 75, 100]] * 2)


def test_a_finer_photograph_of_one_wall_is_labelled_alike():
    """Twice as fine, surfaces are told apart in pixels of 0.6 mm instead of 0.4, and drawn at 0.2 mm."""
    picture, centres = example(make_wall(seed=3, columns=3, rows=3, loss_ratio=0.2))
    height, width = picture.coverage.shape
    twice = Picture(
        pixels=cv2.resize(picture.pixels, (2 * width, 2 * height), interpolation=cv2.INTER_CUBIC),
        mm_per_px=picture.mm_per_px / 2.0,
        origin_mm=picture.origin_mm + 0.25 * picture.mm_per_px * np.array([-1.0, 1.0]),
        coverage=picture.coverage.repeat(2, 0).repeat(2, 1),
    )
    plain, fine = (build_motif([(shown, centres)]).labels[0] for shown in (picture, twice))
    large = plain.repeat(2, 0).repeat(2, 1)
    for code in (3, 4):
        both, either = (large == code) & (fine == code), (large == code) | (fine == code)
        # 0.1 mm along all borders is about 5 % of the metal
        assert both.sum() / either.sum() > 0.94, f"code {code}"
