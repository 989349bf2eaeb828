"""Every result shows itself: numbers with units, one picture, and plain text where there is no browser."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from bench_study import small_result

from fragkit.rectify import given_lens, plan_photograph
from fragkit.setting_out import set_out
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
        "curve": fit_learning(40.0 + 20.0 * np.arange(1.0, 25.0) ** -0.5, rng=np.random.default_rng(1)),
    }


NAMES = (
    *("rectified", "centres", "lattice", "pooled", "layout", "wall", "setting", "all walls"),
    *("survey", "study", "nesting", "lens", "photo plan", "curve"),
)
UNITS = {"study": "mm", "survey": "walls", "nesting": "mm", "lens": "px", "curve": "min"}


@pytest.mark.parametrize("name", NAMES)
def test_a_card_has_numbers_one_picture_and_words_for_it(results, name):
    html = results[name]._repr_html_()
    assert html.count("<svg") + html.count("<img") == 1
    assert 'aria-label="' in html or 'alt="' in html
    assert UNITS.get(name, "mm") in html
    assert len(html) < 900_000  # a notebook with twenty of them still opens at once
    assert "\n" not in repr(results[name])
