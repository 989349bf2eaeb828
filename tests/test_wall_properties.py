"""What must hold for every lens, plane, wall and interval, tried on inputs that hypothesis invents."""

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as some
from hypothesis.extra.numpy import arrays

from fragkit import EstimationError, lay_out, round_lengths
from fragkit.lattice import semivariogram
from fragkit.rectify import Picture, distort, even_light, given_lens, relief_shift_mm, undistort
from fragkit.rectify.homography import fit_homography
from fragkit.survey import LayoutEntry

calm = settings(
    max_examples=25,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    derandomize=True,
)
few = settings(calm, max_examples=8)


@given(
    k1=some.floats(-0.3, 0.3),
    f_px=some.floats(500.0, 8000.0),
    px=arrays(float, (6, 2), elements=some.floats(-3000.0, 3000.0)),
)
@calm
def test_what_a_lens_bends_is_unbent_or_refused(k1, f_px, px):
    lens = given_lens(f_px, (1999.5, 1499.5), k1=k1)
    ideal = lens.centre_px + px
    try:
        again = undistort(lens, distort(lens, ideal))
    except EstimationError:
        assert k1 < 0.0  # only a barrel folds over
        return
    folded = (1.0 + 3.0 * k1 * (px**2).sum(1) / f_px**2) <= 0.0
    np.testing.assert_allclose(again[~folded], ideal[~folded], rtol=0, atol=1e-6)


@given(
    corners=arrays(float, (4, 2), elements=some.floats(-200.0, 200.0)),
    more=arrays(float, (5, 2), elements=some.floats(0.1, 0.9)),
)
@calm
def test_a_plane_is_found_from_exact_points_whatever_its_tilt(corners, more):
    square = np.array([[0.0, 0.0], [2000.0, 0.0], [2000.0, 1500.0], [0.0, 1500.0]])
    seen = square + corners
    assume(shapely.Polygon(seen).is_valid)
    exact = fit_homography(square, seen)
    points = np.vstack([square, more * [2000.0, 1500.0]])
    ahead = np.column_stack([points, np.ones(len(points))]) @ exact.T
    shown = ahead[:, :2] / ahead[:, 2:]
    again = np.column_stack([points, np.ones(len(points))]) @ fit_homography(points, shown).T
    np.testing.assert_allclose(again[:, :2] / again[:, 2:], shown, rtol=0, atol=1e-5)


@given(off=some.floats(-2000.0, 2000.0), relief=some.floats(-20.0, 20.0), height=some.floats(300.0, 5000.0))
@calm
def test_relief_shifts_outwards_what_stands_before_the_plane(off, relief, height):
    """Similar triangles: seen from height H, a point at h before the plane meets it at r H / (H − h)."""
    shift = float(relief_shift_mm(off, relief, height))
    assert off + shift == pytest.approx(off * height / (height - relief), abs=1e-9)


@given(seed=some.integers(0, 999), slope=some.floats(0.0, 0.4), bits=some.sampled_from([8, 16]))
@few
def test_evening_the_light_changes_no_size_and_not_its_input(seed, slope, bits):
    top, kind = (255, np.uint8) if bits == 8 else (65535, np.uint16)
    rng = np.random.default_rng(seed)
    shade = 1.0 - slope * np.linspace(0.0, 1.0, 120)[None, :, None]
    pixels = (top * np.clip(0.7 * shade + rng.normal(0.0, 0.01, (90, 120, 3)), 0.0, 1.0)).astype(kind)
    before = pixels.copy()
    picture = Picture(pixels=pixels, mm_per_px=0.5, origin_mm=(0.0, 0.0), coverage=np.ones((90, 120), bool))
    even = even_light(picture)
    assert (even.pixels.shape, even.pixels.dtype) == (pixels.shape, kind)
    np.testing.assert_array_equal(pixels, before)
    left, right = (float(np.median(even.pixels[:, part])) for part in (slice(0, 20), slice(-20, None)))
    assert abs(left / right - 1.0) <= max(0.04, 0.5 * slope)


sizes = some.floats(900.0, 4500.0)


@given(
    width=sizes,
    height=some.floats(700.0, 3000.0),
    lean=some.floats(-30.0, 30.0),
    fall=some.floats(-30.0, 30.0),
    door=some.floats(0.1, 0.5),
)
@few
def test_no_motif_ever_leaves_its_wall_or_enters_a_clearance(
    make_wall, make_opening, make_repeat, make_motif, width, height, lean, fall, door
):
    opening = make_opening(door * width, 200.0, door * width + 300.0, 600.0, clearance=20.0)
    wall = make_wall(width=width, height=height, lean=lean, fall=fall, openings=(opening,))
    motif = make_motif()
    laid = lay_out([wall], make_repeat(), motif, options=LayoutEntry(irregularity_ratio=1.0)).walls[0]
    free = shapely.Polygon(wall.outline_mm).difference(
        shapely.Polygon(opening.outline_mm).buffer(20.0, join_style="mitre")
    )
    ring = np.concatenate([np.asarray(points) for rings in motif.outlines.values() for points in rings])
    at = laid.xy_mm + laid.scatter_mm
    whole = [k for k, form in enumerate(laid.form) if form == "whole"]
    hulls = [shapely.MultiPoint(laid.scale_ratio[k] * ring + at[k]).convex_hull for k in whole]
    assert all(free.buffer(1e-6).covers(hull) for hull in hulls)
    assert len(set(laid.id)) == laid.n_motifs


@given(across=some.floats(-5000.0, 5000.0), up=some.floats(-2000.0, 2000.0), width=sizes)
@few
def test_a_wall_measured_from_another_datum_is_laid_out_alike(make_wall, make_repeat, make_motif, across, up, width):
    plain = make_wall(width=width)
    moved = make_wall(width=width)
    object.__setattr__(moved, "outline_mm", plain.outline_mm + [across, up])
    one, other = (lay_out([wall], make_repeat(), make_motif()).walls[0] for wall in (plain, moved))
    np.testing.assert_allclose(other.xy_mm - [across, up], one.xy_mm, rtol=0, atol=1e-6)


@given(low=some.floats(5.0, 900.0), width=some.floats(0.01, 3.0))
@calm
def test_a_round_length_lies_in_the_interval_it_explains(low, width):
    for found in round_lengths((low, low + width)):
        assert low - 1e-9 <= found.length_mm <= low + width + 1e-9
        assert 0.0 <= found.chance <= 0.5


@given(
    values=arrays(float, (20,), elements=some.floats(-10.0, 10.0)),
    shift=some.floats(-1e3, 1e3),
    turn=some.floats(-3.2, 3.2),
)
@calm
def test_a_variogram_does_not_know_where_its_places_lie(values, shift, turn):
    places = np.random.default_rng(1).uniform(0.0, 100.0, (20, 2))
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    one, other = (semivariogram(at, values, bin_width=25.0, cutoff=100.0) for at in (places, places @ matrix.T + shift))
    np.testing.assert_allclose(one.semivariance, other.semivariance, rtol=0, atol=1e-6)
    assert np.all(one.semivariance >= 0.0)
