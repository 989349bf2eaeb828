"""Alternatives, their words, weights and decisions; certainty as a number; what passes surviving motifs."""

import numpy as np
import pytest

from fragkit.layout import COST_WEIGHTS, UNCERTAINTY, PlacedCentres, average_uncertainty, lay_out
from fragkit.survey import LayoutEntry


def survivors(origin, *, across=150.0, down=130.0, n=4, sd=5.0, noise=None, wall="North"):
    ij = np.array([(i, j) for j in range(n) for i in range(n)], float)
    xy = np.asarray(origin, float) + np.column_stack([across * (ij[:, 0] + 0.5 * ij[:, 1]), down * ij[:, 1]])
    if noise is not None:
        xy = xy + noise
    return PlacedCentres(
        wall=wall, fragment="press", index=ij.astype(int), xy_mm=xy, sd_mm=sd, status=("seen",) * len(ij)
    )


def test_where_no_whole_count_fits_the_two_nearest_are_offered_and_marked(make_wall, make_repeat, make_motif):
    """By hand: 2175 / 150 = 14.5, so 14 is 155.4 mm (+3.6 %) and 15 is 145.0 mm (−3.3 %), both beyond ±1 %."""
    walls = [make_wall(width=2175.0)]
    layout = lay_out(walls, make_repeat(offset=0.0, spread_ratio=0.01), make_motif())
    marked = [a for a in layout.alternatives if a.why.startswith("beyond the evidence")]
    offered = {round(a.across_mm, 1) for a in marked}
    assert {round(2175 / 14, 1), 145.0} <= offered
    assert all(not a.within_evidence for a in marked)
    assert any("+3.6 % across" in a.why for a in marked)


def test_level_edges_and_fan_are_all_offered_with_the_place_of_the_worst(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(fall=25.0)], make_repeat(), make_motif())
    assert {a.follow for a in layout.alternatives} == {"level", "edges", "fan"}
    wall = layout.walls[0]
    assert wall.follow_difference_mm > 10.0
    x, y = wall.follow_worst_mm
    assert min(x, 4050.0 - x) < 150.0  # the fall is largest at the ends of the cornice
    assert y > 2400.0


def test_rows_fan_from_a_level_foot_to_the_cornice_and_columns_stay_plumb(make_wall, make_repeat, make_motif):
    wall_entry = make_wall(fall=25.0, lean=30.0)
    level, fan = (
        lay_out([wall_entry], make_repeat(offset=0.0), make_motif(), options=LayoutEntry(follow=follow)).walls[0]
        for follow in ("level", "fan")
    )
    foot, top = (fan.xy_mm[fan.row == row] - fan.shift_mm[fan.row == row] for row in (1, fan.row.max()))
    assert np.ptp(foot[:, 1]) < 1.0
    slope = np.polyfit(top[:, 0], top[:, 1], 1)[0]
    assert slope == pytest.approx(25.0 / 4050.0 * (2600 - 65) / 2600, rel=0.02)
    for column in np.unique(fan.column):
        assert np.ptp((fan.xy_mm - fan.shift_mm)[fan.column == column, 0]) < 1e-6
    assert level.cost_terms["lines out of true"] == 0.0
    assert fan.cost_terms["lines out of true"] > 0.0


def test_a_variant_can_be_chosen_by_name_and_is_drawn(make_wall, make_repeat, make_motif):
    walls = [make_wall(fall=25.0)]
    name = next(a.name for a in lay_out(walls, make_repeat(), make_motif()).alternatives if a.follow == "edges")
    layout = lay_out(walls, make_repeat(), make_motif(), options=LayoutEntry(choice=name))
    assert layout.walls[0].follow == "edges"
    assert [a.name for a in layout.alternatives if a.chosen] == [name]


def test_the_runner_up_is_answered_in_words_with_numbers(make_wall, make_repeat, make_motif, make_opening):
    layout = lay_out([make_wall(openings=(make_opening(1500, 0, 2450, 2050),))], make_repeat(), make_motif())
    words = layout.why_not_the_runner_up("North")
    assert "was not taken: loses by" in words
    assert "against" in words
    assert lay_out([make_wall()], make_repeat(), make_motif()).why_not_the_runner_up("Attic") == "there was no other"


def test_weights_are_changed_by_name_and_the_change_is_logged(make_wall, make_repeat, make_motif):
    """By hand: 27 columns with a motif on the axis want 4150 / 27 = 153.7 mm; the interval ends at 153."""
    walls = [make_wall(width=4150.0)]
    kept = lay_out(walls, make_repeat(offset=0.0), make_motif(), weights={"strain within the measured spread": 1000.0})
    assert kept.walls[0].across_mm == pytest.approx(150.0, abs=1e-6)
    options = LayoutEntry(weights={"strain within the measured spread": 0.0})
    free = lay_out(walls, make_repeat(offset=0.0), make_motif(), options=options)
    assert free.walls[0].across_mm == pytest.approx(153.0, abs=1e-6)
    logged = next(d for d in free.decisions if d.what == "Weights of the cost")
    assert logged.choice == "strain within the measured spread: 0 instead of 0.3"
    with pytest.raises(ValueError, match="is no part of the cost"):
        lay_out(walls, make_repeat(), make_motif(), weights={"beauty": 1.0})


def test_cuts_at_eye_level_count_more_where_it_is_stated(make_wall, make_repeat, make_motif, make_opening):
    walls = [make_wall(openings=(make_opening(1500, 0, 2450, 1600),))]
    plain = lay_out(walls, make_repeat(), make_motif())
    stated = lay_out(walls, make_repeat(), make_motif(), options=LayoutEntry(eye_mm=1600.0))
    assert "motifs eased at eye level" not in plain.walls[0].cost_terms
    wall, terms = stated.walls[0], stated.walls[0].cost_terms
    assert "motifs eased at eye level" in terms
    near = np.abs((wall.xy_mm - wall.shift_mm)[list(wall.eased), 1] - 1600.0) <= 400.0
    gone = [y for _, _, (_, y), _ in wall.dropped if abs(y - 1600.0) <= 400.0]
    share = (near.sum() + len(gone)) / (wall.n_motifs + wall.n_dropped)
    assert terms["motifs eased at eye level"] == pytest.approx(30.0 * share, abs=1e-9)


def test_every_override_is_a_logged_decision(make_wall, make_repeat, make_motif):
    pin = {"wall": "North", "i": 0, "j": 0, "x_mm": 100.0, "y_mm": 100.0, "reason": "a nail hole"}
    options = LayoutEntry(pinned=(pin,), follow="edges", irregularity_ratio=0.5, seed=9)
    layout = lay_out([make_wall()], make_repeat(typed=("across_mm", "down_mm")), make_motif(), options=options)
    logged = {d.what: d for d in layout.decisions}
    assert "typed" in logged["The repeat"].choice
    assert logged["Motif (0, 0) of wall North"].reason == "a nail hole"
    assert "seed 9" in logged["Hand scatter"].choice
    assert "Best of the others" in logged["Layout of wall North"].reason


def test_uncertainty_is_an_average_by_metal_area():
    """By hand: 3 parts measured (0) and 1 part chosen (1), the chosen one of twice the size: 2 of 5."""
    classes = ("measured on the wall",) * 3 + ("chosen to fit",)
    assert average_uncertainty(classes, np.array([1.0, 1.0, 1.0, 2.0])) == pytest.approx(0.4, abs=1e-12)
    assert average_uncertainty((), np.zeros(0)) == 0.0
    assert list(UNCERTAINTY.values()) == sorted(UNCERTAINTY.values())


def test_uncertainty_of_a_room_lies_between_its_walls(make_wall, make_repeat, make_motif):
    walls = [make_wall("North"), make_wall("East", 3000.0)]
    layout = lay_out(walls, make_repeat(), make_motif(), fragments=[survivors([1000.0, 700.0])])
    north, east = (wall.uncertainty["mean"] for wall in layout.walls)
    assert north < layout.uncertainty < east
    areas = [wall.metal_mm2.sum() for wall in layout.walls]
    expected = (north * areas[0] + east * areas[1]) / sum(areas)
    assert layout.uncertainty == pytest.approx(expected, abs=1e-12)


def test_surviving_motifs_are_passed_within_the_sd_of_their_place_or_the_miss_is_said(
    make_wall, make_repeat, make_motif
):
    """100 walls, each with two fragments placed with errors of the stated sd."""
    rng = np.random.default_rng(41)
    within = 0
    for _ in range(60):
        sd = rng.uniform(2.0, 8.0)
        groups = [
            survivors(np.array(origin) + rng.normal(0.0, sd / 2, 2), sd=sd, noise=rng.normal(0.0, 0.7, (16, 2)))
            for origin in ([600.0, 390.0], [2550.0, 1430.0])
        ]
        wall = lay_out([make_wall()], make_repeat(), make_motif(), fragments=groups).walls[0]
        for one, group in zip(wall.passes, groups, strict=True):
            nearest = wall.xy_mm[np.linalg.norm(wall.xy_mm[:, None] - group.xy_mm[None], axis=2).argmin(axis=0)]
            miss = (group.xy_mm - nearest).mean(axis=0)
            np.testing.assert_allclose(one.miss_mm, miss, rtol=0, atol=1e-6)
            assert one.within == (np.abs(miss).max() <= sd)
            assert any(f"{np.abs(miss).max():.1f} mm" in note for note in wall.notes)
            within += one.within
    assert within >= 108  # of 120


def test_a_miss_beyond_the_sd_comes_before_edges_and_left_out_motifs(make_wall, make_repeat, make_motif):
    """Rows through the fragment would be cut at the cornice; they are laid through it nevertheless."""
    wall_entry = make_wall(height=1310.0)
    group = survivors([600.0, 390.0 - 40.0], sd=1.0)
    wall = lay_out([wall_entry], make_repeat(), make_motif(), fragments=[group]).walls[0]
    assert all(one.within for one in wall.passes)
    assert wall.cost_terms["surviving motifs missed"] <= COST_WEIGHTS["surviving motifs missed"] * 2


def test_a_pinned_motif_that_meets_a_boundary_or_leaves_the_wall_is_said(
    make_wall, make_repeat, make_motif, make_opening
):
    door = make_opening(1500, 0, 2450, 2050)
    for x, says in ((1990.0, "is not laid"), (1470.0, "does not stand clear")):
        pin = {"wall": "North", "i": 0, "j": 0, "x_mm": x, "y_mm": 1000.0}
        wall = lay_out([make_wall(openings=(door,))], make_repeat(), make_motif(), options=LayoutEntry(pinned=(pin,)))
        assert any(says in note for note in wall.walls[0].notes)
