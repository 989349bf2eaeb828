"""New work against its layout: exact cases by hand, error rates on simulated walls, the figure and the sheet."""

from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.layout import PlacedCentres
from fragkit.record import compare_as_built, write_as_built
from fragkit.record.as_built import chance_beyond


def wall(n=12):
    """A wall of n × n motifs 100 mm apart."""
    index = np.array([(i, j) for j in range(n) for i in range(n)])
    return SimpleNamespace(
        name="north",
        id=tuple(f"N-r{j:02d}-c{i:02d}" for i, j in index),
        xy_mm=100.0 * index.astype(float),
        across_mm=100.0,
        down_mm=100.0,
    )


def layout(one=None):
    return SimpleNamespace(walls=(one or wall(),))


def placed(xy_mm, *, sd_mm=0.4, status=None):
    n = len(xy_mm)
    return PlacedCentres(
        wall="north", fragment="n", index=np.zeros((n, 2), int), xy_mm=xy_mm, sd_mm=sd_mm,
        status=status or ("seen",) * n,
    )  # fmt: skip


def test_three_motifs_by_hand():
    """Off by 0, by (3, 4) = 5 mm, and by 2 mm, with a tolerance of 2 mm and an sd of 0.1 mm."""
    made = np.array([[0.0, 0.0], [103.0, 4.0], [200.0, 2.0]])
    (found,) = compare_as_built([placed(made, sd_mm=0.1)], layout(), tolerance_mm=2.0)
    assert found.verdict == ("within", "outside", "cannot be told")
    np.testing.assert_allclose(found.distance_mm, [0.0, 5.0, 2.0], rtol=0, atol=1e-12)
    assert found.worst(1) == (("N-r00-c01", pytest.approx(5.0), pytest.approx(0.1)),)
    assert (found.n_missing, found.n_extra) == (0, 0)


def test_missing_and_extra_motifs_are_counted():
    made = np.vstack([wall().xy_mm[:10], [[50.0, 50.0]], [[900.0, 900.0]]])
    status = (*("seen",) * 11, "not there")
    (found,) = compare_as_built([placed(made, status=status)], layout(), tolerance_mm=2.0)
    assert (len(found.id), found.n_missing, found.n_extra) == (10, 1, 1)
    assert "1 are missing and 1 stand where none is laid out" in found.words


def test_the_chance_is_that_of_a_simulated_motif():
    rng = np.random.default_rng(11)
    for distance, sd in ((0.0, 1.0), (1.5, 0.5), (2.0, 1.0), (3.0, 0.8)):
        true = np.hypot(*(np.array([[distance], [0.0]]) + rng.normal(0, sd, (2, 200_000))))
        chance = chance_beyond(np.array([distance]), np.array([sd]), tolerance_mm=2.0)[0]
        assert chance == pytest.approx(np.mean(true > 2.0), abs=0.005)  # 4 sd of the share of 200,000 draws
    at_nought = chance_beyond(np.zeros(1), np.array([1.0]), tolerance_mm=2.0)[0]
    assert at_nought == pytest.approx(np.exp(-2.0), abs=1e-9)  # Rayleigh, by hand
    certain = chance_beyond(np.array([0.0, 1.0, 60.0]), np.full(3, 1e-9), tolerance_mm=2.0)
    np.testing.assert_allclose(certain, [0.0, 0.0, 1.0], rtol=0, atol=1e-9)


def test_verdicts_are_seldom_wrong():
    """A hand of 1.2 mm measured to 0.4 mm: verdicts against the true distance, of 4,000 motifs."""
    rng = np.random.default_rng(12)
    one = wall()
    n_wrong = n_told = 0
    for _ in range(28):
        truth = rng.normal(0, 1.2, one.xy_mm.shape)
        measured = one.xy_mm + truth + rng.normal(0, 0.4, truth.shape)
        (found,) = compare_as_built([placed(measured)], layout(one), tolerance_mm=2.5)
        within = np.hypot(*truth.T) <= 2.5
        told = np.array(found.verdict) != "cannot be told"
        n_told += told.sum()
        n_wrong += (told & ((np.array(found.verdict) == "within") != within)).sum()
    assert n_told > 0.6 * 28 * len(one.id)
    assert n_wrong / n_told < 0.02  # each was told at 95 %; most are told with more


def test_work_that_is_off_as_a_whole_is_said():
    made = wall().xy_mm + [4.0, -1.0]
    (found,) = compare_as_built([placed(made, sd_mm=2.0)], layout(), tolerance_mm=3.0)
    assert "stand +4.0 mm across and -1.0 mm up" in found.notes[0]
    assert "measure where the photograph lies on the wall to 0.6 mm" in found.notes[1]
    assert "As built" in found._repr_html_()


@pytest.mark.parametrize("tolerance_mm", [0.0, -1.0, float("nan")])
def test_a_tolerance_that_means_nothing_is_refused(tolerance_mm):
    with pytest.raises(ValueError, match="give the largest distance in mm that was agreed"):
        compare_as_built([placed(wall().xy_mm)], layout(), tolerance_mm=tolerance_mm)


def test_photographs_of_somewhere_else_are_refused():
    with pytest.raises(EstimationError, match=r"cannot be laid over the layout.*check the fragment's wall and origin"):
        compare_as_built([placed(wall().xy_mm + 5_000.0)], layout(), tolerance_mm=2.0)
    with pytest.raises(ValueError, match=r"Wall 'north' is not in the layout\. It has: south"):
        compare_as_built(
            [placed(wall().xy_mm)],
            layout(SimpleNamespace(**vars(wall()) | {"name": "south"})),
            tolerance_mm=2.0,
        )


def test_the_sheet_shows_the_map_and_the_worst(tmp_path):
    made = wall().xy_mm + np.random.default_rng(13).normal(0, 1.0, wall().xy_mm.shape)
    walls = compare_as_built([placed(made)], layout(), tolerance_mm=2.0)
    write_as_built(walls, tmp_path / "as-built.html", title="Partners' Room")
    text = (tmp_path / "as-built.html").read_text(encoding="utf-8")
    assert walls[0].words in text
    assert walls[0].worst(1)[0][0] in text
    assert "data:image/" in text
    assert "Signature" in text
