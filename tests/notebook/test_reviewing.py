"""Reviewing motifs: what is asked first, what follows from a decision, and that the study says the same."""

import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bench_study import fragment_centres, small_result

from fragkit.notebook import review_centres
from fragkit.notebook.doubts import weigh_doubts
from fragkit.study.review import reviewed, without_dropped
from fragkit.survey import ReviewEntry, read_survey

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "orrowby"


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench") / "orrowby"
    shutil.copytree(SAMPLE, folder)
    return small_result(folder)


def _review(xy_mm, verdict, to_xy_mm=None, sd_mm=0.0):
    at = np.array([xy_mm], float)
    to = at if to_xy_mm is None else np.array([to_xy_mm], float)
    return ReviewEntry(xy_mm=at, verdict=(verdict,), to_xy_mm=to, sd_mm=np.array([sd_mm]))


def _none(xy_mm):
    return np.zeros((len(xy_mm), 2, 2))


def test_a_dropped_motif_is_known_by_its_place_whatever_its_number():
    centres = fragment_centres()
    place = centres.xy_mm[3] + [1.0, -1.0]
    dropped = without_dropped(centres, _review(place, "drop"))
    assert dropped.status[3] == "not there"
    assert dropped.status.count("seen") == centres.status.count("seen") - 1
    renumbered = replace(centres, index=centres.index + [2, -1])
    assert without_dropped(renumbered, _review(place, "drop")).status == dropped.status


def test_a_decision_that_meets_no_site_is_named():
    centres = fragment_centres()
    kept = without_dropped(centres, _review((9000.0, 0.0), "drop"))
    assert kept.status == centres.status
    assert any("(9000, 0)" in note for note in kept.notes)


def test_a_moved_motif_stands_where_it_was_put_as_sure_as_was_stated():
    centres = fragment_centres()
    to = centres.xy_mm[5] + [2.0, 0.5]
    moved = reviewed(centres, _review(centres.xy_mm[5], "move", to, 0.4), covariance_mm2=_none)
    np.testing.assert_array_equal(moved.xy_mm[5], to)
    np.testing.assert_allclose(moved.cov_mm2[5], 0.16 * np.eye(2), rtol=0, atol=1e-12)
    lost = centres.status.index("lost")
    found = reviewed(centres, _review(centres.xy_mm[lost], "move", centres.xy_mm[lost], 0.4), covariance_mm2=_none)
    assert found.status[lost] == "partly seen"


def test_what_strays_or_hardly_resembles_the_motif_comes_first(result):
    centres = fragment_centres()
    xy, score = np.array(centres.xy_mm), np.array(centres.score)
    xy[7] += [6.0, 0.0]
    score[9] = 0.2
    doubts = weigh_doubts(replace(centres, xy_mm=xy, score=score), result.lattices["press"])
    assert set(doubts.order[:2]) == {7, 9}
    assert "off the net" in doubts.words[7]
    assert "resembles the motif little (0.20)" in doubts.words[9]


def test_a_decision_changes_the_repeat_at_once_and_is_undone(result):
    review = review_centres(result, "press-1")
    before = review.pooled.across_mm
    site = next(site for site in review.sites if site["status"] == "seen")
    started = time.perf_counter()
    review.decisions = [{"site": site["name"], "verdict": "drop", "x_px": 0.0, "y_px": 0.0}]
    assert time.perf_counter() - started < 5.0  # 0.2 s alone; the machines of the tests are shared
    assert review.lattice.n_centres == result.lattices["press"].n_centres - 1
    assert review.pooled.across_mm != before
    review._asked(review, {"ask": "undo", "by": -1}, [])
    assert review.pooled.across_mm == before


def test_too_few_motifs_are_said_in_words(result):
    review = review_centres(result, "press-1")
    found = [site for site in review.sites if "seen" in site["status"]]
    review.decisions = [{"site": s["name"], "verdict": "drop", "x_px": 0.0, "y_px": 0.0} for s in found[2:]]
    assert review.pooled is None
    assert review.outcome["lines"][0].startswith("No repeat with these decisions.")


def test_what_is_saved_is_read_back_and_opened_again(result):
    review = review_centres(result, "press-1")
    seen = [site for site in review.sites if site["status"] == "seen"]
    move = {"site": seen[1]["name"], "verdict": "move", "x_px": seen[1]["x_px"] + 4.0, "y_px": seen[1]["y_px"]}
    review.decisions = [{"site": seen[0]["name"], "verdict": "drop", "x_px": 0.0, "y_px": 0.0}, move]
    assert review.save().startswith("2 decisions saved in press-1-reviewed.csv")
    entry = read_survey(result.survey.folder).photos[0]
    assert entry.review.verdict == ("drop", "move")
    np.testing.assert_allclose(entry.review.to_xy_mm, review.review.to_xy_mm, rtol=0, atol=1e-4)  # the table's digits
    plane = result.rectified["press-1"]
    again = reviewed(result.unreviewed["press-1"], entry.review, covariance_mm2=plane.covariance_mm2)
    assert again.status == review.centres.status
    np.testing.assert_allclose(again.xy_mm, review.centres.xy_mm, rtol=0, atol=1e-4)
    photos = (replace(result.survey.photos[0], review=entry.review), *result.survey.photos[1:])
    reopened = review_centres(replace(result, survey=replace(result.survey, photos=photos)), "press-1")
    assert [one["verdict"] for one in reopened.decisions] == ["drop", "move"]
    assert reopened.decisions[1]["x_px"] == pytest.approx(move["x_px"], abs=0.01)


def test_an_unknown_photograph_is_refused(result):
    with pytest.raises(ValueError, match="No motifs were found in a photograph called 'attic'; there are: press-1"):
        review_centres(result, "attic")
