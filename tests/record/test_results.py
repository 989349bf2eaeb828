import copy
import json
from dataclasses import replace

import numpy as np
import pytest

from fragkit.lattice import residual_variogram
from fragkit.record.results import plain, results, results_json


@pytest.fixture(scope="module")
def content(whole):
    study = copy.copy(whole)
    study.technique = copy.deepcopy(whole.technique)
    study.technique.forming.log10_bayes_factors["through a plate"] = float("nan")
    return json.loads(results_json(study, files={}))


def test_keys_that_others_rely_on(content):
    assert content["schema_version"] == 2
    photo = content["photos"][0]
    assert photo["name"] == "north-1"
    assert {
        "mm_per_px", "rms_mm", "loo_rms_mm", "homography", "k1", "k2", "f_px", "centre_px", "n_control"
    } <= set(photo["rectify"])  # fmt: skip
    fragment = content["fragments"][0]
    assert {"name", "n_centres", "lattice", "technique"} <= set(fragment)
    lattice = fragment["lattice"]
    assert {"a_mm", "b_mm", "cov", "net_type", "drift", "residual_sd_mm"} <= set(lattice)
    assert np.array(lattice["cov"]).shape == (4, 4)
    technique = fragment["technique"]
    assert {"placing", "forming", "calibration", "regular_areas"} <= set(technique)
    assert {"verdict", "log10_bayes_factors"} <= set(technique["placing"])
    assert technique["forming"]["by_kind"]["seen by eye"]["along an outline"] == 1.2
    assert [(one["name"], one["length_mm"]) for one in technique["lengths"]] == [("wood block of 21 inches", 533.0)]
    assert {"width_mm", "height_mm", "metal_area_mm2", "metal_area_sd_mm2", "n_examples"} <= set(content["motif"])
    assert {"across_mm", "down_mm", "offset_ratio", "cov", "interval_new_wall", "basis"} <= set(content["proposal"])
    assert {"name", "n_motifs", "n_by_form", "spacing_mm", "strain_ratio"} <= set(content["walls"][0])
    assert set(content["works"]["labour_h"]) >= {"p05", "p50", "p95"}
    assert {"leaf", "labour_h", "cost"} <= set(content["works"])
    assert {"skipped", "provenance", "decisions", "notes"} <= set(content)


def test_a_drift_says_where_it_lies(whole):
    """A jump of 2.5 mm after column 4, as the net states it."""
    study = copy.copy(whole)
    drift = replace(study.lattices["north"].drift, kind="jump", along="rows", seam=4, value=2.5, sd=0.2, support=0.97)
    study.lattices = {"north": replace(study.lattices["north"], drift=drift)}
    content = json.loads(results_json(study, files={}))
    stated = content["fragments"][0]["lattice"]["drift"]
    assert (stated["kind"], stated["along"], stated["seam"], stated["support"]) == ("jump", "rows", 4, 0.97)


def test_local_spacing_and_variograms_are_the_result_s(whole, content):
    study = copy.copy(whole)
    lattice = content["fragments"][0]["lattice"]
    rows = study.spacings["north"].rows
    assert lattice["spacing"]["rows"]["spacing_mm"] == rows.spacing_mm.tolist()
    assert lattice["spacing"]["rows"]["growth"] == {"value": rows.growth.value, "sd": rows.growth.sd}
    assert lattice["spacing"]["rows"]["agree"] is None  # no picture was compared
    expected = residual_variogram(study.lattices["north"], along="columns")
    assert lattice["variograms"]["columns"]["semivariance_mm2"] == expected.semivariance_mm2.tolist()
    study.spacings = {"north": None}
    again = json.loads(results_json(study, files={}))
    assert again["fragments"][0]["lattice"]["spacing"] is None


def test_nan_never_reaches_json(content):
    text = json.dumps(content)
    assert "NaN" not in text
    assert "Infinity" not in text
    assert content["fragments"][0]["technique"]["forming"]["log10_bayes_factors"]["through a plate"] is None


def test_missing_price_is_null_not_zero(content):
    cost = content["works"]["cost"]
    assert cost["complete"] is False
    unpriced = [line for line in cost["lines"] if line["gap"]]
    assert unpriced
    assert all(line["amount"] is None for line in unpriced)


def test_every_note_of_every_room_is_there(whole, content):
    texts = {note["text"] for note in content["notes"]}
    for holder in (
        whole.survey,
        whole.motif,
        whole.pooled,
        whole.technique,
        whole.layout,
        whole.takeoff,
        whole.works,
    ):
        assert set(holder.notes) <= texts
    for wall in whole.layout.walls:
        assert set(wall.notes) <= texts


def test_a_stage_that_is_missing_is_null(whole):
    content = results(whole)
    assert content["photos"][1]["name"] == "../../etc/east"
    assert results(whole)["fragments"][2]["name"] == "tape"
    assert content["colours"]["shadow"] is None


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float64("nan"), None),
        (np.array([1.0, np.inf]), [1.0, None]),
        ({1: np.int64(3)}, {"1": 3}),
        ((True, None, "x"), [True, None, "x"]),
    ],
)
def test_plain(value, expected):
    assert plain(value) == expected
