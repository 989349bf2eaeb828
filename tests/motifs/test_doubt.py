"""The width of doubt about an outline, on shapes known exactly."""

import cv2
import numpy as np
import pytest
import shapely

from fragkit.motifs.copies import grid_over
from fragkit.motifs.doubt import PLACE_SD_PX, Doubt, Drawn, doubt_of, origin_cov_mm2
from fragkit.motifs.mixture import METAL
from fragkit.motifs.outlines import SIMPLIFY_MM, outlines_of
from fragkit.motifs.parts import area_of
from fragkit.motifs.sharpening import CAUTION, edge_width_px, sharpen

PITCH_MM, BLUR_PX, SPREAD_MM = 0.4, 1.2, 0.3
GRID = grid_over(PITCH_MM, np.array([-20.0, -20.0]), np.array([20.0, 20.0]))


def cover(area: shapely.Geometry) -> np.ndarray:
    """Share of each pixel that an area takes, from 36 points in it."""
    x, y = GRID.offsets_mm()
    at = (np.arange(6) - 2.5) / 6.0 * PITCH_MM
    fine_x, fine_y = (x[:, None] + at).ravel(), (y[:, None] - at).ravel()
    inside = shapely.contains_xy(area, *np.meshgrid(fine_x, fine_y))
    return inside.reshape(len(y), 6, len(x), 6).mean((1, 3)).astype(np.float32)


def seen(metal: shapely.Geometry, *, shadow: shapely.Geometry | None = None, n: float = 9.0) -> tuple:
    """The outlines of an area as the mean of copies shows it, blurred, and their doubt."""
    layers = [cover(metal), cover(shadow) if shadow else np.zeros(GRID.shape, np.float32)]
    mean = np.stack([cv2.GaussianBlur(layer, (0, 0), BLUR_PX) for layer in layers])
    atlas = np.concatenate([mean, 1.0 - mean.sum(0, keepdims=True)])
    width = edge_width_px(atlas[METAL])
    sharp = np.stack([sharpen(layer, CAUTION * width) for layer in mean])
    typical = np.concatenate([sharp, 1.0 - sharp.sum(0, keepdims=True)])
    support = np.full(GRID.shape, n, np.float32)
    outlines = outlines_of(typical[METAL], GRID)
    drawn = Drawn(
        atlas=atlas,
        typical=typical,
        width_px=width,
        support=support,
        spread_mm=SPREAD_MM,
        origin_cov_mm2=origin_cov_mm2(outlines, PITCH_MM),
        grid=GRID,
    )
    return outlines, doubt_of(METAL, outlines, drawn)


def random_mm(n: float) -> float:
    """By hand: 1.96 √(spread² / n + place² + what simplifying leaves)."""
    return 1.96 * float(np.sqrt(SPREAD_MM**2 / n + (PLACE_SD_PX * PITCH_MM) ** 2 + SIMPLIFY_MM**2 / 3.0))


def band_area(doubt: Doubt, outlines: tuple) -> shapely.Geometry:
    return shapely.union_all([area_of(rings) for rings in doubt.bands(outlines)])


@pytest.mark.parametrize("n", [4.0, 100.0])
def test_doubt_of_a_smooth_outline_is_that_of_its_copies(n):
    outlines, doubt = seen(shapely.Point(0.0, 0.0).buffer(12.0, quad_segs=64), n=n)
    half = doubt.half_mm(outlines[0])
    # two outlines simplified within 0.05 mm each differ by as much
    np.testing.assert_allclose(half, random_mm(n), rtol=0, atol=0.08)
    assert half.min() >= random_mm(n)


def test_a_tip_that_blur_shortens_lies_in_the_band():
    wedge = shapely.Polygon([(-10.0, -2.5), (-10.0, 2.5), (14.0, 0.0)])
    outlines, doubt = seen(wedge, n=100.0)
    found = area_of(outlines)
    lost = 14.0 - found.bounds[2]
    band = band_area(doubt, outlines)
    # twelve degrees at the tip: it is drawn some blurs short, further than the width elsewhere tells
    assert lost > random_mm(100.0)
    held = wedge.boundary.intersection(band).length / wedge.boundary.length
    narrow = wedge.boundary.intersection(found.boundary.buffer(random_mm(100.0))).length / wedge.boundary.length
    assert held > narrow + 0.02
    assert doubt.half_mm(np.array([[-10.0, 0.0]]))[0] == pytest.approx(random_mm(100.0), abs=0.08)


def test_thin_shadow_round_a_leaf_may_be_leaf():
    leaf = shapely.Point(0.0, 0.0).buffer(10.0, quad_segs=64)
    rim = shapely.Point(0.0, 0.0).buffer(10.5, quad_segs=64).difference(leaf)
    outlines, doubt = seen(leaf, shadow=rim.intersection(shapely.box(0.0, -20.0, 20.0, 20.0)), n=100.0)
    right, left = doubt.half_mm(np.array([[10.0, 0.0], [-10.0, 0.0]]))
    assert left == pytest.approx(random_mm(100.0), abs=0.08)
    # the rim is 0.5 mm wide
    assert right > left + 0.3
    assert band_area(doubt, outlines).contains(shapely.Point(10.5, 0.0))


def test_wide_shadow_is_shadow():
    leaf = shapely.Point(0.0, 0.0).buffer(10.0, quad_segs=64)
    shade = shapely.Point(3.0, 0.0).buffer(10.0, quad_segs=64).difference(leaf)
    _, doubt = seen(leaf, shadow=shade, n=100.0)
    assert doubt.half_mm(np.array([[10.0, 0.0]]))[0] == pytest.approx(random_mm(100.0), abs=0.1)


def test_a_bare_line_too_fine_to_be_drawn_is_pointed_out():
    disc = shapely.Point(0.0, 0.0).buffer(12.0, quad_segs=64)
    gap = shapely.box(-3.0, -0.15, 3.0, 0.15)
    outlines, doubt = seen(disc.difference(gap))
    bands = doubt.bands(outlines)
    assert len(outlines) == 1
    assert len(bands) == 2
    assert area_of(bands[1]).contains(gap.buffer(-0.01).intersection(shapely.box(-2.5, -1.0, 2.5, 1.0)))
    whole, other = seen(disc)
    assert len(other.bands(whole)) == 1


def test_the_centroid_of_two_discs_errs_along_the_line_between_them():
    pair = [shapely.Point(x, 0.0).buffer(2.0, quad_segs=64) for x in (-8.0, 8.0)]
    found = origin_cov_mm2([np.asarray(disc.exterior.coords)[:-1] for disc in pair], PITCH_MM)
    # by hand: 2 π r d / (2 π r²) = d / r for each of two discs
    np.testing.assert_allclose(
        found, np.diag([2.0 * 4.0**2, 0.0]) * (PLACE_SD_PX * PITCH_MM) ** 2, rtol=1e-3, atol=1e-9
    )


def test_doubt_of_the_centroid_counts_across_the_outline():
    outlines, doubt = seen(shapely.union_all([shapely.Point(x, 0.0).buffer(3.0, quad_segs=64) for x in (-9.0, 9.0)]))
    ring = max(outlines, key=lambda points: points[:, 0].max())
    half = doubt.half_mm(ring)
    aside, above = half[ring[:, 0].argmax()], half[ring[:, 1].argmax()]
    origin2 = 2.0 * 3.0**2 * (PLACE_SD_PX * PITCH_MM) ** 2
    assert above == pytest.approx(random_mm(9.0), abs=0.1)
    assert aside == pytest.approx(1.96 * np.sqrt((random_mm(9.0) / 1.96) ** 2 + origin2), abs=0.1)
