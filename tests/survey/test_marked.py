"""Control tables while they are being made."""

import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_survey
from fragkit.survey.marked import MarkedPoint, read_marked, read_taped

HEAD = "point,x_px,y_px,x_mm,y_mm,sd_mm\n"


def test_blank_cells_are_not_known_yet(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text("\ufeff" + HEAD + "A,1.5,2,,,\n\nB,3,4,5,6,0.3\n", encoding="utf-8")
    first, second = read_marked(path)
    assert first == MarkedPoint(name="A", x_px=1.5, y_px=2.0)
    assert (first.is_measured, second.is_measured) == (False, True)


def test_names_and_pixels_alone_are_enough(tmp_path):
    path = tmp_path / "p.csv"
    path.write_text("point,x_px,y_px\nA,1,2\n", encoding="utf-8")
    assert read_marked(path) == (MarkedPoint(name="A", x_px=1.0, y_px=2.0),)


@pytest.mark.parametrize("text", ["", "\n", HEAD, None])
def test_nothing_yet(tmp_path, text):
    if text is not None:
        (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    assert read_marked(tmp_path / "p.csv") == ()
    assert read_taped(tmp_path / "q.csv") == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (HEAD + "A,1,2,3,4,x\n", "p.csv:row 2, column sd_mm: 'x' is not a number"),
        (HEAD + "A,1,nan,3,4,1\n", "row 2, column y_px: 'nan' is not a number"),
        (HEAD + "A,1,5,2,3,4,1\n", "row 2: 7 cells where the header has 6"),
        ("point,x_px,y_px,z_mm\nA,1,2,3\n", "the columns are point, x_px, y_px, z_mm"),
        ("point;x_px;y_px\nA;1;2\n", "the columns are point;x_px;y_px"),
    ],
)
def test_faults_name_row_and_column(tmp_path, text, message):
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    with pytest.raises(SurveyError, match=message):
        read_marked(tmp_path / "p.csv")


def test_text_that_is_not_utf8(tmp_path):
    (tmp_path / "d.csv").write_bytes("from,to,distance_mm,sd_mm\nä,b,1,1\n".encode("latin-1"))
    with pytest.raises(SurveyError, match="the text is not UTF-8"):
        read_taped(tmp_path / "d.csv")


def test_an_empty_box_of_the_example_is_a_fault(tmp_path):
    text = 'schema = 1\n[[photo]]\nname = "a"\nfile = "a.jpg"\nfragment = "f"\nexample_px = [5, 0, 5, 9]\n'
    (tmp_path / "survey.toml").write_text(text + 'control = { kind = "points", table = "a.csv" }\n', encoding="utf-8")
    with pytest.raises(SurveyError, match=r"the box of the example, \[5.0, 0.0, 5.0, 9.0\], is empty"):
        read_survey(tmp_path)


def test_an_empty_range_of_the_repeat_is_a_fault(tmp_path):
    text = 'schema = 1\n[[photo]]\nname = "a"\nfile = "a.jpg"\nfragment = "f"\nrepeat_range_mm = [80.0, 40.0]\n'
    (tmp_path / "survey.toml").write_text(text + 'control = { kind = "points", table = "a.csv" }\n', encoding="utf-8")
    with pytest.raises(SurveyError, match=r"expected range of the repeat, \[80.0, 40.0\], is empty"):
        read_survey(tmp_path)
