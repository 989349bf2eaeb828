"""Writing control and labels into a study: whole or not at all, and nothing else in survey.toml changes."""

import tomllib

import numpy as np
import pytest

from fragkit.errors import OutputError
from fragkit.record.control import name_in_survey, write_control, write_distances, write_labels
from fragkit.survey.marked import MarkedPoint, TapedDistance, read_marked, read_taped

POINTS = (
    MarkedPoint(name="A 1", x_px=398.0, y_px=229.9, x_mm=-0.0, y_mm=554.1, sd_mm=0.3),
    MarkedPoint(name='b,"2', x_px=1.0, y_px=2.125),
)
SURVEY = """\
schema = 1

[[photo]]   # the first
file = "other.jpg"
labels = "other.png"

[[photo]]
name = "north"
file = "north.jpg"              # as it came
control = { kind = "tape", pixels = "p.csv", distances = "d.csv", level = ["A", "B"] }

[[fragment]]
name = "north"
"""


def test_tables_give_back_what_was_written(tmp_path):
    write_control(POINTS, tmp_path / "p.csv")
    assert read_marked(tmp_path / "p.csv") == POINTS
    assert (tmp_path / "p.csv").read_text(encoding="utf-8").splitlines()[1] == "A 1,398.0,229.9,0.0,554.1,0.3"
    distances = (TapedDistance(start="A 1", end="b", distance_mm=1534.5, sd_mm=0.4),)
    write_distances(distances, tmp_path / "d.csv")
    assert read_taped(tmp_path / "d.csv") == distances
    assert sorted(path.name for path in tmp_path.iterdir()) == ["d.csv", "p.csv"]


@pytest.mark.parametrize("name", ["", " ", "=1+2", "@x", "-1", "a\nb"])
def test_names_that_cannot_stand_in_a_table(tmp_path, name):
    with pytest.raises(ValueError, match="A point cannot be called"):
        write_control([MarkedPoint(name=name, x_px=1.0, y_px=2.0)], tmp_path / "p.csv")
    assert not (tmp_path / "p.csv").exists()


def test_twins_are_refused(tmp_path):
    with pytest.raises(ValueError, match="Two points are called 'A 1'"):
        write_control([POINTS[0], POINTS[0]], tmp_path / "p.csv")


def test_labels_of_the_wrong_kind_are_refused(tmp_path):
    with pytest.raises(ValueError, match=r"uint8 codes from 0 to 5"):
        write_labels(np.full((2, 2), 6, np.uint8), tmp_path / "l.png")


def test_what_was_there_stays_when_the_place_cannot_be_written(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_control(POINTS, tmp_path / "missing" / "p.csv")
    (tmp_path / "p.csv").mkdir()
    with pytest.raises(OutputError, match="What was there before is untouched"):
        write_control(POINTS, tmp_path / "p.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["p.csv"]


def test_only_the_named_keys_of_the_photograph_change(tmp_path):
    path = tmp_path / "survey.toml"
    path.write_text(SURVEY, encoding="utf-8")
    control = {"kind": "tape", "pixels": "p.csv", "distances": "e.csv"}
    keys = {"labels": 'no "th.png', "example_px": [1.0, 2.0, 3.5, 4.0], "control": control}
    assert name_in_survey(tmp_path, "north.jpg", keys)
    text = path.read_text(encoding="utf-8")
    expected = tomllib.loads(SURVEY)
    expected["photo"][1] |= keys | {"control": control | {"level": ["A", "B"]}}
    assert tomllib.loads(text) == expected
    kept = [line for line in SURVEY.splitlines() if not line.startswith("control")]
    assert [line for line in text.splitlines() if line in kept] == kept


def test_a_survey_that_says_it_already_is_not_touched(tmp_path):
    path = tmp_path / "survey.toml"
    path.write_text(SURVEY + "\r\n", encoding="utf-8", newline="")
    before = path.read_bytes()
    assert name_in_survey(tmp_path, "other.jpg", {"labels": "other.png"})
    assert not name_in_survey(tmp_path, "unknown.jpg", {"labels": "x.png"})
    assert not name_in_survey(tmp_path / "nowhere", "other.jpg", {"labels": "x.png"})
    assert path.read_bytes() == before


def test_a_survey_that_cannot_be_edited_safely_is_left_and_the_lines_are_said(tmp_path):
    path = tmp_path / "survey.toml"
    text = '[[photo]]\nfile = "a.jpg"\ncontrol = { kind = "points",\n  table = "a.csv" }\n'
    path.write_text(text.replace(",\n ", ",") + "[photo.chart]\npatches = '''\nx'''\n", encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(OutputError, match=r"Write into its photograph 'a.jpg': chart = \{ patches = \"c.csv\" \}"):
        name_in_survey(tmp_path, "a.jpg", {"chart": {"patches": "c.csv"}})
    assert path.read_bytes() == before
    path.write_text("[[photo]\n", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be read"):
        name_in_survey(tmp_path, "a.jpg", {"labels": "x.png"})
