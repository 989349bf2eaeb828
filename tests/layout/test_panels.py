"""Stretch confined to panels, heads cleared together, and what may claim to be invisible."""

import numpy as np
import pytest

from fragkit.layout import lay_out
from fragkit.layout.fits import Anchor, Span, make_fit
from fragkit.layout.heads import clear_heights_mm
from fragkit.layout.panels import confine
from fragkit.survey import LayoutEntry

EXACT_MM = 1e-6


def span(high, *, repeat=100.0, reach=20.0, spread=0.02):
    bounds = (repeat * (1 - spread), repeat * (1 + spread))
    return Span(low_mm=0.0, high_mm=high, reach_mm=reach, repeat_mm=repeat, bounds_mm=bounds)


def test_outside_the_panels_the_repeat_is_exact_and_inside_it_rises_and_falls_gently():
    """By hand: 40 intervals want 4020 mm; 20 mm are to be found in 16 intervals, 1.25 % on average."""
    run = span(4120.5)
    fit = make_fit(run, Anchor(kind="motif", words="", at_mm=2060.25), 100.5)
    panels = ((50.0, 850.0), (3270.0, 4070.0))
    bent = confine(fit, run, panels)
    places = bent.place_mm(np.arange(-20.0, 21.0))
    steps = np.diff(places)
    inside = np.r_[np.arange(8), np.arange(32, 40)]
    outside = np.setdiff1d(np.arange(40), inside)
    np.testing.assert_allclose(steps[outside], 100.0, rtol=0, atol=EXACT_MM)
    assert steps.sum() == pytest.approx(4020.0, abs=EXACT_MM)
    assert places[20] == pytest.approx(2060.25, abs=EXACT_MM)
    np.testing.assert_allclose(places + places[::-1], 2 * 2060.25, rtol=0, atol=EXACT_MM)
    padded = np.concatenate([[0.0], steps / 100.0 - 1.0, [0.0]])
    assert bent.stretch_ratio == pytest.approx(np.abs(steps / 100.0 - 1.0).max(), abs=1e-9)
    assert bent.change_ratio == pytest.approx(np.abs(np.diff(padded)).max(), abs=1e-9)
    np.testing.assert_allclose(bent.number_at(places), np.arange(-20.0, 21.0), rtol=0, atol=1e-9)


def test_the_smoothest_sharing_out_is_that_of_the_normal_equations():
    """Independent: least squared changes under one sum, solved by elimination: a parabola over the panel."""
    run = span(3050.5)
    wide = confine(make_fit(run, Anchor(kind="motif", words="", at_mm=1525.25), 101.0), run, ((0.0, 1450.0),))
    strain = np.diff(wide.place_mm(np.arange(-14.0, 0.0))) / 100.0 - 1.0
    k = np.arange(1, len(strain) + 1)
    parabola = k * (len(strain) + 1 - k)
    np.testing.assert_allclose(strain / strain.sum(), parabola / parabola.sum(), rtol=0, atol=1e-9)


def test_a_panel_is_offered_only_where_nobody_can_see_it(make_wall, make_repeat, make_motif):
    wall_entry = make_wall(width=4075.0)
    wide = ({"wall": "North", "from_mm": 20.0, "to_mm": 1900.0}, {"wall": "North", "from_mm": 2200.0, "to_mm": 4060.0})
    layout = lay_out([wall_entry], make_repeat(), make_motif(), options=LayoutEntry(panels=wide))
    confined = next(a for a in layout.alternatives if a.name.endswith("-panels"))
    assert confined.invisible
    assert confined.stretch_ratio <= 0.02
    assert confined.change_ratio <= 0.01
    narrow = ({"wall": "North", "from_mm": 1900.0, "to_mm": 2200.0},)
    refused = lay_out([wall_entry], make_repeat(), make_motif(), options=LayoutEntry(panels=narrow))
    assert not any(a.name.endswith("-panels") for a in refused.alternatives)
    assert any("could not be confined" in note for note in refused.walls[0].notes)


def test_a_chosen_panel_layout_is_laid_as_it_says(make_wall, make_repeat, make_motif):
    panels = ({"wall": "North", "from_mm": 0.0, "to_mm": 1500.0}, {"wall": "North", "from_mm": 2575.0, "to_mm": 4075.0})
    free = lay_out([make_wall(width=4075.0)], make_repeat(offset=0.0), make_motif(), options=LayoutEntry(panels=panels))
    name = next(a.name for a in free.alternatives if a.name.endswith("-panels"))
    options = LayoutEntry(panels=panels, choice=name, choice_reason="The middle of the wall is seen from the door.")
    layout = lay_out([make_wall(width=4075.0)], make_repeat(offset=0.0), make_motif(), options=options)
    wall = layout.walls[0]
    row = np.sort(wall.xy_mm[wall.row == 3, 0])
    steps = np.diff(row)
    middle = 0.5 * (row[1:] + row[:-1])
    np.testing.assert_allclose(steps[np.abs(middle - 2037.5) < 500], 150.0, rtol=0, atol=EXACT_MM)
    assert np.abs(steps / 150.0 - 1.0).max() == pytest.approx(wall.stretch_ratio, abs=1e-9)
    assert np.abs(np.diff(steps)).max() / 150.0 <= wall.change_ratio + 1e-9
    assert wall.invisible
    logged = next(d for d in layout.decisions if d.what == "Layout of wall North")
    assert logged.choice == name
    assert "seen from the door" in logged.reason


def test_rows_clear_all_heads_at_once(make_wall, make_opening):
    """Heads at 1000 and 1430 mm, clearance 10 and reach 26: rows must keep out of (1000, 1036) and (1430, 1466);
    modulo 130 mm that is (90, 126) and (0, 36): left are (36, 90) and (126, 130), their middles 63 and 128."""
    openings = (
        make_opening(200, 0, 900, 1000, name="low door", clearance=10.0),
        make_opening(1500, 0, 2300, 1430, name="high door", clearance=10.0),
    )
    wall = make_wall(openings=openings)
    heights = clear_heights_mm(wall, span(2600.0, repeat=130.0, reach=26.0), repeat_mm=130.0)
    assert sorted(h % 130.0 for h in heights) == pytest.approx([63.0, 128.0], abs=EXACT_MM)


def test_where_no_height_clears_all_heads_none_is_offered(make_wall, make_opening):
    openings = tuple(
        make_opening(200 + 700 * k, 0, 700 + 700 * k, 1000 + 33 * k, name=f"door {k}", clearance=10.0) for k in range(4)
    )
    assert clear_heights_mm(make_wall(openings=openings), span(2600.0, repeat=130.0, reach=26.0), repeat_mm=130.0) == []


def test_every_alternative_that_claims_to_be_invisible_is(make_wall, make_repeat, make_motif, make_opening):
    """All steps between neighbours in a row and between rows, of motifs that are not eased."""
    rng = np.random.default_rng(23)
    claims = 0
    for trial in range(40):
        follow = ("level", "edges", "fan")[trial % 3]
        wall_entry = make_wall(
            width=rng.uniform(2500, 4500),
            lean=rng.uniform(-38, 38),
            fall=rng.uniform(-25, 25),
            openings=(make_opening(900, 0, 1800, 1400),),
        )
        repeat = make_repeat(offset=float(rng.choice([0.0, 0.5])), spread_ratio=rng.uniform(0.005, 0.04))
        wall = lay_out([wall_entry], repeat, make_motif(), options=LayoutEntry(follow=follow)).walls[0]
        if not wall.invisible:
            continue
        claims += 1
        site = wall.xy_mm - wall.shift_mm
        for row in np.unique(wall.row):
            at = site[wall.row == row]
            gaps = np.diff(at[np.argsort(at[:, 0]), 0])
            steps = gaps[gaps < 1.5 * 150.0] / 150.0
            assert np.abs(steps - 1.0).max(initial=0.0) <= 0.02 + 1e-9
            assert np.abs(np.diff(steps)).max(initial=0.0) <= 0.01 + 1e-9
    assert claims >= 10
