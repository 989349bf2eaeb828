"""Areas marked on a photograph: read as outlines with a name, their faults named."""

import numpy as np
import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_survey

SQUARE = "cleaned,20,20\ncleaned,80,20\ncleaned,80,70\ncleaned,20,70\n"


def _with(study, rows, header="area,x_px,y_px\n"):
    study.replace("flatness_mm = 3.0", 'flatness_mm = 3.0\nareas = "north-1-areas.csv"')
    (study.root / "north-1-areas.csv").write_text(header + rows, encoding="utf-8")
    return study.root


def test_outlines_are_read_in_their_order(study):
    (area,) = read_survey(_with(study, SQUARE)).photos[0].areas
    assert area.name == "cleaned"
    np.testing.assert_array_equal(area.outlines_px[0], [[20, 20], [80, 20], [80, 70], [20, 70]])
    assert read_survey(study.root).photos[1].areas == ()


def test_an_area_of_two_outlines(study):
    rows = "".join(
        f"test window,{x + dx},{dy},{name}\n"
        for name, x in (("a", 10), ("b", 90))
        for dx, dy in ((0, 10), (30, 10), (0, 40))
    )
    (area,) = read_survey(_with(study, rows, "area,x_px,y_px,outline\n")).photos[0].areas
    assert [len(outline) for outline in area.outlines_px] == [3, 3]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("cleaned,20,20\ncleaned,80,20\n", r"outline of 'cleaned' has 2 points\. Give three or more"),
        ("cleaned,20,20\ncleaned,80,70\ncleaned,80,20\ncleaned,20,70\n", "'cleaned' crosses itself"),
        (SQUARE.replace("cleaned", "the rest"), "'the rest' is what no area holds"),
    ],
)
def test_faults_are_named(study, rows, words):
    with pytest.raises(SurveyError, match=words):
        read_survey(_with(study, rows))
