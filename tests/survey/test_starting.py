"""A new study is a folder that the survey can read once its tables are filled in."""

import tomllib

import pytest
from PIL import Image
from survey_pictures import picture

from fragkit.errors import SurveyError
from fragkit.survey import read_survey
from fragkit.survey.starting import starting_files


@pytest.fixture
def photos(tmp_path):
    paths = [tmp_path / 'bröckchen "1".jpg', tmp_path / "b.png"]
    for path in paths:
        Image.fromarray(picture()).save(path)
    return paths


def test_the_survey_file_is_toml_and_names_each_photograph(photos):
    files = starting_files('A "quoted" title', photos)
    data = tomllib.loads(files["survey.toml"])
    assert data["study"]["title"] == 'A "quoted" title'
    assert [photo["file"] for photo in data["photo"]] == [path.name for path in photos]
    assert set(files) == {"survey.toml", 'bröckchen "1"-points.csv', "b-points.csv"}
    assert files["b-points.csv"] == "point,x_px,y_px,x_mm,y_mm,sd_mm\n"


def test_the_remarks_are_valid_tables_once_uncommented(photos):
    lines = starting_files("t", photos)["survey.toml"].splitlines()
    start = next(k for k, line in enumerate(lines) if line.startswith("# [[wall]]"))
    tail = "\n".join(line.removeprefix("# ") for line in lines[start:] if not line.startswith("# Every"))
    data = tomllib.loads(tail)
    assert data["wall"][0]["opening"][0]["name"] == "door"
    assert data["works"]["leaves_per_book"] == 25


def test_it_is_read_once_the_points_are_there(tmp_path, photos):
    for name, text in starting_files("t", photos[1:]).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(SurveyError, match=r"b-points\.csv: 0 control points cannot fix a plane"):
        read_survey(tmp_path)
    rows = "1,10,10,0,200,0.3\n2,220,12,300,200,0.3\n3,222,150,300,0,0.3\n4,8,149,0,0,0.3\n"
    with (tmp_path / "b-points.csv").open("a") as table:
        table.write(rows)
    assert read_survey(tmp_path).fragments[0].name == "b"


def test_no_photograph_or_two_of_one_name(tmp_path, photos):
    with pytest.raises(ValueError, match="name at least one"):
        starting_files("t", [])
    with pytest.raises(ValueError, match=r"share a name \(b\.PNG, b\.png\): rename"):
        starting_files("t", [photos[1], tmp_path / "x" / "b.PNG"])
