"""The figure of the technique shows both verdicts and the calibration."""

from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.lattice import fit_lattice
from fragkit.plot.technique import LEAST_SHOWN, evidence, regular_areas
from fragkit.technique import Change, RegularArea, weigh_technique


def test_the_best_answer_reaches_nought_and_the_calibration_is_told():
    rng = np.random.default_rng(1)
    index = np.array([[i, j] for i in range(5) for j in range(4)])
    xy = index * 80.0 + rng.normal(0.0, 0.5, index.shape)
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.04, (20, 1, 1)), index))
    technique = weigh_technique([lattice], None, rng=rng, n_calibration=10)
    figure = evidence(technique)
    placing, forming = figure.axes
    ends = [bar.get_x() + bar.get_width() for bar in placing.patches]
    assert max(ends) == pytest.approx(0.0, abs=1e-12)
    assert min(ends) >= LEAST_SHOWN
    assert technique.placing.verdict in placing.get_title(loc="left")
    assert len(forming.patches) == 4
    assert "named firmly and rightly" in figure.get_supxlabel()


def test_regular_areas_are_outlined_and_steps_dashed_on_their_own_fragment():
    rng = np.random.default_rng(2)
    index = np.array([[i, j] for i in range(5) for j in range(4)])
    xy = index * 80.0 + rng.normal(0.0, 0.5, index.shape)
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.04, (20, 1, 1)), index))
    square = np.array([[-40.0, -40.0], [200.0, -40.0], [200.0, 200.0], [-40.0, 200.0]])
    area = RegularArea(fragment=1, outline_mm=square, index=index[:9], p=0.002, words="nine")
    line = np.array([[120.0, -40.0], [120.0, 280.0]])
    step = Change(
        along="rows",
        before=2,
        step_mm=np.array([0.1, 2.5]),
        step_sd_mm=np.array([0.3, 0.3]),
        p=0.003,
        line_mm=line,
        places_mm=xy,
    )
    found = SimpleNamespace(regular_areas=(area,), changes=(step,))
    figure = regular_areas({"north": lattice, "east": lattice}, found)
    north, east = figure.axes
    assert len(north.lines) == 2
    np.testing.assert_array_equal(north.lines[1].get_xydata(), line)
    assert [text.get_text() for text in north.texts] == ["+0.1, +2.5 mm"]
    assert len(east.lines) == 2
    np.testing.assert_array_equal(east.lines[1].get_xydata()[[0, -1]], square[[0, 0]])
    assert [text.get_text() for text in east.texts] == ["once in 500"]
