"""The table of readings made on the wall: read, and every wrong cell named."""

import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_wall_readings


def table(tmp_path, text):
    path = tmp_path / "north.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_readings_with_and_without_sessions(tmp_path):
    plain = read_wall_readings(table(tmp_path, "id,x_mm,y_mm\nN-r01-c01,41,96.5\nN-r01-c03,137,96\n"))
    assert plain.id == ("N-r01-c01", "N-r01-c03")
    assert plain.xy_mm.tolist() == [[41.0, 96.5], [137.0, 96.0]]
    assert plain.session == ("", "")
    twice = "id,session,x_mm,y_mm\nN-r01-c01,1,41,96\nN-r01-c01,2,42,96\n"
    assert read_wall_readings(table(tmp_path, twice)).session == ("1", "2")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("id,x_mm,y_mm\nN-r01-c01,41,\n", "the cell is empty"),
        ("id,x_mm,y_mm\nN-r01-c01,41 mm,96\n", "is not a number"),
        ('id,x_mm,y_mm\nN-r01-c01,"41,5",96\n', "decimal comma"),
        ("id,x_mm\nN-r01-c01,41\n", "missing column y_mm"),
        ("id,x_mm,y_mm\nN-r01-c01,41,96\nN-r01-c01,42,96\n", "stands in row 2 already"),
        ("", "the table is empty"),
    ],
)
def test_wrong_tables_are_named(tmp_path, text, says):
    with pytest.raises(SurveyError, match=says):
        read_wall_readings(table(tmp_path, text))


def test_a_missing_table_is_named(tmp_path):
    with pytest.raises(SurveyError, match="is not there"):
        read_wall_readings(tmp_path / "north.csv")
