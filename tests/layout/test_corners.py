"""Rooms of several walls: rows fitted together, the closing error where it is wanted, steps in seconds of arc."""

from itertools import product

import numpy as np
import pytest

from fragkit.layout import COST_WEIGHTS, PlacedCentres, lay_out
from fragkit.layout.corners import find_rings, laying_order
from fragkit.layout.joint import _cheapest
from fragkit.survey import LayoutEntry


def ring(make_wall, lengths, heights, *, corner="restart"):
    names = ["North", "East", "South", "West"][: len(lengths)]
    return [
        make_wall(name, length, height, next=names[(k + 1) % len(names)], corner=corner)
        for k, (name, length, height) in enumerate(zip(names, lengths, heights, strict=True))
    ]


@pytest.mark.parametrize("closed", [True, False])
def test_the_cheapest_choice_round_a_ring_is_that_of_exhaustive_search(closed):
    rng = np.random.default_rng(1)
    for _ in range(40):
        sizes = rng.integers(1, 5, 4)
        prices = [rng.uniform(0, 1, n) for n in sizes]
        steps = [rng.uniform(0, 1, (sizes[k], sizes[(k + 1) % 4])) for k in range(4 if closed else 3)]
        chosen = _cheapest(prices, steps, closed=closed)

        def total(choice, prices=prices, steps=steps):
            corners = [steps[k][choice[k], choice[(k + 1) % 4]] for k in range(len(steps))]
            return sum(p[c] for p, c in zip(prices, choice, strict=True)) + sum(corners)

        best = min(product(*(range(n) for n in sizes)), key=total)
        assert total(chosen) == pytest.approx(total(best), abs=1e-12)


def test_rows_of_walls_of_unlike_height_run_level_round_the_room(make_wall, make_repeat, make_motif):
    """Wall by wall the last would have to take what is left; together no corner has a step."""
    walls = ring(make_wall, [4050, 3130, 4060, 3120], [2600, 2585, 2570, 2592])
    layout = lay_out(walls, make_repeat(), make_motif())
    assert max(join.row_step_mm for join in layout.joins) < 0.5
    assert len({round(wall.down_mm, 6) for wall in layout.walls}) == 1


def test_the_room_costs_no_more_than_any_common_rows(make_wall, make_repeat, make_motif):
    """Independent: every common height and repeat on a grid, each wall's margins by themselves."""
    heights = [2600.0, 2577.0, 2561.0, 2590.0]
    walls = ring(make_wall, [3000, 3000, 3000, 3000], heights)
    layout = lay_out(walls, make_repeat(offset=0.0), make_motif())
    names = [n for n in COST_WEIGHTS if "margins" in n or "strain" in n or "rows step" in n]
    down = sum(_down_cost(wall) for wall in layout.walls)
    best = np.inf
    for repeat in np.arange(127.4, 132.6, 0.1):
        for start in np.arange(0.0, repeat, 0.5):
            best = min(best, sum(_rows_cost(h, start, repeat) for h in heights))
    assert down <= best + 0.05  # the grid is 0.5 mm wide
    assert names


def _rows_cost(height, start, repeat, reach=26.001):
    rows = np.arange(start - repeat, height + repeat, repeat)
    on = rows[(rows >= reach) & (rows <= height - reach)]
    low, high = on.min(), height - on.max()
    ideal = max(repeat / 2, reach)
    cost = COST_WEIGHTS["strain within the measured spread"] * (abs(repeat - 130.0) / 2.6) ** 2
    cost += COST_WEIGHTS["unequal margins"] * abs(low - high) / repeat
    cost += COST_WEIGHTS["margins unlike half a repeat"] * (abs(low - ideal) + abs(high - ideal)) / 2 / repeat
    cut = rows[(rows > 0) & (rows < height) & ((rows < reach) | (rows > height - reach))]
    eased = len(cut) / max(len(rows[(rows > 0) & (rows < height)]), 1)
    return cost + COST_WEIGHTS["motifs eased at edges"] * eased


def _down_cost(wall):
    return _rows_cost(wall.wall.outline_mm[:, 1].max(), wall.origin_mm[1] % wall.down_mm, wall.down_mm)


@pytest.mark.parametrize("closing", ["North", "East", "South", "West"])
def test_the_closing_error_lies_where_it_is_wanted(make_wall, make_repeat, make_motif, closing):
    """4050 + 3130 + 4060 + 3120 mm is 95.73 repeats of 150 mm: the error is 40 mm and lies at one corner."""
    walls = ring(make_wall, [4050, 3130, 4060, 3120], [2600] * 4, corner="continue")
    weights = {"axis missed": 0.0, "unequal margins": 0.0, "margins unlike half a repeat": 0.0}
    weights |= {"strain within the measured spread": 100.0}
    options = LayoutEntry(closing=closing, weights=weights)
    layout = lay_out(walls, make_repeat(spread_ratio=0.001), make_motif(), options=options)
    joins = {join.wall: join for join in layout.joins}
    assert {name for name, join in joins.items() if join.turn == "closing error"} == {closing}
    others = [join.column_step_mm for name, join in joins.items() if name != closing]
    assert max(others) < 1.0
    assert joins[closing].column_step_mm > 5.0
    assert any("closing error of the room lies here" in note for note in layout.notes)


def test_a_step_is_stated_in_seconds_of_arc(make_wall, make_repeat, make_motif):
    """By hand: 1 mm at 2 m is atan(1/2000) = 103.1 seconds; at 4 m 51.6."""
    walls = [make_wall("North", next="East"), make_wall("East", 3000.0, 2575.0)]
    near, far = (
        lay_out(walls, make_repeat(), make_motif(), options=LayoutEntry(viewing_mm=mm)).joins[0] for mm in (2000, 4000)
    )
    assert near.row_step_arcsec == pytest.approx(103.13 * near.row_step_mm, abs=0.01 + 0.01 * near.row_step_mm)
    assert far.row_step_arcsec == pytest.approx(near.row_step_arcsec / 2, abs=0.01)


def test_walls_with_evidence_pull_the_rows_of_the_whole_room(make_wall, make_repeat, make_motif):
    """Two fragments on two walls, their rows 3 mm apart by hand, sd 4 mm: one level passes both within their sd."""
    walls = ring(make_wall, [4050, 3130, 4060, 3120], [2600] * 4)
    ij = np.array([(i, j) for j in range(4) for i in range(4)], float)
    groups = [
        PlacedCentres(
            wall=name,
            fragment=name.lower(),
            index=ij.astype(int),
            xy_mm=origin + np.column_stack([150.0 * (ij[:, 0] + 0.5 * ij[:, 1]), 130.0 * ij[:, 1]]),
            sd_mm=4.0,
            status=("seen",) * 16,
        )
        for name, origin in (("North", np.array([1000.0, 700.0])), ("South", np.array([800.0, 703.0])))
    ]
    layout = lay_out(walls, make_repeat(), make_motif(), fragments=groups)
    passes = [one for wall in layout.walls for one in wall.passes]
    assert len(passes) == 2
    assert all(one.within for one in passes)
    assert max(join.row_step_mm for join in layout.joins) < 1.0


def test_rings_and_orders(make_wall):
    walls = ring(make_wall, [3000] * 4, [2600] * 4)
    (room,) = find_rings([*walls[1:], walls[0]])
    assert room.closed
    assert laying_order(room, first=["South"], closing="South")[0] == "South"
    assert set(laying_order(room, first=[], closing=None)) == {"North", "East", "South", "West"}
    single = find_rings([make_wall("Pier"), make_wall("Arch", next="Bay"), make_wall("Bay")])
    assert sorted(len(part.names) for part in single) == [1, 2]
    assert not any(part.closed for part in single)


def test_a_closing_wall_that_does_not_exist_is_refused(make_wall, make_repeat, make_motif):
    with pytest.raises(ValueError, match="closing error names the wall 'Attic'"):
        lay_out([make_wall()], make_repeat(), make_motif(), options=LayoutEntry(closing="Attic"))
