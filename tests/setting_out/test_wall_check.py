"""Readings of a second person: compared with the sheets, slips named, shared errors found, shares stated."""

import numpy as np
import pytest

from fragkit.layout import lay_out
from fragkit.setting_out import check_marks, check_readings, set_out, wrong_at_most_ratio
from fragkit.survey import WallReadings, read_wall_readings


@pytest.fixture
def setting(make_wall, make_repeat, make_motif):
    return set_out(lay_out([make_wall()], make_repeat(149.7, 130.3), make_motif())).walls[0]


def readings_of(marks, off=(0.0, 0.0), *, session="", rng=None):
    xy = np.array([(m.running_x_mm, m.running_y_mm) for m in marks]) + off
    if rng is not None:
        xy = xy + rng.normal(0, 0.3, xy.shape)
    sessions = tuple(session for _ in marks) if isinstance(session, str) else tuple(session)
    return WallReadings(file="north.csv", id=tuple(m.id for m in marks), xy_mm=xy, session=sessions)


def test_readings_as_the_sheet_says_are_within(setting):
    checked = check_readings(setting, readings_of(check_marks(setting)))
    assert checked.n("within") == len(checked.readings) == 30
    assert checked.notes == ()
    assert "30 of 30 marks within" in checked.words


def test_a_small_excess_cannot_be_told_and_a_large_one_is_outside(setting):
    """By hand at x near 3.8 m: limit 1.5; the check is worth hypot(1.1, 0.5) + 0.5 = 1.7, so 1.5 to 3.2 is open."""
    mark = min(setting.rows, key=lambda m: abs(m.running_x_mm - 3800) + abs(m.running_y_mm - 1200))
    assert mark.limit_deviation_x_mm == "±1.5"
    verdicts = [
        check_readings(setting, readings_of([mark], (off, 0.0))).readings[0].verdict
        for off in (1.5, 2.0, 3.1, 3.4, -3.4)
    ]
    assert verdicts == ["within", "cannot be told", "cannot be told", "outside", "outside"]


def test_digits_that_changed_places_and_misread_marks_are_named(setting):
    mark = next(m for m in setting.rows if 1100 < m.running_x_mm < 1999 and len(set(f"{m.running_x_mm:.0f}"[-2:])) == 2)
    text = f"{mark.running_x_mm:.0f}"
    swapped = float(text[:-2] + text[-1] + text[-2])
    slip = check_readings(setting, readings_of([mark], (swapped - mark.running_x_mm, 0.0))).readings[0]
    assert (slip.verdict, "digits may have changed places" in slip.words) == ("outside", True)
    slip = check_readings(setting, readings_of([mark], (0.0, 100.0))).readings[0]
    assert "y reads" in slip.words
    assert "perhaps 100 mm misread" in slip.words


def test_a_datum_that_moved_is_found_and_a_slip_does_not_hide_it(setting):
    marks = check_marks(setting)
    made = readings_of(marks, (0.0, 3.0), rng=np.random.default_rng(2))
    xy = np.array(made.xy_mm)
    xy[4, 1] += 100.0
    checked = check_readings(setting, WallReadings(file="n.csv", id=made.id, xy_mm=xy, session=made.session))
    note = next(note for note in checked.notes if "y readings" in note)
    assert "too high" in note
    assert float(note.split()[4]) == pytest.approx(3.0, abs=0.3)


def test_a_tape_of_the_wrong_length_shows_as_growth(setting):
    marks = check_marks(setting)
    rng = np.random.default_rng(5)
    xy = np.array([(m.running_x_mm * 1.0009, m.running_y_mm) for m in marks]) + rng.normal(0, 0.2, (len(marks), 2))
    made = WallReadings(file="n.csv", id=tuple(m.id for m in marks), xy_mm=xy, session=("",) * len(marks))
    (note,) = check_readings(setting, made).notes
    assert "x readings grow" in note
    # 0.12: three of the stated standard errors of about 0.03, and how the note is rounded
    assert float(note.split(" by ")[1].split()[0]) == pytest.approx(0.9, abs=0.12)


def test_a_line_knocked_after_a_break_shows_between_sessions(setting):
    marks = check_marks(setting)
    sessions = ["morning"] * 15 + ["afternoon"] * 15
    rng = np.random.default_rng(6)
    made = readings_of(marks, session=sessions, rng=rng)
    xy = made.xy_mm + np.where(np.arange(30)[:, None] < 15, 0.0, [0.0, 2.5])
    checked = check_readings(setting, WallReadings(file="n.csv", id=made.id, xy_mm=xy, session=made.session))
    assert any("Between session morning and session afternoon the y readings move by +2." in n for n in checked.notes)


def test_good_marks_raise_no_alarm_more_than_now_and_then(setting):
    """Marks and readings at a third of their limits, 200 walls: a note in no more than 3 of 100."""
    marks, rng = check_marks(setting), np.random.default_rng(8)
    alarms = sum(bool(check_readings(setting, readings_of(marks, rng=rng)).notes) for _ in range(200))
    assert alarms <= 6


def test_a_mark_of_another_wall_is_refused(setting):
    strange = WallReadings(file="w.csv", id=("W-r01-c01",), xy_mm=np.zeros((1, 2)), session=("",))
    with pytest.raises(ValueError, match=r"w\.csv: 'W-r01-c01' is no mark of wall North"):
        check_readings(setting, strange)


def test_readings_come_from_a_table(setting, tmp_path):
    mark = setting.rows[7]
    table = tmp_path / "north.csv"
    table.write_text(f"id,x_mm,y_mm\n{mark.id},{mark.running_x_mm},{mark.running_y_mm + 1}\n", encoding="utf-8")
    (one,) = check_readings(setting, read_wall_readings(table)).readings
    assert (one.id, one.off_mm.tolist(), one.verdict) == (mark.id, [0.0, 1.0], "within")


def test_marks_to_check_are_spread_over_the_rows_and_the_same_each_time(setting):
    marks = check_marks(setting, n_marks=20)
    assert len({mark.id for mark in marks}) == 20
    assert len({mark.row_line for mark in marks}) >= 0.5 * len(setting.level_lines)
    assert marks == check_marks(setting, n_marks=20)


def test_what_so_many_right_marks_are_worth():
    """By hand: with 9.5 in 100 wrong, 30 right ones come by chance once in 20; about three over n."""
    assert (1 - wrong_at_most_ratio(30)) ** 30 == pytest.approx(0.05, abs=1e-12)
    assert wrong_at_most_ratio(300) == pytest.approx(3 / 300, abs=1e-4)
    assert wrong_at_most_ratio(0) == 1.0
