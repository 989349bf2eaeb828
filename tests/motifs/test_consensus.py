"""The motif learned from a damaged wall, against the wall's own truth."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hop_scene import area, centroid, cone, example, make_wall, overlap

from fragkit.errors import EstimationError
from fragkit.motifs.consensus import build_motif


@pytest.fixture(scope="module")
def wall():
    return make_wall(seed=3, loss_ratio=0.30)


@pytest.fixture(scope="module")
def motif(wall):
    return build_motif([example(wall)])


def mean_distance_mm(first: np.ndarray, second: np.ndarray) -> float:
    """Mean distance between two closed outlines, both ways, at 400 even steps."""
    rings = [shapely.LinearRing(points) for points in (first, second)]
    sides = []
    for one, other in (rings, rings[::-1]):
        steps = shapely.line_interpolate_point(one, np.arange(400) / 400.0 * one.length)
        sides.append(shapely.distance(other, steps).mean())
    return float(np.mean(sides))


def test_metal_area_and_outline(motif):
    truth = cone()
    length = shapely.LinearRing(truth).length
    # the aim: the larger of 2 % and 0.1 mm along the outline
    assert abs(motif.metal_area_mm2 - area(truth)) < max(0.02 * area(truth), 0.1 * length)
    assert abs(motif.metal_area_mm2 - area(truth)) < 2.0 * motif.metal_area_sd_mm2
    assert len(motif.outlines["metal"]) == 1
    assert mean_distance_mm(motif.outlines["metal"][0], truth) < 0.25


def test_outlines_are_closed_about_the_metal_centroid(motif):
    outline = motif.outlines["metal"][0]
    np.testing.assert_allclose(centroid(outline), 0.0, rtol=0, atol=1e-6)
    assert area(outline) > 0.0
    assert motif.metal_area_mm2 == pytest.approx(area(outline), rel=1e-9)
    box = np.ptp(np.concatenate([*motif.outlines["metal"], *motif.outlines["shadow"]]), axis=0)
    np.testing.assert_allclose([motif.width_mm, motif.height_mm], box, rtol=0, atol=1e-9)
    # half a pixel of 0.4 mm, and a stem that ends in a point
    assert abs(motif.metal_width_mm - np.ptp(cone()[:, 0])) < 0.6
    assert abs(motif.metal_height_mm - np.ptp(cone()[:, 1])) < 1.8


def test_maps_and_outlines_share_one_frame(motif):
    rows, columns = np.indices(motif.metal.shape)
    weight = np.clip(motif.metal, 0.0, 1.0)
    middle = [(weight * columns).sum() / weight.sum(), (weight * rows).sum() / weight.sum()]
    # grey edges, and a stem whose tip only some copies show, weigh differently from the outline at one half
    np.testing.assert_allclose(motif.origin_px, middle, rtol=0, atol=0.5)
    np.testing.assert_allclose(motif.metal + motif.shadow + motif.ground, 1.0, rtol=0, atol=1e-3)


def test_shadow_lies_to_the_lower_right(motif):
    shade = shapely.union_all([shapely.Polygon(points) for points in motif.outlines["shadow"]])
    metal = shapely.Polygon(cone())
    truth = shapely.affinity.translate(metal, 2.6, -2.0).difference(metal)
    assert shade.intersection(truth).area / shade.union(truth).area > 0.75
    assert shade.centroid.x > 4.0
    assert shade.centroid.y < -4.0


def test_the_offset_leads_back_to_the_given_centres(wall, motif):
    _, centres = example(wall)
    found = centres.xy_mm[centres.found] + motif.shifts_mm + motif.centre_offset_mm
    error = found - wall.xy_mm[centres.found]
    # better than the 0.15 mm with which the centres were marked
    assert error.std() < 0.12
    assert np.abs(error.mean(axis=0)).max() < 0.15


def test_spread_of_the_copies_is_measured_with_noise_removed(motif):
    # copies were bent by 0.25 mm rms; some of it looks like a shift and is taken off with the place
    assert 0.15 < motif.shape_spread_mm < 0.32


def test_copies_alike_show_no_spread():
    alike = build_motif([example(make_wall(seed=8, shape_sd_mm=0.0, loss_ratio=0.2))])
    # what blur, noise and tarnish leave
    assert alike.shape_spread_mm < 0.12


def test_examples_are_listed_with_what_they_show(wall, motif):
    _, centres = example(wall)
    n = int(centres.found.sum())
    assert motif.n_examples == len(motif.weights) == len(motif.residuals) == len(motif.seen) == n
    np.testing.assert_array_equal(motif.example_index[:, 1:], centres.index[centres.found])
    shown = np.array([weight for *_, weight in motif.weights])
    assert np.abs(shown - wall.visible_ratio[centres.found]).max() < 0.15
    assert not motif.residuals[~motif.seen].any()
    assert motif.support.max() <= n + 1e-3


def test_labels_of_every_pixel(wall, motif):
    (labels,) = motif.labels
    assert overlap(labels == 3, wall.truth == 3) > 0.90
    assert overlap(labels == 4, wall.truth == 4) > 0.85
    assert overlap(labels == 5, wall.truth == 5) > 0.85
    assert overlap(labels == 2, wall.truth == 2) > 0.65
    assert any("Labels drawn by hand settle it" in note for note in motif.notes)


def test_labels_are_as_sure_as_they_say(wall, motif):
    (labels,), (percent,) = motif.labels, motif.label_percent
    kind = np.minimum(wall.truth, 4) == np.minimum(labels, 4)
    bands = [(percent >= low) & (percent < high) for low, high in ((1, 60), (60, 80), (80, 95), (95, 101))]
    right = np.array([kind[some].mean() for some in bands])
    said = np.array([percent[some].mean() for some in bands]) / 100.0
    # not surer than they may be: a twentieth is what neighbours that err together move a band by
    assert (right > said - 0.05).all()
    assert (np.diff(right) > 0.0).all()
    assert not percent[labels == 0].any()


def test_the_users_labels_override(wall):
    picture, centres = example(wall)
    given = np.zeros(wall.truth.shape, np.uint8)
    given[:200] = wall.truth[:200]
    given[300:310, 400:420] = 5
    found = build_motif([(picture, centres)], labels=[given])
    np.testing.assert_array_equal(found.labels[0][given > 0], given[given > 0])
    assert (found.label_percent[0][given > 0] == 100).all()


def test_one_sided_damage_does_not_pull_the_outline():
    wall = make_wall(seed=12, loss_ratio=0.0, later_work=False)
    picture, centres = example(wall)
    pixels, px = picture.pixels.copy(), picture.to_px(wall.xy_mm).round().astype(int)
    torn_sites = np.random.default_rng(2).permutation(len(px))[:8]
    for (x, y), start in zip(px[torn_sites], np.linspace(-15, 20, 8).astype(int), strict=True):
        top, left = max(0, y - 60), x + start
        noise = np.random.default_rng(x).normal(0.0, 4.0, pixels[top : y + 60, left : left + 90].shape)
        pixels[top : y + 60, left : left + 90] = np.round((196, 176, 148) + noise)
    torn = build_motif([(replace(picture, pixels=pixels), centres)])
    half_plane = shapely.box(4.0, -40.0, 40.0, 40.0)
    right, truth = (
        shapely.Polygon(points).intersection(half_plane).area for points in (torn.outlines["metal"][0], cone())
    )
    # 40 % of the copies lost on the right; the centroid moves with the outline by some hundredths of a mm
    assert abs(right / truth - 1.0) < 0.05
    assert torn.support[:, -30:].mean() < 0.8 * torn.support[:, :30].mean()


def test_a_motif_without_shadow_gets_none():
    plain = build_motif([example(make_wall(seed=21, shadow=False))])
    assert plain.outlines["shadow"] == ()
    assert any("No painted shadow" in note for note in plain.notes)
    assert abs(plain.metal_area_mm2 / area(cone()) - 1.0) < 0.05


def test_two_pictures_of_different_scale_join():
    walls = [make_wall(seed=31, columns=3, rows=3), make_wall(seed=32, columns=3, rows=3, mm_per_px=0.3)]
    both = build_motif([example(wall) for wall in walls])
    assert both.mm_per_px == pytest.approx(0.3)
    assert [labels.shape for labels in both.labels] == [wall.truth.shape for wall in walls]
    assert set(both.example_index[:, 0]) == {0, 1}
    assert abs(both.metal_area_mm2 / area(cone()) - 1.0) < 0.03


def test_a_picture_without_found_motifs_is_not_read(wall):
    picture, centres = example(wall)
    bare = replace(centres, status=("lost",) * len(centres.status))
    labels = build_motif([(picture, centres), (picture, bare)]).labels
    assert not labels[1].any()
    assert labels[0].any()


def test_the_motif_shows_itself_and_cannot_be_changed(motif):
    assert f"from {motif.n_examples} examples" in repr(motif)
    assert "mm²" in motif._repr_html_()
    with pytest.raises(ValueError, match="read-only"):
        motif.metal[0, 0] = 1.0


def test_bare_ground_has_no_motif(wall):
    picture, centres = example(wall)
    rng = np.random.default_rng(1)
    pixels = rng.normal((214, 204, 184), 3.0, picture.pixels.shape).round().astype(np.uint8)
    with pytest.raises(EstimationError, match="No metal stands out from the ground"):
        build_motif([(replace(picture, pixels=pixels), centres)])


def test_too_few_examples(wall):
    picture, centres = example(wall)
    lone = replace(centres, status=("seen", "seen", *("lost",) * (len(centres.status) - 2)))
    with pytest.raises(EstimationError, match=r"Found: 2 examples\. Needed: at least 3"):
        build_motif([(picture, lone)])


def test_arguments_that_do_not_fit(wall):
    pair = example(wall)
    with pytest.raises(ValueError, match="give at least one picture"):
        build_motif([])
    with pytest.raises(ValueError, match="2 label pictures for 1 pictures"):
        build_motif([pair], labels=[None, None])
    with pytest.raises(ValueError, match=r"Labels 0 are \(5, 5\)"):
        build_motif([pair], labels=[np.zeros((5, 5), np.uint8)])
