"""The bundled sample study: what its README and its truth promise."""

import json
from pathlib import Path

import numpy as np
import pytest

from fragkit.simulate import NETS, SAMPLE_SEED, Conditions, LensPlan, draw_motif
from fragkit.simulate.drafts import draft_study, stream
from fragkit.simulate.fragments import lay_motifs
from fragkit.survey import read_photo, read_survey

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
TRUTH = json.loads((ROOT / "tests" / "reference" / "orrowby_truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def survey():
    return read_survey(SAMPLES / "orrowby")


def test_all_samples_are_small():
    total = sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file())
    assert total < 11 * 2**20


def test_four_photographs_of_three_fragments_on_two_walls(survey):
    assert survey.notes == ()
    assert len(survey.photos) >= 4
    assert {photo.fragment for photo in survey.photos} == {"press", "pier", "settle"}
    assert len({fragment.wall for fragment in survey.fragments}) == 2
    assert survey.seed == TRUTH["seed"] == SAMPLE_SEED
    kinds = {opening.kind for wall in survey.walls for opening in wall.openings}
    assert kinds == {"door", "window", "chimneypiece"}


@pytest.mark.parametrize("name", ["press", "pier", "settle"])
def test_enough_is_left_of_every_fragment(name):
    fragment = TRUTH["fragments"][name]
    visible = np.array(fragment["visible_ratio"])
    assert 0.15 <= fragment["loss_ratio"] <= 0.45
    assert (visible >= 0.6).sum() >= 30
    assert (visible >= 0.6).mean() > 0.5


def test_the_net_is_half_drop_and_not_round():
    repeat = TRUTH["repeat"]
    assert repeat == {"across_mm": 95.6, "down_mm": 66.3, "offset_ratio": 0.5}
    for fragment in TRUTH["fragments"].values():
        sites = np.array(fragment["index"]) @ np.array([fragment["a_mm"], fragment["b_mm"]])
        stray = np.array(fragment["centres_mm"]) - sites - fragment["net_origin_mm"]
        n = 2 * len(stray)
        assert np.sqrt((stray**2).mean()) == pytest.approx(0.7, rel=4.0 / np.sqrt(2.0 * n))  # four standard errors


def test_photographs_are_tilted_and_of_the_promised_scale(survey):
    for photo in survey.photos:
        pixels = read_photo(photo.file).pixels
        assert 2000 <= pixels.shape[1] <= 2600
        told = TRUTH["fragments"][photo.fragment]["photos"][photo.name]
        tilt_deg = np.degrees(np.arccos(-np.array(told["rotation"])[2, 2]))
        assert 8.0 < tilt_deg < 25.0
        scale = told["position_mm"][2] / TRUTH["lens"]["f_px"]
        assert 0.3 < scale < 0.45  # mm per px


def test_crosses_are_where_the_tables_say(survey):
    """Dark where the lines cross, white between them: photographs, tables and truth belong together."""
    for photo in survey.photos:
        pixels = read_photo(photo.file).pixels.astype(float).mean(axis=2)
        x, y = photo.control.xy_px.round().astype(int).T
        middle = np.array([pixels[j - 1 : j + 2, i - 1 : i + 2].min() for i, j in zip(x, y, strict=True)])
        white = np.array([pixels[j - 8 : j + 9, i - 8 : i + 9].max() for i, j in zip(x, y, strict=True)])
        assert (middle < 0.72 * white).all()
        marks = np.array([TRUTH["fragments"][photo.fragment]["marks_mm"][name] for name in photo.control.names])
        assert np.abs(photo.control.xy_mm - marks).max() < 1.3  # mm: four standard deviations of 0.3 mm


def test_the_truth_can_be_drawn_again():
    """Room, places and centres follow from the seed alone; the pictures need a minute and are not remade."""
    draft = draft_study(SAMPLE_SEED, net=NETS["half-drop"], lens=LensPlan())
    for number, fragment in enumerate(draft.fragments):
        told = TRUTH["fragments"][fragment.place.name]
        width, height = fragment.plan.size_mm
        laying = stream(SAMPLE_SEED, 4, number).spawn(4)[0]
        laid = lay_motifs(
            fragment.plan,
            draw_motif("hop cone"),
            (0.0, 0.0, width, height),
            conditions=Conditions(),
            rng=laying,
        )
        told_centres = {tuple(site): xy for site, xy in zip(told["index"], told["centres_mm"], strict=True)}
        drawn = {tuple(site): xy for site, xy in zip(laid.index.tolist(), laid.centres_mm, strict=True)}
        shared = told_centres.keys() & drawn.keys()
        assert len(shared) > 0.85 * len(told_centres)
        gaps = [np.abs(np.array(told_centres[site]) - drawn[site]).max() for site in shared]
        assert max(gaps) < 1e-3  # mm; the truth is written to 0.1 µm
    assert np.allclose(TRUTH["room"]["corners_mm"], draft.room.corners_mm, rtol=0, atol=1e-3)  # mm
