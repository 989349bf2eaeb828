"""Outlines, areas and strays on shapes known exactly."""

import numpy as np
import pytest

from fragkit.motifs.copies import grid_over
from fragkit.motifs.outlines import (
    area_sd_mm2,
    band_of,
    centroid,
    outlines_of,
    signed_area,
    strays_mm,
    total_area,
    total_length,
)
from fragkit.motifs.parts import area_of, parts_of, rings_of

GRID = grid_over(0.4, np.array([-20.0, -20.0]), np.array([20.0, 20.0]))


def disc(radius_mm: float, x_mm: float = 0.0, y_mm: float = 0.0, blur_mm: float = 0.4) -> np.ndarray:
    """Share of each pixel inside a disc with a soft edge."""
    x, y = np.meshgrid(*GRID.offsets_mm())
    return np.clip((radius_mm - np.hypot(x - x_mm, y - y_mm)) / blur_mm + 0.5, 0.0, 1.0).astype(np.float32)


def test_a_disc_keeps_its_place_and_area():
    (outline,) = outlines_of(disc(10.0, 3.0, -2.0), GRID)
    # a 0.05 mm chord tolerance takes at most two thirds of 0.05 mm off the radius
    assert signed_area(outline) == pytest.approx(np.pi * 100.0, abs=2.5)
    np.testing.assert_allclose(centroid([outline]), [3.0, -2.0], rtol=0, atol=0.02)
    np.testing.assert_allclose(np.hypot(*(outline - [3.0, -2.0]).T), 10.0, rtol=0, atol=0.06)
    assert total_length([outline]) == pytest.approx(2.0 * np.pi * 10.0, abs=0.3)


def test_a_hole_runs_the_other_way_and_is_taken_off():
    outer, hole = outlines_of(disc(10.0) - disc(4.0, 2.0), GRID)
    assert signed_area(outer) > 0.0 > signed_area(hole)
    assert total_area([outer, hole]) == pytest.approx(np.pi * 84.0, abs=3.0)
    # by hand: (100 * 0 - 16 * 2) / 84
    np.testing.assert_allclose(centroid([outer, hole]), [-32.0 / 84.0, 0.0], rtol=0, atol=0.03)


def test_specks_are_left_out():
    assert outlines_of(disc(0.5), GRID) == ()


def test_the_shoelace_by_hand():
    triangle = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]])
    assert signed_area(triangle) == 6.0
    np.testing.assert_allclose(centroid([triangle]), [4.0 / 3.0, 1.0], rtol=0, atol=1e-12)
    assert total_length([triangle]) == 12.0


def test_strays_are_the_displacements_of_the_edge():
    (outline,) = outlines_of(disc(10.0), GRID)
    copies = np.stack([disc(10.0), disc(10.5), disc(9.4), disc(10.0, 0.3)])
    weights = np.ones_like(copies)
    weights[3, :, : int(GRID.centre_px[0])] = 0.0
    strays = strays_mm(copies, weights, outline, GRID)
    # linear interpolation of a soft edge, and the outline's own chords
    np.testing.assert_allclose(np.mean(strays[:3], axis=1), [0.0, 0.5, -0.6], rtol=0, atol=0.06)
    assert np.isnan(strays[3]).mean() == pytest.approx(0.5, abs=0.15)
    assert np.nanmax(strays[3]) == pytest.approx(0.3, abs=0.06)


def test_area_sd_covers_the_scatter_of_repeated_samples():
    rng = np.random.default_rng(5)
    areas, sds = [], []
    for _ in range(40):
        copies = np.stack([disc(10.0 + r) for r in rng.normal(0.0, 0.4, 12)])
        mean = copies.mean(axis=0)
        outline = outlines_of(mean, GRID)
        areas.append(total_area(outline))
        sds.append(area_sd_mm2(copies, np.ones_like(copies), outline, 0.4, rng))
    # by hand: 2 pi 10 mm * 0.4 mm / sqrt(12) = 7.3 mm², and the blur of 0.2 px: 5.0 mm² beside it
    assert np.std(areas) == pytest.approx(7.3, abs=2.2)
    assert np.std(areas) < np.median(sds) < 13.0


def test_the_band_lies_on_both_sides():
    (outline,) = outlines_of(disc(10.0), GRID)
    rings = band_of(outline, np.full(len(outline), 0.5))
    # by hand: a ring of 1 mm about a circle of 10 mm; chords and discs of 16 corners take a hundredth
    assert area_of(rings).area == pytest.approx(2.0 * np.pi * 10.0, rel=0.03)
    assert len(rings) == 2


def test_parts_without_crumbs():
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    hole, other, crumb = square * 0.2 + 2.0, square * 0.5 + 20.0, square * 0.05 + 40.0
    large, small = parts_of(area_of([other, square, hole, crumb]))
    assert [large.area, small.area] == [96.0, 25.0]
    assert len(rings_of(large)) == 2
