"""Control by tape, scale bar and coded board, and grey cards, as a study folder states them."""

import numpy as np
import pytest

from fragkit.errors import SurveyError
from fragkit.survey import BarControl, TapeControl, read_survey

BOARD = 'kind = "board", columns = 9, rows = 6, square_mm = 25.0'
TAPE = 'kind = "tape", pixels = "p.csv", distances = "d.csv", level = ["A", "B"]'


def with_tape(study, *, points=None, distances=None, tape=TAPE):
    study.replace(BOARD, tape)
    (study.root / "p.csv").write_text(points or "point,x_px,y_px\nA,2,20\nB,30,20\nC,30,3\nD,2,3\n")
    (study.root / "d.csv").write_text(
        distances or "from,to,distance_mm,sd_mm\nA,B,400,1\nB,C,300,1\nC,D,400,1\nD,A,300,1\nA,C,500,1\nB,D,500,1\n"
    )


def taped_control(study):
    return next(p.control for p in read_survey(study.root).photos if isinstance(p.control, TapeControl))


def faults_of(study):
    with pytest.raises(SurveyError, match=r"csv|toml") as raised:
        read_survey(study.root)
    return raised.value.faults


def test_tape(study):
    with_tape(study)
    control = taped_control(study)
    assert control.names == ("A", "B", "C", "D")
    assert control.level == ("A", "B")
    np.testing.assert_array_equal(control.pairs[4], [0, 2])
    assert control.distance_mm[4] == 500.0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"distances": "from,to,distance_mm,sd_mm\nA,Q,400,1\n"}, "there is no point 'Q' in 'p.csv'"),
        ({"distances": "from,to,distance_mm,sd_mm\nA,A,400,1\n"}, "from 'A' to itself is none"),
        ({"points": "point,x_px,y_px\nA,2,20\nB,30,20\n"}, "2 marked points cannot fix a plane"),
        ({"tape": TAPE.replace('"B"]', '"Z"]')}, "level names 'Z'"),
        ({"points": "point,x_px,y_px\nA,2,20\nB,99999,20\nC,30,3\nD,2,3\n"}, "lies outside the photograph"),
    ],
)
def test_faults_of_a_tape(study, change, message):
    with_tape(study, **change)
    assert any(message in fault.message and fault.remedy for fault in faults_of(study))


def test_bar(study):
    study.replace(BOARD, 'kind = "bar", ends_px = [[2, 3], [30, 3]], length_mm = 200.0, stand_off_mm = 4.0')
    controls = [photo.control for photo in read_survey(study.root).photos]
    bar = next(control for control in controls if isinstance(control, BarControl))
    np.testing.assert_array_equal(bar.ends_px, [[2, 3], [30, 3]])
    assert (bar.length_mm, bar.stand_off_mm, bar.stand_off_sd_mm) == (200.0, 4.0, 1.0)


def test_bar_of_no_length(study):
    study.replace(BOARD, 'kind = "bar", ends_px = [[2, 3], [2, 3]], length_mm = 200.0')
    assert "the two ends of the bar are one point" in faults_of(study)[0].message


def test_coded_board(study):
    study.replace(BOARD, 'kind = "board", columns = 6, rows = 6, square_mm = 25.0, marker_mm = 18.0, '
                         'dictionary = "5X5_100"')  # fmt: skip
    controls = [getattr(photo.control, "markers", None) for photo in read_survey(study.root).photos]
    markers = next(found for found in controls if found is not None)  # square: its markers tell which way up
    assert (markers.side_mm, markers.dictionary) == (18.0, "5x5_100")


@pytest.mark.parametrize(
    ("more", "message"),
    [("marker_mm = 25.0", "do not fit into squares"), ('dictionary = "star"', "dictionary")],
)
def test_faults_of_a_coded_board(study, more, message):
    study.replace(BOARD, f"{BOARD}, {more}")
    assert any(message in str(fault) for fault in faults_of(study))
