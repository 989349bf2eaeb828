"""Tuning a wall and weighing evidence: what the widgets show is what the saved study gives again."""

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from bench_study import small_result

from fragkit.layout import lay_out
from fragkit.notebook import tune_wall, weigh_evidence
from fragkit.study.proposal import adopt_proposal
from fragkit.survey import read_survey
from fragkit.technique import FORMINGS, PLACINGS, reweigh, stated_priors

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "orrowby"


@pytest.fixture
def result(tmp_path):
    folder = tmp_path / "orrowby"
    shutil.copytree(SAMPLE, folder)
    return small_result(folder)


def _ask(widget, **message):
    answers = []
    widget.send = lambda content, buffers=None: answers.append(content)
    widget._asked(widget, message, [])
    return answers[-1]["say"]


def test_a_slider_moves_the_drawn_motifs_and_the_room_follows(result):
    tuner = tune_wall(result, "north")
    before = np.frombuffer(tuner.motifs, "<f4").reshape(-1, 6)
    np.testing.assert_allclose(before[:, :2], result.layout.walls[0].xy_mm, rtol=0, atol=0.001)  # float32 of metres
    tuner.settings = {**tuner.settings, "clearance_mm": 40.0, "rule": "omit"}
    after = np.frombuffer(tuner.motifs, "<f4").reshape(-1, 6)
    assert len(after) < len(before)
    assert "the room follows" in tuner.outcome["lines"][1]
    assert len(tuner.layout.walls) == len(result.survey.walls)
    assert "in the room" in tuner.outcome["lines"][1]


def test_a_kept_version_is_laid_out_again_from_the_study(result):
    tuner = tune_wall(result, "east")
    tuner.settings = {**tuner.settings, "down_mm": 67.0, "rule": "reduce", "irregularity_ratio": 0.5, "on_axis": "gap"}
    said = _ask(tuner, ask="save", settings=tuner.settings, reason="Rows end below the cornice")
    assert said == "Version 1 kept in survey.toml with its reason; `fragkit run` now lays it out."
    survey = read_survey(result.survey.folder)
    assert survey.proposal.down_mm == 67.0
    assert survey.proposal.across_mm == pytest.approx(result.pooled.across_mm, abs=0.001)
    assert {edge.rule for edge in survey.walls[1].edges} == {"reduce"}
    assert survey.decisions[-1].reason == "Rows end below the cornice"
    again = lay_out(survey.walls, adopt_proposal(result.pooled, survey.proposal), result.motif, options=survey.layout)
    np.testing.assert_array_equal(again.walls[1].xy_mm, tuner.wall.xy_mm)
    np.testing.assert_array_equal(again.walls[1].scatter_mm, tuner.wall.scatter_mm)
    before, after = ((folder / "survey.toml").read_text() for folder in (SAMPLE, result.survey.folder))
    untouched = [line for line in before.splitlines() if line.startswith("outline_mm")]
    assert [line for line in after.splitlines() if line.startswith("outline_mm")] == untouched


def test_the_measured_repeat_is_no_proposal_and_takes_a_typed_one_away(result):
    tuner = tune_wall(result, "north")
    tuner.settings = {**tuner.settings, "across_mm": tuner.settings["across_mm"] + 0.5}
    tuner.keep("to try")
    assert read_survey(result.survey.folder).proposal is not None
    assert _ask(tuner, ask="undo", by=-1) == "Undone."
    tuner.keep("back to what was measured")
    survey = read_survey(result.survey.folder)
    assert survey.proposal is None
    assert [entry.reason for entry in survey.decisions[-2:]] == ["to try", "back to what was measured"]


def test_a_version_needs_a_reason_and_a_layout(result):
    before = (result.survey.folder / "survey.toml").read_bytes()
    tuner = tune_wall(result, "north")
    assert _ask(tuner, ask="save", settings=tuner.settings, reason=" ").startswith("Say why this version is kept")
    tuner.settings = {**tuner.settings, "clearance_mm": 2000.0}
    assert tuner.outcome["lines"][0].startswith("No layout with these settings.")
    assert "give no layout" in _ask(tuner, ask="save", settings=tuner.settings, reason="none")
    assert (result.survey.folder / "survey.toml").read_bytes() == before
    with pytest.raises(ValueError, match="There is no wall called 'attic'; there are: north, east, south, west"):
        tune_wall(result, "attic")


def test_an_area_is_weighed_alone(result):
    scale = weigh_evidence(result, "press-1")
    places = np.array(scale.motifs)
    low, high = places.min(axis=0) - 5.0, places.max(axis=0) + 5.0
    scale.chosen = {**scale.chosen, "box_px": [*low.tolist(), *high.tolist()]}
    assert scale.area.n_motifs == len(places)
    scale.chosen = {**scale.chosen, "box_px": [*low.tolist(), *(low + 20.0).tolist()]}
    assert scale.area is None
    assert "are the least to weigh" in scale.outcome["lines"][0]


def test_stated_weights_are_those_of_the_saved_study(result):
    scale = weigh_evidence(result, "press-1")
    before = scale.technique.placing.posterior["continuous print"]
    scale.chosen = {**scale.chosen, "placing": {**scale.chosen["placing"], "continuous print": 1.0}}
    assert scale.technique.placing.posterior["continuous print"] > before
    assert _ask(scale, ask="save", chosen=scale.chosen, reason="A roller was found in the attic").startswith(
        "Weights kept"
    )
    again = reweigh(result.technique, priors=stated_priors(read_survey(result.survey.folder).technique))
    assert dict(again.placing.posterior) == dict(scale.technique.placing.posterior)
    assert again.priors.source == "A roller was found in the attic"


def test_all_weights_at_nought_are_refused_in_words(result):
    scale = weigh_evidence(result, "press-1")
    scale.chosen = {**scale.chosen, "placing": dict.fromkeys(PLACINGS, 0.0)}
    assert "at least one above" in scale.outcome["lines"][0]


def test_the_study_knows_the_answers_by_the_same_names(result):
    path = result.survey.folder / "survey.toml"
    weights = {"placing": PLACINGS, "forming": FORMINGS}
    lines = [f"{k} = {{ " + ", ".join(f'"{name}" = 1.0' for name in names) + " }" for k, names in weights.items()]
    path.write_text(path.read_text() + "\n[technique]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    assert tomllib.loads(path.read_text())["technique"]["placing"].keys() == set(PLACINGS)
    assert tuple(read_survey(path.parent).technique.placing) == PLACINGS
    assert tuple(read_survey(path.parent).technique.forming) == FORMINGS
