"""The figure of the technique shows both verdicts and the calibration."""

import numpy as np
import pytest

from fragkit.lattice import fit_lattice
from fragkit.plot.technique import LEAST_SHOWN, evidence
from fragkit.technique import weigh_technique


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
