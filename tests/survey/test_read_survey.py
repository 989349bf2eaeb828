"""A faultless study is read whole; nothing in it is changed."""

import numpy as np
import pytest

from fragkit.errors import SurveyError
from fragkit.survey import BoardControl, PointControl, read_survey
from fragkit.survey.walls import circle_mm


def test_everything_in_the_folder_is_read(study):
    survey = read_survey(study.root)
    assert survey.title == "Partners' Room, Orrowby Maltings"
    assert survey.date == "2026-03-01"
    assert survey.seed == 7
    assert [photo.name for photo in survey.photos] == ["north-1", "north-2"]
    assert isinstance(survey.photos[0].control, PointControl)
    assert survey.photos[0].control.xy_mm[2].tolist() == [300.0, 0.0]
    assert isinstance(survey.photos[1].control, BoardControl)
    assert survey.lenses["a"].k2 == 0.0
    assert survey.fragments[0].origin_mm == (1200.0, 900.0)
    assert survey.fragments[1].centres_xy_mm.shape == (4, 2)
    assert survey.fragments[1].centres_index is None
    assert survey.walls[0].next == "E"
    assert survey.walls[0].edges[0].rule == "reduce"
    assert survey.works.leaf_side_mm == (80.0, 80.0)
    assert survey.works.trial_minutes.tolist() == [14.5, 11.0, 10.0]  # in the order of work
    assert survey.paints == (("chalk", (92.1, 0.4, 6.2)),)
    assert survey.decisions[0].choice == "datum at the door jamb"


def test_arrays_are_read_only_and_every_file_has_a_digest(study):
    survey = read_survey(study.root)
    with pytest.raises(ValueError, match="read-only"):
        survey.walls[0].outline_mm[0, 0] = 1.0
    used = {"survey.toml", "north-1.jpg", "north-2.png", "north-1.csv", "east.csv", "prices.csv"}
    assert used <= set(survey.sources)
    assert all(len(digest) == 64 for digest in survey.sources.values())


def test_reading_writes_nothing_in_the_folder(study):
    before = {path: path.stat().st_mtime_ns for path in study.root.rglob("*")}
    read_survey(study.root)
    assert {path: path.stat().st_mtime_ns for path in study.root.rglob("*")} == before


def test_a_study_without_walls_works_or_paints_is_valid(study):
    text = (study.root / "survey.toml").read_text(encoding="utf-8")
    head, rest = text.split("[[wall]]", 1)
    text = head.replace('wall = "N"\norigin_mm = [1200.0, 900.0]\n', "").replace('paints = "paints.csv"\n', "")
    (study.root / "survey.toml").write_text(text, encoding="utf-8")
    survey = read_survey(study.root)
    assert rest
    assert survey.walls == ()
    assert survey.works.trial_minutes is None
    assert survey.proposal is None


def test_a_frieze_has_a_low_wall_and_may_type_only_how_far_apart_its_rows_stand(study):
    study.replace("[[0, 0], [3000, 0], [3000, 2700], [0, 2700]]", "[[0, 0], [3000, 0], [3000, 120], [0, 120]]")
    study.replace("[works]", '[proposal]\ndown_mm = 120.0\nreason = "The band is 120 mm high."\n[works]')
    survey = read_survey(study.root)
    assert survey.proposal.typed == {"down_mm": 120.0}
    assert np.ptp(survey.walls[1].outline_mm[:, 1]) == 120.0


def test_a_round_window_is_a_polygon_that_holds_the_circle(study):
    outline = read_survey(study.root).walls[0].openings[1].outline_mm
    middles = (outline + np.roll(outline, 1, axis=0)) / 2.0
    nearest = np.hypot(*(middles - [3000, 1500]).T)
    np.testing.assert_allclose(nearest, 400.0, rtol=0, atol=1e-6)  # sides touch the circle
    farthest = np.hypot(*(outline - [3000, 1500]).T)
    assert farthest.max() <= 400.11  # 0.1 mm is the stated sagitta


@pytest.mark.parametrize("radius_mm", [5.0, 60.0, 900.0, 4000.0])
def test_circles_of_any_size_keep_their_sagitta(radius_mm):
    beyond = np.hypot(*circle_mm([0.0, 0.0], radius_mm).T).max() - radius_mm
    assert 0.0 < beyond <= 0.11


def test_an_arched_door_is_its_outline_and_its_circle_together(study):
    study.replace("clearance_mm = 20.0", "clearance_mm = 20.0\ncentre_mm = [950, 2000]\nradius_mm = 450.0")
    outline = read_survey(study.root).walls[0].openings[0].outline_mm
    assert outline[:, 1].max() == pytest.approx(2450.0, abs=0.2)  # crown of the arch


def test_a_clockwise_outline_is_turned_and_keeps_its_corners(study):
    study.replace("[[0, 0], [4000, 0], [4000, 2700], [0, 2700]]", "[[0, 0], [0, 2700], [4000, 2700], [4000, 0]]")
    x, y = read_survey(study.root).walls[0].outline_mm.T
    area = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2.0
    assert area == 4000 * 2700


def test_the_sites_of_measured_centres_may_be_numbered(study):
    study.replace(
        "x_mm,y_mm,sd_mm\n0,0,1\n60,0,1\n30,50,1\n90,50,1\n",
        "x_mm,y_mm,sd_mm,i,j\n0,0,1,0,0\n60,0,1,1,0\n30,50,1,0,1\n90,50,1,1,1\n",
        file="east.csv",
    )
    assert read_survey(study.root).fragments[1].centres_index.tolist() == [[0, 0], [1, 0], [0, 1], [1, 1]]


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(SurveyError, match=r"there is no such folder\. Correct the path"):
        read_survey(tmp_path / "nowhere")


def test_it_shows_itself(study):
    survey = read_survey(study.root)
    assert repr(survey) == 'Survey("Partners\' Room, Orrowby Maltings", 2 photographs, 2 fragments, 2 walls)'
    assert "north-1, north-2" in survey._repr_html_()


def test_the_works_in_full(study):
    study.replace(
        "[works]",
        '[works]\ncut = "parts"\nlife_years = { silver = [10, 20], gold = 60 }\nopen_h = 1.5\n'
        'coverage = { size = { m2_per_unit = [12.0, 15.0], unit = "l", waste_ratio = 0.3 } }\n'
        "drops = { width_mm = 530, length_mm = 10050 }",
    )
    (study.root / "prices.csv").write_text(
        "item,unit,price,currency,low,high,quantity,side_mm,leaves_per_book\n"
        "gold leaf,book,40,EUR,36,44,,80,25\ncarriage,job,90,EUR,,,2,,\n",
        encoding="utf-8",
    )
    works = read_survey(study.root).works
    assert works.cut == "parts"
    assert works.life_years == {"silver": (10.0, 20.0), "gold": (60.0, 60.0)}
    assert works.open_h == (1.5, 1.5)
    assert works.coverage["size"].m2_per_unit == (12.0, 15.0)
    assert works.drops.width_mm == 530.0
    assert (works.prices[0].low, works.prices[0].high, works.prices[0].side_mm) == (36.0, 44.0, 80.0)
    assert (works.prices[1].low, works.prices[1].quantity) == (None, 2.0)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("gold leaf,book,40,EUR,36,", "one end only"),
        ("gold leaf,book,40,EUR,42,44", "not between low 42 and high 44"),
    ],
)
def test_a_price_outside_its_range(study, row, message):
    (study.root / "prices.csv").write_text(f"item,unit,price,currency,low,high\n{row}\n", encoding="utf-8")
    with pytest.raises(SurveyError, match=message):
        read_survey(study.root)
