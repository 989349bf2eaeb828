"""Every result shows itself: numbers with units, one picture, and plain text where there is no browser."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from bench_study import small_result

from fragkit.colour import Colour, Colours
from fragkit.motifs import align_shapes, compare_labels, ring_correlation
from fragkit.rectify import given_lens, plan_photograph
from fragkit.setting_out import set_out
from fragkit.technique import PLACINGS, Priors, power
from fragkit.technique.verdict import reach_verdict
from fragkit.works.learning import fit_learning
from fragkit.works.nesting import nest

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "orrowby"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cards") / "orrowby"
    shutil.copytree(SAMPLE, folder)
    result = small_result(folder)
    setting = set_out(result.layout)
    return {
        "rectified": result.rectified["press-1"],
        "centres": result.centres["press-1"],
        "lattice": result.lattices["press"],
        "pooled": result.pooled,
        "layout": result.layout,
        "wall": result.layout.walls[0],
        "setting": setting.walls[0],
        "all walls": setting,
        "survey": result.survey,
        "study": result,
        "nesting": nest((30.0, 20.0), (80.0, 80.0)),
        "lens": given_lens(3000.0, (1999.5, 1499.5), k1=-0.05),
        "photo plan": plan_photograph(given_lens(3000.0, (1999.5, 1499.5)), distance_mm=2000.0),
        "priors": Priors(),
        "verdict": reach_verdict(PLACINGS, {"positions": np.array([0.0, -3.0, -9.0, -60.0])}, would_settle="nothing"),
        "power": power([9], [0.2], rng=np.random.default_rng(1), n_sets=4),
        "colours": Colours(ground=GROUND, shadow=None, metal=None),
        "shapes": align_shapes(np.random.default_rng(2).normal(size=(4, 9, 2))),
        "ring": ring_correlation(*np.random.default_rng(3).normal(size=(2, 32, 32)), mm_per_px=0.5),
        "labels": compare_labels(np.ones((8, 8), np.uint8), np.tile([1, 2], (8, 4)).astype(np.uint8)),
        "curve": fit_learning(40.0 + 20.0 * np.arange(1.0, 25.0) ** -0.5, rng=np.random.default_rng(1)),
    }


NAMES = (
    *("rectified", "centres", "lattice", "pooled", "layout", "wall", "setting", "all walls"),
    *("survey", "study", "nesting", "lens", "photo plan", "curve"),
    *("priors", "verdict", "power", "colours", "shapes", "ring", "labels"),
)
UNITS = {
    **{"survey": "walls", "lens": "px", "curve": "min", "verdict": "%", "colours": "ΔE00"},
    **{"shapes": "points", "labels": "%", "ring": "per px"},
}
GROUND = Colour(
    name="ground",
    lab=np.array([69.0, 1.7, 12.3]),
    lab_d65=np.array([69.0, 1.2, 12.0]),
    lab_sd=np.array([0.8, 0.1, 0.3]),
    lab_cov=np.diag(np.square([0.8, 0.1, 0.3])),
    lab_spread=np.array([2.0, 0.5, 0.9]),
    n_px=9000,
    n_patches=82,
    n_pictures=2,
    nearest=(("Buff", 6.5, 0.3),),
)


@pytest.mark.parametrize("name", NAMES)
def test_a_card_has_numbers_one_picture_and_words_for_it(results, name):
    html = results[name]._repr_html_()
    assert html.count("<svg") + html.count("<img") == 1
    assert 'aria-label="' in html or 'alt="' in html
    assert UNITS.get(name, "mm") in html
    assert len(html) < 900_000  # a notebook with twenty of them still opens at once
    assert "\n" not in repr(results[name])
