"""A frieze through the whole study: from photographs, and by tape, to marks along a band."""

import csv
import json

import jsonschema
import numpy as np
import pytest
from independent_scene import Recipe, write_study

from fragkit.study import run_study

STEP_MM = 88.0
BAND = """
[[wall]]
name = "N"
outline_mm = [[0, 0], [4200, 0], [4200, 100], [0, 100]]
[proposal]
down_mm = 100.0
reason = "The band between two mouldings is 100 mm high."
"""
TAPE = """
schema = 1
[study]
title = "A border by tape"
[[fragment]]
name = "stair"
centres = "stair.csv"
"""


@pytest.fixture(scope="module")
def photographed(tmp_path_factory):
    """Two fragments of one row, each about ten motifs long, a quarter lost; the record; and the truth."""
    root = tmp_path_factory.mktemp("frieze")
    plan = {
        name: Recipe(
            seed=7300 + k,
            motif="trefoil",
            across=STEP_MM,
            down=100.0,
            width=900.0,
            height=90.0,
            loss=0.25,
            tilt_deg=((6.0, -5.0), (-4.0, 7.0))[k],
            photo_px=(2400, 900),
        )
        for k, name in enumerate(("stair", "landing"))
    }
    scenes = write_study(root / "study", plan, extra=BAND)
    return run_study(root / "study", out=root / "out", cache=root / "cache"), root / "out", scenes


def test_the_step_of_every_fragment_and_of_the_frieze_holds(photographed):
    result, _, scenes = photographed
    assert result.is_answered
    assert not result.lattices
    assert set(result.rows) == set(scenes)
    for row in result.rows.values():
        assert abs(row.length_mm - STEP_MM) < 3.0 * row.length_sd_mm
        assert row.length_sd_mm < 0.8  # 0.7 mm of scatter, stepped off at worst, over ten motifs
    low, high = result.step.interval_mm
    assert low < STEP_MM < high
    assert high - low < 4.0


def test_the_motif_is_that_of_the_frieze_and_not_the_edge_of_its_band(photographed):
    result, _, scenes = photographed
    true_mm2 = next(iter(scenes.values())).metal_area
    assert abs(result.motif.metal_area_mm2 - true_mm2) < 4.0 * result.motif.metal_area_sd_mm2
    assert max(result.motif.width_mm, result.motif.height_mm) < 0.5 * STEP_MM


def test_one_row_is_laid_along_the_band(photographed):
    result, _, _ = photographed
    wall = result.layout.walls[0]
    assert len(np.unique(wall.index[:, 1])) == 1
    assert wall.n_motifs == pytest.approx(4200.0 / STEP_MM, abs=1.5)
    gaps = np.diff(np.sort(wall.xy_mm[:, 0]))
    assert np.ptp(gaps) < 1e-6  # even to rounding
    assert result.pooled.typed == ("down_mm",)


def test_technique_is_weighed_and_does_not_go_beyond_a_single_row(photographed):
    result, _, _ = photographed
    assert result.technique.n_motifs == sum(row.n_centres for row in result.rows.values())
    assert result.technique.regular_areas == ()
    assert result.technique.placing.verdict in ("on set-out lines", "cannot be told")


def test_the_record_holds_the_row(photographed):
    _, out, _ = photographed
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    jsonschema.validate(results, json.loads((out / "results.schema.json").read_text(encoding="utf-8")))
    assert results["fragments"][0]["lattice"] is None
    assert results["fragments"][0]["row"]["length_mm"]["value"] == pytest.approx(STEP_MM, abs=2.0)
    assert results["step"]["n_fragments"] == 2
    assert results["proposal"]["typed"] == ["down_mm"]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "From motif to motif" in page
    assert "how far apart rows stand" in page.lower()


def write_tape(folder, *, rows, extra=""):
    folder.mkdir()
    (folder / "survey.toml").write_text(TAPE + extra, encoding="utf-8")
    with (folder / "stair.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["x_mm", "y_mm", "sd_mm"], *rows])
    return folder


def test_a_row_by_tape_gives_its_step_and_says_what_it_lacks(tmp_path):
    number = np.array([0, 1, 2, 4, 5, 7, 8])
    noise = np.random.default_rng(4).normal(0, 0.5, (7, 2))
    places = np.column_stack([62.0 * number, 3.0 * number]) + noise
    result = run_study(write_tape(tmp_path / "study", rows=[[*xy, 0.5] for xy in places]), cache=tmp_path / "cache")
    row = result.rows["stair"]
    assert row.number.tolist() == number.tolist()
    assert abs(row.length_mm - np.hypot(62.0, 3.0)) < 3.0 * row.length_sd_mm
    assert result.pooled is None
    why = {entry.stage: f"{entry.why} {entry.remedy}" for entry in result.skipped}
    assert "single row" in why["repeat"]
    assert "down_mm in [proposal]" in why["repeat"]
    assert "mm along a single row" in result._repr_html_()


def test_a_second_row_adds_its_step_to_the_repeat_across(tmp_path):
    """A fragment with a net and one with a single row of it: the row counts for the spacing across."""
    folder = write_tape(tmp_path / "study", rows=[[62.0 * k, 0.0, 0.5] for k in range(9)])
    net = [[62.0 * i, 78.0 * j, 0.5] for i in range(4) for j in range(4)]
    with (folder / "wall.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["x_mm", "y_mm", "sd_mm"], *net])
    with (folder / "survey.toml").open("a", encoding="utf-8") as file:
        file.write('[[fragment]]\nname = "wall"\ncentres = "wall.csv"\n')
    result = run_study(folder, cache=tmp_path / "cache")
    assert set(result.rows) == {"stair"}
    assert set(result.lattices) == {"wall"}
    assert result.step is None
    assert result.pooled.n_fragments == 2
    assert any("single row" in note for note in result.pooled.notes)
    assert result.pooled.across_mm == pytest.approx(62.0, abs=0.1)
