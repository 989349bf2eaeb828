"""Two pictures of one surface joined: every pixel right, and no motif from two pictures."""

import numpy as np
import pytest

from fragkit.motifs import join_pictures
from fragkit.rectify import Picture

MM_PER_PX = 0.5


def shown(pixels, left_px, top_px):
    origin = np.array([10.0 + MM_PER_PX * left_px, 200.0 - MM_PER_PX * top_px])
    return Picture(pixels=pixels, mm_per_px=MM_PER_PX, origin_mm=origin, coverage=np.ones(pixels.shape[:2], bool))


def test_a_surface_cut_in_two_comes_together_again():
    surface = np.random.default_rng(1).integers(0, 255, (120, 300, 3), dtype=np.uint8)
    parts = [shown(surface[:100, :190].copy(), 0, 0), shown(surface[20:, 110:].copy(), 110, 20)]
    joined = join_pictures(parts, motifs_mm=[[85.0, 170.0]], radius_mm=12.0)
    assert joined.pixels.shape == surface.shape
    np.testing.assert_allclose(joined.origin_mm, [10.0, 200.0], rtol=0, atol=1e-9)  # rounding only
    np.testing.assert_array_equal(joined.pixels[joined.coverage], surface[joined.coverage])
    assert joined.coverage.sum() == 120 * 300 - 20 * 110 - 20 * 110
    assert (joined.pixels[~joined.coverage] == 0).all()


def test_seams_run_round_motifs():
    parts = [shown(np.full((100, 200, 3), 50, np.uint8), 0, 0), shown(np.full((100, 200, 3), 200, np.uint8), 100, 0)]
    plain = join_pictures(parts, motifs_mm=np.empty((0, 2)), radius_mm=10.0)
    assert set(plain.pixels[50, [20, 149 - 10, 160, 280], 0]) == {50, 200}
    x, y = plain.to_mm(np.array([[150.0, 50.0]]))[0]  # on the seam
    joined = join_pictures(parts, motifs_mm=[[x, y]], radius_mm=10.0)
    rows, columns = np.mgrid[:100, :300]
    disc = np.hypot(rows - 50, columns - 150) < 19
    assert len(np.unique(plain.pixels[disc])) == 2
    assert len(np.unique(joined.pixels[disc])) == 1


def test_large_pictures_are_reduced_first():
    """By hand: 200 px become 50 by blocks of four; the surface stays where it is."""
    parts = [shown(np.full((100, 200, 3), 50, np.uint8), 0, 0), shown(np.full((100, 200, 3), 90, np.uint8), 100, 0)]
    joined = join_pictures(parts, motifs_mm=np.empty((0, 2)), radius_mm=10.0, longest_px=60)
    assert joined.pixels.shape == (25, 75, 3)
    assert joined.mm_per_px == 4 * MM_PER_PX
    np.testing.assert_allclose(
        joined.origin_mm, parts[0].origin_mm + 1.5 * MM_PER_PX * np.array([1, -1]), rtol=0, atol=1e-9
    )


def test_pictures_of_different_depths_are_refused():
    deep = shown(np.zeros((20, 20, 3), np.uint16), 0, 0)
    with pytest.raises(ValueError, match="of the same depth and channels"):
        join_pictures([deep, shown(np.zeros((20, 20, 3), np.uint8), 5, 0)], motifs_mm=[], radius_mm=1.0)
