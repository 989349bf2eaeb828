"""Local spacing by centres and by windows of the picture: exact, by simulation, and against each other."""

import numpy as np
import pytest
from painted import paint

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, measure_spacing
from fragkit.lattice.spacing import Growth

RECTANGLE = np.array([[85.0, 0.0], [0.0, 70.0]])
HALF_DROP = np.array([[80.0, 0.0], [40.0, 65.0]])


def _index(columns=8, rows=6):
    return np.array([[i, j] for i in range(columns) for j in range(rows)])


def _lattice(xy_mm, index, rng, sd_mm=0.15):
    found = xy_mm + rng.normal(0.0, sd_mm, xy_mm.shape)
    return fit_lattice((found, np.tile(np.eye(2) * sd_mm**2, (len(index), 1, 1)), index))


def _grown(index, basis, growth_mm):
    u = index[:, 0] - index[:, 0].mean()
    return index @ basis + np.column_stack([0.5 * growth_mm * u**2, 0.0 * u])


def test_windows_of_an_exact_net_by_hand():
    """Spacing 85 + 0.4 (k + ½ − 3.5) between columns k and k + 1: windows of 3 hold two steps."""
    index = _index()
    spacing = measure_spacing(_lattice(_grown(index, RECTANGLE, 0.4), index, np.random.default_rng(1), 1e-4))
    np.testing.assert_allclose(spacing.rows.place, np.arange(1.0, 7.0), rtol=0, atol=1e-12)
    expected = 85.0 + 0.4 * (spacing.rows.place - 3.5)
    np.testing.assert_allclose(spacing.rows.spacing_mm, expected, rtol=0, atol=1e-3)  # centres known to 0.1 µm
    np.testing.assert_allclose(spacing.columns.spacing_mm, 70.0, rtol=0, atol=1e-3)
    np.testing.assert_array_equal(spacing.rows.n_pairs, 12)
    assert spacing.rows.growth.value == pytest.approx(0.4, abs=1e-3)
    assert spacing.rows.agree is None
    assert "changes by 0.40" in spacing.rows.text
    assert "one field through all centres gives 0.40" in spacing.rows.text
    assert "Local spacing" in spacing._repr_html_()


@pytest.mark.parametrize("basis", [RECTANGLE, HALF_DROP], ids=["rectangular", "half-drop"])
def test_the_picture_sees_the_same_spacing(basis):
    """Independent computation: the true mean distance of neighbours in each window."""
    rng = np.random.default_rng(3)
    index = _index()
    xy = index @ basis + rng.normal(0.0, 0.5, index.shape)
    spacing = measure_spacing(_lattice(xy, index, rng), pictures=[paint(xy, rng)])
    grid = xy.reshape(8, 6, 2)
    by_step = np.diff(grid[:, :, 1], axis=1).mean(axis=0)  # from row to row
    true = [np.mean(by_step[k : k + 2]) for k in range(4)]
    np.testing.assert_allclose(spacing.columns.spacing_mm, true, rtol=0, atol=0.15)  # 3 sd of the centres
    np.testing.assert_allclose(spacing.columns.picture_spacing_mm, true, rtol=0, atol=0.25)  # half a picture pixel
    assert spacing.rows.agree
    assert "the two views agree" in spacing.rows.text
    assert spacing.notes == ()
    assert spacing.columns.agree
    assert "by the picture itself" in spacing.rows.text


def test_growth_is_seen_by_both_views_and_their_errors_hold():
    """6 pictures of 0.5 mm per motif at 0.4 mm scatter: bias below a tenth, pulls of both views near 1."""
    index, values, pulls, gaps = _index(), [], [], []
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        xy = _grown(index, RECTANGLE, 0.5) + rng.normal(0.0, 0.4, index.shape)
        rows = measure_spacing(_lattice(xy, index, rng), pictures=[paint(xy, rng)]).rows
        values.append((rows.growth.value, rows.picture_growth.value))
        pulls.append([(one.value - 0.5) / one.sd for one in (rows.growth, rows.picture_growth)])
        gaps.append(rows.difference.value / rows.difference.sd)
    np.testing.assert_allclose(np.mean(values, axis=0), 0.5, rtol=0, atol=0.06)  # mm per motif; 2 sd of the mean
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    assert np.all((spread > 0.5) & (spread < 1.9)), spread
    assert np.sqrt(np.mean(np.square(gaps))) < 2.0


def test_views_that_differ_are_said_to_differ():
    """The centres say growth, the picture shows none: as after a slip in the centres."""
    rng = np.random.default_rng(5)
    index = _index()
    xy = index @ RECTANGLE + rng.normal(0.0, 0.2, index.shape)
    wrong = _grown(index, RECTANGLE, 1.0) + (xy - index @ RECTANGLE)
    spacing = measure_spacing(_lattice(wrong, index, rng), pictures=[paint(xy, rng)])
    rows = spacing.rows
    assert rows.agree is False
    assert rows.difference.value == pytest.approx(-1.0, abs=0.2)
    assert "the two views differ by" in rows.text
    (note,) = spacing.notes
    assert "change of the spacing along the rows" in note


def test_what_lies_below_the_photograph_is_not_distinguishable():
    """A plane that may itself put 1 mm per motif there: the growth of 0.4 found is not the maker's."""
    rng = np.random.default_rng(6)
    index = _index()
    xy = _grown(index, RECTANGLE, 0.4)
    field = (_grown(index, RECTANGLE, 1.0) - index @ RECTANGLE).ravel()
    plane = np.outer(field, field)
    cov = np.tile(np.eye(2) * 0.01, (len(index), 1, 1)) + [
        plane[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(48)
    ]
    lattice = fit_lattice((xy + rng.normal(0.0, 0.1, xy.shape), cov, index), plane_covariance=plane)
    rows = measure_spacing(lattice).rows
    assert rows.photograph_growth_sd == pytest.approx(1.0, abs=0.1)
    assert "not distinguishable: the photograph's own error is 1" in rows.text


def test_small_fragments_and_bad_windows_are_refused():
    index = _index(3, 2)
    lattice = _lattice(index @ RECTANGLE, index, np.random.default_rng(7))
    with pytest.raises(EstimationError, match="too small for a local spacing"):
        measure_spacing(lattice)
    with pytest.raises(ValueError, match="window_motifs is 1"):
        measure_spacing(lattice, window_motifs=1)
    assert str(Growth(value=0.123, sd=0.04)) == "0.12 ± 0.04 mm per motif"
