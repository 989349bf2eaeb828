"""A study result made by hand for the widgets: one rectified photograph, motifs of a known net with hand scatter."""

from types import SimpleNamespace

import numpy as np

from fragkit.lattice import fit_lattice, pool
from fragkit.layout import lay_out
from fragkit.motifs import Centres
from fragkit.net import Net
from fragkit.rectify import given_lens, rectify
from fragkit.study import StudyResult
from fragkit.survey import read_photo, read_survey
from fragkit.technique import weigh_technique

ACROSS_MM, DOWN_MM, N_COLUMNS, N_ROWS = 95.5, 66.3, 7, 6
SCATTER_MM, MEASURED_SD_MM = 0.7, 0.2


def fragment_centres(seed=3):
    """Motifs of a half-drop net as found in a photograph: the last is lost, all others are seen."""
    rng = np.random.default_rng(seed)
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(N_COLUMNS), np.arange(N_ROWS)))
    basis = np.array([[ACROSS_MM, 0.0], [ACROSS_MM / 2, DOWN_MM]])
    index = np.column_stack([i - j // 2, j])
    n = len(index)
    return Centres(
        index=index,
        xy_mm=[40.0, 40.0] + index @ basis + rng.normal(0.0, SCATTER_MM, (n, 2)),
        cov_mm2=np.tile(MEASURED_SD_MM**2 * np.eye(2), (n, 1, 1)),
        score=np.linspace(0.75, 0.85, n),
        visible_ratio=np.ones(n),
        status=("seen",) * (n - 1) + ("lost",),
        net=Net(
            a_mm=basis[0],
            b_mm=basis[1],
            support=0.9,
            explained=0.9,
            evidence=50.0,
            independent_evidence=20.0,
            contrast_evidence=20.0,
            net_type="centred",
            notes=(),
        ),
    )


def cone_outlines():
    """A hop cone reduced to an ellipse, with its shadow below and to the right."""
    turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    metal = np.column_stack([15.0 * np.cos(turn), 20.0 * np.sin(turn)])
    return {"metal": (metal,), "shadow": (metal + [3.0, -3.0],)}


def small_result(folder):
    """A result of the sample study in `folder` whose photograph press-1 shows `fragment_centres`."""
    survey = read_survey(folder)
    entry = survey.photos[0]
    lens = given_lens(2050.0, (1199.5, 899.5), k1=-0.05, k2=0.0, name="a")
    plane = rectify(read_photo(entry.file), entry.control, lens=lens, flatness_mm=entry.flatness_mm)
    centres = {"press-1": fragment_centres()}
    lattices = {"press": fit_lattice(centres["press-1"])}
    pooled, motif = pool(list(lattices.values())), SimpleNamespace(outlines=cone_outlines())
    technique = weigh_technique(list(lattices.values()), None, rng=np.random.default_rng(1), n_calibration=10)
    absent = dict.fromkeys(("colours", "setting", "takeoff", "works"))
    return StudyResult(
        survey=survey,
        rectified={"press-1": plane},
        nets={},
        centres=centres,
        unreviewed=centres,
        merged={"press": centres["press-1"]},
        lattices=lattices,
        pooled=pooled,
        motif=motif,
        technique=technique,
        layout=lay_out(survey.walls, pooled, motif, options=survey.layout),
        placed=(),
        skipped=(),
        provenance={},
        **absent,
    )
