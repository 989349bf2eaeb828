"""Every result shows itself: numbers with units, one picture, and plain text where there is no browser."""

import shutil
from pathlib import Path

import pytest
from bench_study import small_result

from fragkit.setting_out import set_out

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
    }


@pytest.mark.parametrize("name", ["rectified", "centres", "lattice", "pooled", "layout", "wall", "setting"])
def test_a_card_has_numbers_one_picture_and_words_for_it(results, name):
    html = results[name]._repr_html_()
    assert html.count("<svg") + html.count("<img") == 1
    assert 'aria-label="' in html or 'alt="' in html
    assert "mm" in html
    assert len(html) < 900_000  # a notebook with twenty of them still opens at once
    assert "\n" not in repr(results[name])
