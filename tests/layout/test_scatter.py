"""Hand scatter: bounded, independent, without waves, and only for the full-size sheets."""

from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.layout import lay_out
from fragkit.layout.scatter import BOUND_SD, draw_scatter
from fragkit.survey import LayoutEntry

WAVE_MM = 1.0  # the assumption that the layout states


def rows_of(n_rows, n):
    return np.repeat(np.arange(n_rows), n), np.tile(150.0 * np.arange(n), n_rows)


def moving_means(offsets, n):
    window = np.ones(5) / 5
    return np.array(
        [[np.convolve(row[:, k], window, mode="valid") for k in (0, 1)] for row in offsets.reshape(-1, n, 2)]
    )


@pytest.mark.parametrize("sd", [0.7, 3.0])
def test_no_five_neighbours_leave_the_line_together_and_none_leaves_its_bound(sd):
    row, along = rows_of(60, 40)
    offsets = draw_scatter(row, along, sd_mm=sd, rng=np.random.default_rng(4))
    assert np.abs(moving_means(offsets, 40)).max() <= WAVE_MM + 1e-6
    assert np.abs(offsets).max() <= BOUND_SD * sd + WAVE_MM + 1.0  # five moved back together may push one outwards


def test_small_scatter_keeps_its_size_and_is_independent():
    """By hand: a normal brought back to ±2 sd keeps √0.9205 = 0.959 of its sd; neighbours are uncorrelated."""
    row, along = rows_of(300, 40)
    offsets = draw_scatter(row, along, sd_mm=0.7, rng=np.random.default_rng(8))
    assert offsets.std() == pytest.approx(0.959 * 0.7, rel=0.02)
    ahead = offsets.reshape(300, 40, 2)
    assert abs(np.corrcoef(ahead[:, 1:].ravel(), ahead[:, :-1].ravel())[0, 1]) < 0.03


def test_lines_stay_those_of_the_even_net_and_the_seed_repeats_the_scatter(make_wall, make_repeat, make_motif):
    wall_entry, repeat, motif = make_wall(), make_repeat(), make_motif()
    even = lay_out([wall_entry], repeat, motif)
    options = LayoutEntry(irregularity_ratio=1.0, seed=5)
    first, again = (lay_out([wall_entry], repeat, motif, options=options) for _ in range(2))
    np.testing.assert_array_equal(first.walls[0].xy_mm, even.walls[0].xy_mm)
    np.testing.assert_array_equal(first.walls[0].scatter_mm, again.walls[0].scatter_mm)
    assert first.walls[0].scatter_mm.std() > 0.4
    assert not even.walls[0].scatter_mm.any()
    assert (first.scatter_seed, even.scatter_seed) == (5, None)
    half = lay_out([wall_entry], repeat, motif, options=LayoutEntry(irregularity_ratio=0.5, seed=5)).walls[0]
    np.testing.assert_allclose(half.scatter_mm, 0.5 * first.walls[0].scatter_mm, rtol=0, atol=0.2)


def test_a_scattered_motif_still_stands_on_its_wall_and_eased_ones_stay(make_wall, make_repeat, make_motif):
    options = LayoutEntry(irregularity_ratio=2.0)
    wall = lay_out([make_wall(width=1000.0, height=660.0)], make_repeat(), make_motif(), options=options).walls[0]
    at = wall.xy_mm + wall.scatter_mm
    reach = np.array([21.0, 26.0])
    assert np.all(at - reach >= 0)
    assert np.all(at + reach <= [1000.0, 660.0])
    eased = list(wall.eased)
    assert not wall.scatter_mm[eased].any()


def test_the_old_hands_turn_and_size_are_reproduced_in_the_share_asked_for(make_wall, make_repeat, make_motif):
    """By hand: a normal brought back to ±2 sd keeps 0.959 of its sd; half the share, half the spread."""
    motif = make_motif()
    motif.stance = SimpleNamespace(turn_sd_deg=1.5, size_sd_ratio=0.02)
    wall_entry, repeat = make_wall(width=9000.0, height=4000.0), make_repeat()
    for share in (0.5, 1.0):
        wall = lay_out([wall_entry], repeat, motif, options=LayoutEntry(irregularity_ratio=share)).walls[0]
        free = wall.scatter_turn_deg != 0.0
        assert free.mean() > 0.8
        assert wall.scatter_turn_deg[free].std() == pytest.approx(share * 0.959 * 1.5, rel=0.06)
        assert wall.scatter_size_ratio[free].std() == pytest.approx(share * 0.959 * 0.02, rel=0.06)
        assert np.all(wall.scatter_size_ratio[~free] == 1.0)
        assert not wall.rotation_deg.any()  # the lines and the layout stay those of the even net


def test_turned_and_enlarged_motifs_stay_on_their_wall(make_wall, make_repeat, make_motif):
    motif = make_motif()
    motif.stance = SimpleNamespace(turn_sd_deg=6.0, size_sd_ratio=0.05)
    options = LayoutEntry(irregularity_ratio=1.0)
    wall = lay_out([make_wall(width=1000.0, height=660.0)], make_repeat(), motif, options=options).walls[0]
    ring = np.concatenate([np.asarray(points) for rings in motif.outlines.values() for points in rings])
    turn, place = np.radians(wall.scatter_turn_deg), wall.xy_mm + wall.scatter_mm
    assert turn.any()
    for k in np.flatnonzero(turn):
        matrix = np.array([[np.cos(turn[k]), np.sin(turn[k])], [-np.sin(turn[k]), np.cos(turn[k])]])
        outline = wall.scatter_size_ratio[k] * ring @ matrix + place[k]
        assert np.all((outline >= 0.0) & (outline <= [1000.0, 660.0]))
