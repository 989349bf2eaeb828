"""The net of one fragment: exact nets, error bars under each way of placing, strays, drift."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import columns_and_rows, fit_lattice, least_squares
from fragkit.placing import ContinuousPrint, OnLines, RigidGroups, SteppedOff, draw

HALF_DROP = np.array([[80.0, 0.0], [40.0, 90.0]])
SQUARE = np.array([[85.0, 0.0], [0.0, 85.0]])


def _sites(rng, columns=7, rows=6, missing=0.25):
    i, j = np.meshgrid(np.arange(columns), np.arange(rows))
    index = np.column_stack([i.ravel(), j.ravel()])
    return index[rng.random(len(index)) > missing]


def _observe(rng, process, *, basis=HALF_DROP, index=None, sd_mm=0.2):
    index = _sites(rng) if index is None else index
    ideal = index @ basis
    sites = columns_and_rows(basis[0], basis[1], index)
    xy = ideal + draw(process, sites, ideal, rng=rng) + rng.normal(0.0, sd_mm, ideal.shape)
    return xy, np.tile(np.eye(2) * sd_mm**2, (len(index), 1, 1)), index


def test_an_exact_net_comes_back():
    index = np.array([[i, j] for i in range(-2, 4) for j in range(5)])
    xy = np.array([12.0, -7.0]) + index @ HALF_DROP
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.01, (30, 1, 1)), index))
    np.testing.assert_allclose(lattice.a_mm, HALF_DROP[0], rtol=0, atol=1e-6)  # exact data
    np.testing.assert_allclose(lattice.b_mm, HALF_DROP[1], rtol=0, atol=1e-6)
    np.testing.assert_allclose(lattice.origin_mm, [12.0, -7.0], rtol=0, atol=1e-5)
    np.testing.assert_allclose(lattice.residuals_mm, 0.0, atol=1e-5)
    assert lattice.net_type == "centred"
    assert lattice.drift.kind == "none"
    assert not lattice.a_mm.flags.writeable
    assert "centred" in repr(lattice)
    assert "Net of the fragment" in lattice._repr_html_()


def test_residuals_add_up_to_the_positions():
    rng = np.random.default_rng(3)
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.7, sd_y_mm=0.7))
    lattice = fit_lattice((xy, cov, index))
    rebuilt = lattice.origin_mm + index @ np.array([lattice.a_mm, lattice.b_mm]) + lattice.residuals_mm
    np.testing.assert_allclose(rebuilt, xy, rtol=0, atol=1e-9)  # identity


def test_independent_scatter_is_close_to_ordinary_least_squares():
    """Independent computation: ordinary least squares on the same sites, and its textbook sd."""
    rng = np.random.default_rng(11)
    index = np.array([[i, j] for i in range(10) for j in range(8)])
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.7, sd_y_mm=0.7), index=index)
    lattice = fit_lattice((xy, cov, index))
    design = np.column_stack([np.ones(len(index)), index])
    ordinary = np.linalg.lstsq(design, xy, rcond=None)[0]
    np.testing.assert_allclose(lattice.a_mm, ordinary[1], rtol=0, atol=0.03)  # mm; far below one sd of 0.04
    sd = np.sqrt(0.7**2 + 0.2**2) * np.sqrt(12.0 / (80 * 99))
    ratio = np.sqrt(np.diag(lattice.vectors_cov))[:2] / sd
    assert np.all((ratio > 0.8) & (ratio < 1.7))
    assert lattice.residual_sd_mm == pytest.approx(0.7, abs=0.12)


@pytest.mark.parametrize(
    "process",
    [
        OnLines(sd_x_mm=0.7, sd_y_mm=0.7),
        OnLines(sd_x_mm=0.7, sd_y_mm=0.25),
        SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7),
        SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7, along="columns"),
        RigidGroups(
            columns=3,
            rows=2,
            shift_sd_mm=0.7,
            turn_sd_rad=0.003,
            seat_sd_mm=0.08,
            own_sd_mm=0.04,
            phase=(1, 1),
        ),
        ContinuousPrint(swing_sd_mm=0.7, stretch_sd_ratio=0.004, own_sd_mm=0.04, correlation_mm=200.0),
    ],
    ids=["lines", "snapped", "rows", "columns", "plate", "print"],
)
def test_intervals_hold_under_each_placing(process):
    """14 sets, 56 intervals of 95 %: fewer than 80 % holding, or z far from 1, would be a defect."""
    rng = np.random.default_rng(21)
    z = []
    for _ in range(14):
        lattice = fit_lattice(_observe(rng, process))
        error = np.concatenate([lattice.a_mm, lattice.b_mm]) - HALF_DROP.ravel()
        z.append(error / np.sqrt(np.diag(lattice.vectors_cov)))
    z = np.array(z)
    assert np.mean(np.abs(z) < 1.96) > 0.80
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.4


def test_ordinary_error_bars_would_be_too_small_under_stepping():
    """10 × 10 sites stepped off: sd of a three times that of independent errors of the same size."""
    rng = np.random.default_rng(5)
    index = np.array([[i, j] for i in range(10) for j in range(10)])
    xy, cov, index = _observe(rng, SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7), basis=SQUARE, index=index, sd_mm=0.1)
    lattice = fit_lattice((xy, cov, index))
    design = np.column_stack([np.ones(100), index])
    _, unit = least_squares(xy[:, 0], design, np.ones(100))
    independent = 0.7 * np.sqrt(unit[1, 1])
    assert lattice.scatter_support["stepped along rows"] > 0.9
    stated = np.sqrt(lattice.vectors_cov[0, 0])
    assert stated > 2.5 * independent
    # generalised least squares on complete rows: √(1/9/10) steps, row starts known to one step
    assert stated == pytest.approx(0.7 * np.sqrt(1.0 / 90.0), rel=0.15)


def test_what_the_plane_shares_is_in_the_covariance():
    """A plane with an unsure scale of 1 ‰ puts 1 ‰ of the repeat into the sd of the vectors."""
    rng = np.random.default_rng(8)
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.1, sd_y_mm=0.1), sd_mm=0.05)
    scaling = (0.001 * (xy - xy.mean(axis=0))).ravel()
    plane = np.outer(scaling, scaling)
    whole = cov + np.array([plane[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(len(cov))])
    sure = fit_lattice((xy, cov, index))
    unsure = fit_lattice((xy, whole, index), plane_covariance=lambda _: plane)
    added = unsure.vectors_cov[0, 0] - sure.vectors_cov[0, 0]
    assert np.sqrt(added) == pytest.approx(0.08, abs=0.01)
    with pytest.raises(ValueError, match="plane_covariance is"):
        fit_lattice((xy, cov, index), plane_covariance=np.eye(3))


def test_a_stray_counts_for_less_and_is_named():
    rng = np.random.default_rng(2)
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.5, sd_y_mm=0.5))
    clean = fit_lattice((xy, cov, index))
    xy = xy.copy()
    xy[0] += [9.0, -8.0]
    lattice = fit_lattice((xy, cov, index))
    design = np.column_stack([np.ones(len(index)), index])
    ordinary = np.linalg.lstsq(design, xy, rcond=None)[0]
    moved = np.abs(lattice.a_mm - clean.a_mm).max()
    assert moved < 0.4 * np.abs(ordinary[1] - clean.a_mm).max()
    assert any("stray" in note and str(tuple(index[0].tolist())) in note for note in lattice.notes)


@pytest.mark.parametrize(
    ("kind", "along", "size"), [("growth", "rows", 0.35), ("bow", "rows", 4.0), ("fan", "rows", 0.14)]
)
def test_a_clear_drift_is_named_with_its_size(kind, along, size):
    rng = np.random.default_rng(4)
    index = _sites(rng, columns=9, rows=6, missing=0.2)
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.4, sd_y_mm=0.4), basis=SQUARE, index=index, sd_mm=0.1)
    u, v = (index - index.mean(axis=0)).T
    shift = {
        "growth": np.column_stack([0.5 * size * u**2, 0 * u]),
        "bow": np.column_stack([0 * u, -4.0 * size * u**2 / 64.0]),
        "fan": np.column_stack([0 * u, np.radians(size) * 85.0 * u * v]),
    }[kind]
    drift = fit_lattice((xy + shift, cov, index)).drift
    assert (drift.kind, drift.along, drift.distinguishable) == (kind, along, True)
    assert abs(drift.value - size) < 4.0 * drift.sd
    assert drift.sd < size / 3.0


def test_a_growth_that_the_plane_may_have_made_is_not_stated():
    """The same growth where the plane is unsure by as much: below the photograph's own budget."""
    rng = np.random.default_rng(4)
    index = _sites(rng, columns=9, rows=6, missing=0.2)
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.4, sd_y_mm=0.4), basis=SQUARE, index=index, sd_mm=0.1)
    u = index[:, 0] - index[:, 0].mean()
    field = np.column_stack([0.5 * 0.35 * u**2, 0 * u])
    plane = np.outer(field.ravel(), field.ravel())
    whole = cov + np.array([plane[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(len(cov))])
    grown = fit_lattice((xy + field, cov, index)).drift
    assert grown.kind == "growth"
    assert "none, or another" in grown._repr_html_()
    drift = fit_lattice((xy + field, whole, index), plane_covariance=plane).drift
    assert drift.kind == "none"
    assert "not distinguishable" in drift.text
    assert drift.support < 0.5  # weighed against what the plane itself would put there
    assert "Drift" in drift._repr_html_()
    assert "<svg" not in drift._repr_html_()  # there is nothing to draw


@pytest.mark.parametrize("shape", [(2, 2), (3, 2), (2, 4), (5, 2)])
def test_small_fragments_are_fitted_without_a_drift(shape):
    rng = np.random.default_rng(1)
    index = np.array([[i, j] for i in range(shape[0]) for j in range(shape[1])])
    lattice = fit_lattice(_observe(rng, OnLines(sd_x_mm=0.5, sd_y_mm=0.5), index=index))
    assert lattice.drift.kind == "none"
    assert np.all(np.linalg.eigvalsh(lattice.cov) > 0)
    assert any("error bars rest on assumptions" in note for note in lattice.notes)


@pytest.mark.parametrize(
    "index", [[[0, 0], [1, 0], [0, 1]], [[0, 0], [1, 1], [2, 2], [3, 3], [5, 5]]], ids=["three", "one line"]
)
def test_too_few_centres_are_refused(index):
    index = np.array(index)
    with pytest.raises(EstimationError, match="do not determine a net"):
        fit_lattice((index @ SQUARE, np.tile(np.eye(2), (len(index), 1, 1)), index))


def test_weighted_fit_agrees_with_a_direct_solution():
    """Independent computation: without placing scatter the fit is least squares weighted by measurement."""
    rng = np.random.default_rng(9)
    index = np.array([[i, j] for i in range(6) for j in range(6)])
    sd = rng.uniform(0.1, 0.6, 36)
    xy = index @ SQUARE + rng.normal(size=(36, 2)) * sd[:, None]
    lattice = fit_lattice((xy, np.eye(2) * (sd**2)[:, None, None], index))
    direct, _ = least_squares(xy[:, 0], np.column_stack([np.ones(36), index]), sd**2)
    assert abs(lattice.a_mm[0] - direct[1]) < 0.5 * np.sqrt(lattice.vectors_cov[0, 0])


def test_lengths_of_paper_stretched_differently_are_told():
    """Beyond column 4 of ten the rows stand 0.6 mm farther apart."""
    rng = np.random.default_rng(7)
    index = np.array([[i, j] for i in range(10) for j in range(7)])
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.4, sd_y_mm=0.4), basis=SQUARE, index=index, sd_mm=0.1)
    shift = np.column_stack([np.zeros(len(index)), 0.6 * (index[:, 0] > 4) * (index[:, 1] - 3.0)])
    drift = fit_lattice((xy + shift, cov, index)).drift
    assert (drift.kind, drift.along, drift.seam, drift.unit) == ("stretch", "rows", 4, "mm per motif")
    assert abs(drift.value - 0.6) < 3.0 * drift.sd
    assert "the spacing from row to row changes by 0.6" in drift.text


@pytest.mark.parametrize(("kind", "shift"), [("jump", [2.5, 0.0]), ("strip", [1.5, 0.0])])
def test_a_seam_between_columns_is_found_with_its_size(kind, shift):
    """Beyond column 4 of ten the net stands 2.5 mm aside, or its spacing is 1.5 mm larger."""
    rng = np.random.default_rng(6)
    index = np.array([[i, j] for i in range(10) for j in range(7)])
    xy, cov, index = _observe(rng, OnLines(sd_x_mm=0.4, sd_y_mm=0.4), basis=SQUARE, index=index, sd_mm=0.1)
    beyond = np.maximum(index[:, 0] - 4.5, 0.0) if kind == "strip" else index[:, 0] > 4
    drift = fit_lattice((xy + np.outer(beyond, shift), cov, index)).drift
    assert (drift.kind, drift.along, drift.seam) == (kind, "rows", 4)
    assert abs(drift.value - shift[0]) < 3.0 * drift.sd
    assert "seam after column 4" in drift.text
