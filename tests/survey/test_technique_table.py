"""What a study may state of the making: prior weights, scatters, marks set on the spot, signs seen by eye."""

import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_survey

TABLE = """
[technique]
placing = { "on set-out lines" = 2.0, "rigid groups" = 1.0 }
scatter_mm = { "rigid groups" = [0.8, 0.4] }
outline_spread_mm = { "drawn free" = [0.9, 0.1] }
marks = "marks.csv"
reason = "a trial of three people"

[[technique.seen]]
what = "ties"
odds = 20.0
reason = "lower left of the north fragment"
"""
MARKS = "method,person,column,row,x_mm,y_mm,sd_mm\n" + "".join(
    f"grid,Ada,{k % 4},{k // 4},{100.0 * (k % 4)},{110.0 * (k // 4)},0.3\n" for k in range(12)
)


def _with(study, table, marks=MARKS):
    survey = study.root / "survey.toml"
    survey.write_text(survey.read_text(encoding="utf-8") + table, encoding="utf-8")
    (study.root / "marks.csv").write_text(marks, encoding="utf-8")
    return study.root


def test_priors_marks_and_signs_are_read(study):
    entry = read_survey(_with(study, TABLE)).technique
    assert dict(entry.placing) == {"on set-out lines": 2.0, "rigid groups": 1.0}
    assert entry.scatter_mm["rigid groups"] == (0.8, 0.4)
    assert dict(entry.outline_spread_mm) == {"drawn free": (0.9, 0.1)}
    assert entry.reason == "a trial of three people"
    assert [(one.method, one.person, len(one.index), one.sd_mm) for one in entry.marks] == [("grid", "Ada", 12, 0.3)]
    assert entry.marks[0].index[5].tolist() == [1, 1]
    assert entry.marks[0].xy_mm[5].tolist() == [100.0, 110.0]
    assert (entry.signs[0].what, entry.signs[0].odds, entry.signs[0].favours) == ("ties", 20.0, ("through a plate",))


def test_without_the_table_nothing_is_stated(study):
    entry = read_survey(study.root).technique
    assert not entry.placing
    assert entry.marks == ()
    assert entry.signs == ()


@pytest.mark.parametrize(
    ("table", "marks", "message"),
    [
        (TABLE.replace("ties", "fairy dust"), MARKS, "'fairy dust' is not one of"),
        (TABLE.replace("odds = 20.0", "odds = 0.0"), MARKS, "odds"),
        (TABLE.replace("[0.8, 0.4]", "[80.0, 0.4]"), MARKS, "at most 20"),
        (TABLE.replace("[0.9, 0.1]", "[0.9, 9.0]"), MARKS, "at most 2"),
        (TABLE.replace('"drawn free"', '"by feel"'), MARKS, "by feel"),
        (TABLE, MARKS.replace("grid", "nose"), "the method is 'nose'"),
        (TABLE, "\n".join(MARKS.split("\n")[:6]), "Ada set 5 marks by grid"),
        (TABLE, MARKS.replace("grid", "plate"), "the plate of Ada has one opening"),
    ],
)
def test_faults_are_named(study, table, marks, message):
    with pytest.raises(SurveyError, match=message):
        read_survey(_with(study, table, marks))
