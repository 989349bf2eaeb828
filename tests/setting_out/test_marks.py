"""Running dimensions: every mark once, from one datum, rounded without adding up."""

import numpy as np
import pytest

from fragkit.layout import lay_out
from fragkit.setting_out import set_out, tape_limit_mm
from fragkit.setting_out.instruments import rounded
from fragkit.setting_out.marks import limit_text
from fragkit.survey import LayoutEntry


@pytest.fixture
def layout(make_wall, make_repeat, make_motif, make_opening):
    door = make_opening(1500, 0, 2450, 2050)
    return lay_out([make_wall(openings=(door,), lean=30.0, fall=12.0)], make_repeat(149.7, 130.3), make_motif())


def test_every_motif_has_one_row_and_its_readings_are_within_half_a_millimetre(layout):
    setting = set_out(layout).walls[0]
    wall = layout.walls[0]
    assert [row.id for row in setting.rows] == list(wall.id)
    readings = np.array([(row.running_x_mm, row.running_y_mm) for row in setting.rows])
    assert np.abs(readings - wall.xy_mm).max() <= 0.5 + 1e-9
    steps = np.diff(readings[wall.row == 1, 0])
    true_steps = np.diff(wall.xy_mm[wall.row == 1, 0])
    assert abs(steps.sum() - true_steps.sum()) <= 1.0, "rounding must not add up"


def test_lines_stand_where_their_unmoved_motifs_stand(layout):
    setting, wall = set_out(layout).walls[0], layout.walls[0]
    plumb, level = dict(setting.plumb_lines), dict(setting.level_lines)
    still = np.hypot(*wall.shift_mm.T) == 0
    for row, is_still in zip(setting.rows, still, strict=True):
        if is_still:
            assert row.running_x_mm == plumb[row.column_line]
            assert row.running_y_mm == level[row.row_line]
            assert row.remark == ""


def test_limits_are_symmetrical_about_the_target_and_rounded_up():
    assert limit_text(1.01) == "±1.5"
    assert limit_text(1.5) == "±1.5"
    assert limit_text(2.0) == "±2"


def test_the_limit_of_a_reading_covers_tape_laser_and_mark(layout):
    """By hand at x 3.8, y 1.2 m: tape 0.3 + 0.2·4, plumb line 0.36, mark 0.5: 1.26, so ±1.5."""
    setting = set_out(layout).walls[0]
    row = min(setting.rows, key=lambda r: abs(r.running_x_mm - 3800) + abs(r.running_y_mm - 1200))
    expected = np.hypot(np.hypot(tape_limit_mm(row.running_x_mm), 0.3 * row.running_y_mm / 1000), 0.5)
    assert float(row.limit_deviation_x_mm[1:]) == np.ceil(expected / 0.5) * 0.5 == 1.5


def test_halves_go_up_so_that_equal_steps_stay_equal():
    np.testing.assert_array_equal(rounded(np.array([0.5, 1.5, 2.5, -0.5])), [1, 2, 3, 0])


def test_check_diagonals_are_those_of_the_layout(layout):
    setting, wall = set_out(layout).walls[0], layout.walls[0]
    along, up, across = (length for *_, length in setting.diagonals[:3])
    assert along**2 + up**2 == pytest.approx(across**2, abs=1e-6)
    for start, end, length in setting.diagonals[3:]:
        a, b = (wall.xy_mm[wall.id.index(name)] for name in (start, end))
        assert length == pytest.approx(float(np.hypot(*(a - b))), abs=0.5)


def test_the_right_angle_has_room_above_the_datum_and_beside_it(make_wall, make_repeat, make_motif):
    """By hand: 4050 × 2600 above the datum takes 3-4-5 times 800, since 3 × 900 > 2600."""
    layout = lay_out([make_wall()], make_repeat(), make_motif())
    assert [length for *_, length in set_out(layout).walls[0].diagonals[:3]] == [3200.0, 2400.0, 4000.0]


def test_the_limit_of_a_diagonal_has_the_share_of_both_its_marks(layout):
    """By hand for the right angle: 3200, 2400 and 4000 mm of a class II tape, and half a pencil line at either end."""
    setting = set_out(layout).walls[0]
    for (start, end, length), limit in zip(setting.diagonals, setting.diagonal_limits, strict=True):
        ends = [
            max(float(r.limit_deviation_x_mm[1:]), float(r.limit_deviation_y_mm[1:]))
            for r in setting.rows
            if r.id in (start, end)
        ]
        ends += [0.5] * (2 - len(ends))
        expected = np.sqrt(tape_limit_mm(length) ** 2 + ends[0] ** 2 + ends[1] ** 2)
        assert float(limit[1:]) == np.ceil(expected / 0.5 - 1e-9) * 0.5


def test_eased_motifs_have_a_remark(make_wall, make_repeat, make_motif, make_opening):
    """By hand: a door from x = 410 with 20 mm clearance leaves 390, and the motif at 375 reaches 396."""
    door = make_opening(410.0, 0.0, 700.0, 300.0)
    pin = {"wall": "North", "i": 0, "j": 0, "x_mm": 75.0, "y_mm": 65.0, "reason": "survives"}
    held = lay_out(
        [make_wall(width=1050.0, height=650.0, openings=(door,))],
        make_repeat(150.0, 130.0, 0.0, spread_ratio=1e-6),
        make_motif(),
        options=LayoutEntry(pinned=(pin,)),
    )
    eased = [row for row in set_out(held).walls[0].rows if row.remark]
    assert {(row.running_x_mm, row.remark) for row in eased} >= {(369.0, "moved 6.0 mm to stand clear of the door")}
    assert len(eased) == int((np.hypot(*held.walls[0].shift_mm.T) > 0.05).sum())


def test_bent_rows_are_said_to_be_bent(make_wall, make_repeat, make_motif):
    wall = make_wall(width=1000.0, height=780.0, lean=-38.0)
    bent = lay_out([wall], make_repeat(), make_motif(), options=LayoutEntry(follow="edges"))
    assert any("neither level nor plumb" in note for note in set_out(bent).walls[0].notes)
