"""Insets, forms, easing and gaps on cases that can be worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from fragkit.layout import lay_out, motif_forms
from fragkit.layout.gaps import Gap, gap_runs, level_spans, plumb_spans, wide_gaps
from fragkit.layout.insets import free_area, inset
from fragkit.layout.shapes import GUARD_MM, bounding_polygon, make_form, reshaped_forms
from fragkit.motifs.parts import area_of, rings_of
from fragkit.simulate.drawings import MOTIFS, draw_motif
from fragkit.survey import LayoutEntry, OpeningEntry


def square(side):
    h = side / 2
    return np.array([[-h, -h], [h, -h], [h, h], [-h, h]])


def test_the_inset_of_a_rectangle_for_a_rectangle_is_a_rectangle():
    """By hand: 1000 × 600 less half of 40 × 20 on each side leaves 960 × 580."""
    area = shapely.box(0, 0, 1000, 600)
    shape = np.array([[-20, -10], [20, -10], [20, 10], [-20, 10]], float)
    assert inset(area, shape).symmetric_difference(shapely.box(20, 10, 980, 590)).area < 1e-6


def test_the_inset_minds_where_the_centre_is_and_the_scale():
    """By hand: a shape from 10 to 30 right of its centre may have its centre left of the wall's edge."""
    area = shapely.box(0, 0, 1000, 600)
    shape = np.array([[10, -10], [30, -10], [30, 10], [10, 10]], float)
    expected = shapely.box(-10, 10, 970, 590)
    assert inset(area, shape).symmetric_difference(expected).area < 1e-6
    half = shapely.box(-5, 5, 985, 595)
    assert inset(area, shape, scale_ratio=0.5).symmetric_difference(half).area < 1e-6


def test_points_of_the_inset_are_those_where_the_shape_is_covered():
    """Against shapely's own covers, on an L with an oval hole, for an odd shape."""
    area = Polygon([(0, 0), (900, 30), (870, 400), (400, 420), (380, 800), (0, 790)])
    area = area.difference(shapely.affinity.scale(Point(200, 300).buffer(1.0), 90, 60))
    shape = np.array([[-30, -10], [20, -25], [35, 15], [-5, 30]], float)
    rng = np.random.default_rng(2)
    points = rng.uniform([-50, -50], [950, 850], (3000, 2))
    inside = shapely.contains_xy(inset(area, shape), points[:, 0], points[:, 1])
    truth = np.array([area.covers(Polygon(shape + p)) for p in points])
    assert (inside == truth).mean() == 1.0


def test_the_bounding_polygon_holds_every_point_and_is_tight_for_a_rectangle():
    points = np.random.default_rng(0).normal(size=(200, 2)) * [20, 8]
    assert Polygon(bounding_polygon(points)).covers(shapely.multipoints(points))
    tight = Polygon(bounding_polygon(np.array([[-3, -2], [5, -2], [5, 4], [-3, 4]], float)))
    np.testing.assert_allclose(tight.bounds, (-3, -2, 5, 4), rtol=0, atol=2 * GUARD_MM)


def test_free_area_takes_off_clearances_round_windows_and_lines_across(make_wall, make_edge):
    """By hand: a round window of radius 300 with 50 mm clearance takes π 350²."""
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    window = OpeningEntry(
        name="oculus",
        kind="window",
        outline_mm=np.column_stack([2000 + 300 * np.cos(angles), 1500 + 300 * np.sin(angles)]),
        clearance_mm=50.0,
    )
    wall = make_wall(openings=(window,))
    taken = 4050.0 * 2600.0 - free_area(wall).area
    assert taken == pytest.approx(np.pi * 350.0**2, rel=1e-3)
    rail = make_edge([[0, 900], [4050, 900]], name="dado rail")
    parts = shapely.get_parts(free_area(make_wall(edges=(rail,))))
    assert len(parts) == 2


def test_lobes_are_dropped_whole_from_one_side_and_half_the_metal_is_kept(make_motif):
    whole = make_form("whole", make_motif(parts=3).outlines)
    forms = {form.name: form for form in reshaped_forms(whole)}
    assert set(forms) == {"without top 1", "without bottom 1"}
    parts = [Polygon(ring) for ring in whole.outlines["metal"]]
    for form in forms.values():
        for ring in form.outlines["metal"]:
            assert any(Polygon(ring).equals(part) for part in parts), "a lobe was cut"
    assert forms["without top 1"].bound_mm[:, 1].max() < whole.bound_mm[:, 1].max() - 10


@pytest.mark.parametrize("name", sorted(MOTIFS))
def test_a_lobe_takes_the_shadow_that_lies_nearest_to_it_along(name):
    """By brute force: places in the shadow, asked which metal is nearest to them."""
    drawing = draw_motif(name)
    seen = drawing.shadow.difference(drawing.metal)
    whole = make_form("whole", {"metal": rings_of(drawing.metal), "shadow": rings_of(seen)})
    metal, shadow = area_of(whole.outlines["metal"]), area_of(whole.outlines["shadow"])
    places = shapely.points(np.random.default_rng(3).uniform(*np.array(shadow.bounds).reshape(2, 2), (3000, 2)))
    places = places[shapely.contains(shadow, places)]
    for form in reshaped_forms(whole):
        kept = area_of(form.outlines["metal"])
        to_kept, to_dropped = shapely.distance(places, kept), shapely.distance(places, metal.difference(kept))
        plain = np.abs(to_kept - to_dropped) > 0.1
        stays = shapely.contains(area_of(form.outlines["shadow"]), places)
        assert plain.sum() > 100
        assert np.array_equal(stays[plain], (to_kept < to_dropped)[plain])


def test_a_motif_of_one_piece_is_never_reshaped(make_motif):
    assert list(motif_forms(make_motif())) == ["whole"]


def test_a_motif_without_metal_is_refused():
    with pytest.raises(ValueError, match="no metal outline"):
        make_form("whole", {"metal": (), "shadow": (square(10),)})
    with pytest.raises(ValueError, match="2 points"):
        make_form("whole", {"metal": (np.zeros((2, 2)),)})


def low_cornice(make_wall, make_edge, *, rule, over_mm):
    """A wall 7 motifs wide whose cornice is `over_mm` too low for the upper row of a net held at y = 195."""
    height = 325.0 + 26.0 - over_mm
    edge = make_edge([[0, height], [1050, height]], rule=rule, max_shift=15.0, min_scale=0.8)
    pin = {"wall": "North", "i": 0, "j": 0, "x_mm": 75.0, "y_mm": 195.0}
    return make_wall(width=1050.0, height=height, edges=(edge,)), LayoutEntry(pinned=(pin,))


@pytest.mark.parametrize(
    ("rule", "over_mm", "form", "scale", "moved", "left_out"),
    [
        ("shift", 10.0, "whole", 1.0, 10.0, False),  # 10 mm is within its 15 mm
        ("shift", 20.0, "", 0.0, 0.0, True),  # 20 mm is not
        ("reduce", 17.0, "whole", 0.9, 14.4, False),  # at 0.90 it reaches 2.6 mm less: 17 − 2.6 = 14.4
        ("omit", 1.0, "", 0.0, 0.0, True),
        # the top lobe goes and 26 mm above the centre become 10.5
        ("reshape", 25.0, "without top 1", 1.0, 9.5, False),
    ],
)
def test_each_rule_eases_the_row_under_a_low_cornice_as_far_as_it_goes(
    make_wall, make_edge, make_repeat, make_motif, rule, over_mm, form, scale, moved, left_out
):
    wall_entry, options = low_cornice(make_wall, make_edge, rule=rule, over_mm=over_mm)
    motif = make_motif(parts=3 if rule == "reshape" else 1)
    layout = lay_out(
        [wall_entry],
        make_repeat(offset=0.0, spread_ratio=1e-6),
        motif,
        options=options,
    )
    wall = layout.walls[0]
    top = wall.index[:, 1] == 1
    if left_out:
        assert not top.any()
        assert wall.n_dropped == 7
        assert all("cornice" in why for *_, why in wall.dropped)
    else:
        assert top.sum() == 7
        assert {wall.form[k] for k in np.flatnonzero(top)} == {form}
        np.testing.assert_allclose(wall.scale_ratio[top], scale, rtol=0, atol=1e-9)
        # 0.01 mm: the guard of 0.001 mm on every side; 0.5 mm: how finely the shadow is divided
        atol = 0.5 if rule == "reshape" else 0.01
        np.testing.assert_allclose(-wall.shift_mm[top, 1], moved, rtol=0, atol=atol)
        assert {wall.position_class[k] for k in np.flatnonzero(top)} == {"chosen to fit"}


def test_gaps_are_read_between_neighbours_and_to_the_edges():
    """By hand: 5 motifs 100 apart on a run of 500, the second taken out: a gap of 200, in repeats 2."""
    area = shapely.box(0, 0, 500, 100)
    xy = np.array([[50, 50], [250, 50], [350, 50], [450, 50]], float)
    heights, spans = level_spans(area, xy, np.ones(4, int), repeat_mm=100.0)
    assert spans.ratio.max() == pytest.approx(2.0, abs=1e-9)
    assert [(gap.at_mm, gap.from_mm, gap.to_mm) for gap in wide_gaps(spans, heights, line="level")] == [(50, 50, 250)]
    whole = np.array([[50, 50], [150, 50], [250, 50], [350, 50]], float)
    heights, spans = level_spans(area, whole, np.ones(4, int), repeat_mm=100.0)
    (gap,) = wide_gaps(spans, heights, line="level")
    assert (gap.ratio, gap.to_mm) == (pytest.approx(1.5, abs=1e-9), 500.0)


def test_no_gap_is_read_across_an_opening():
    area = shapely.box(0, 0, 500, 400).difference(shapely.box(100, 100, 400, 300))
    xy = np.array([[50.0, 200.0], [450.0, 200.0]])
    _, spans = level_spans(area, xy, np.ones(2, int), repeat_mm=100.0)
    assert spans.ratio.max() == pytest.approx(0.5)


@pytest.mark.parametrize("offset", [0.0, 0.5, 1 / 3, 0.27])
def test_a_full_net_has_no_gap_up_and_down_whatever_its_offset(offset):
    """By hand: rows 100 apart from 50 to 450; with the third row taken out there is one gap of 200 everywhere."""
    area = shapely.box(0, 0, 1000, 500)
    ij = np.array([(i, j) for j in range(5) for i in range(-3, 14)], float)
    xy = np.column_stack([(ij[:, 0] + offset * ij[:, 1]) * 100.0 + 20.0, ij[:, 1] * 100.0 + 50.0])
    inside = (xy[:, 0] > 0) & (xy[:, 0] < 1000)
    xy, row = xy[inside], ij[inside, 1].astype(int)
    lines = np.arange(10.0, 1000.0, 25.0)
    for kept, ratio in ((np.ones(len(row), bool), 1.0), (row != 2, 2.0)):
        _, level = level_spans(area, xy[kept], row[kept], repeat_mm=100.0)
        plumb = plumb_spans(area, xy[kept], level, lines, repeat_mm=100.0)
        assert plumb.ratio.max() == pytest.approx(ratio, abs=1e-9)
        assert len(np.unique(plumb.line)) == len(lines)


def test_each_edge_keeps_its_own_least_size(make_wall, make_edge, make_repeat, make_motif):
    """By hand: 17 mm too low and 15 allowed needs 0.90; the left half of the cornice allows only 0.95."""
    wall, options = low_cornice(make_wall, make_edge, rule="reduce", over_mm=17.0)
    height = wall.outline_mm[:, 1].max()
    halves = (
        make_edge([[0, height], [525, height]], name="old cornice", rule="reduce", min_scale=0.95),
        make_edge([[525, height], [1050, height]], name="new cornice", rule="reduce", min_scale=0.8),
    )
    layout = lay_out(
        [replace(wall, edges=halves)],
        make_repeat(offset=0.0, spread_ratio=1e-6),
        make_motif(),
        options=options,
    )
    upper = layout.walls[0].xy_mm[layout.walls[0].index[:, 1] == 1, 0]
    np.testing.assert_allclose(upper, [675.0, 825.0, 975.0], rtol=0, atol=0.01)
    assert sorted(round(x) for _, _, (x, _), why in layout.walls[0].dropped if "old cornice" in why)[:3] == [
        75,
        225,
        375,
    ]


def test_gaps_side_by_side_along_one_boundary_are_told_together():
    """By hand: three plumb gaps 50 mm apart under one cornice, one far away, one level gap at the same place."""
    cornice = [Gap(line="plumb", at_mm=x, from_mm=900.0, to_mm=1000.0, ratio=1.3) for x in (100.0, 150.0, 200.0)]
    other = Gap(line="plumb", at_mm=900.0, from_mm=905.0, to_mm=1005.0, ratio=1.4)
    level = Gap(line="level", at_mm=150.0, from_mm=900.0, to_mm=1000.0, ratio=1.3)
    below = Gap(line="plumb", at_mm=150.0, from_mm=100.0, to_mm=200.0, ratio=1.3)
    runs = gap_runs([other, *reversed(cornice), level, below])
    assert sorted(len(run) for run in runs) == [1, 1, 1, 3]
    assert next(run for run in runs if len(run) == 3) == cornice
