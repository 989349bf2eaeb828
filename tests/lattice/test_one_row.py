"""The step of a single row: by hand, by simulation under both ways of placing, and refused where there is none."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, fit_row, measure_spacing, residual_variogram


def a_row(rng, *, stepped: bool, n: int = 12, sd_mm: float = 0.5, noise_mm: float = 0.1):
    number = np.arange(n)
    error = rng.normal(0, sd_mm, (n, 2))
    places = np.column_stack([50.0 * number, 1.5 * number]) + (np.cumsum(error, axis=0) if stepped else error)
    kept = rng.random(n) > 0.2
    index = np.column_stack([number + 3, np.full(n, -1)])[kept]
    return (places + rng.normal(0, noise_mm, (n, 2)))[kept], np.tile(noise_mm**2 * np.eye(2), (kept.sum(), 1, 1)), index


def test_an_even_row_has_its_step_exactly():
    number = np.array([0, 1, 2, 4, 7])
    xy = np.column_stack([3.0 + 48.0 * number, 5.0 - 14.0 * number])
    row = fit_row((xy, np.tile(1e-4 * np.eye(2), (5, 1, 1)), np.column_stack([2 * number, number])))
    np.testing.assert_allclose(row.step_mm, [48.0, -14.0], rtol=0, atol=1e-9)  # rounding only
    np.testing.assert_allclose(row.origin_mm, [3.0, 5.0], rtol=0, atol=1e-8)
    assert row.length_mm == pytest.approx(50.0, abs=1e-9)
    assert "mm" in repr(row)
    assert "single row" in row._repr_html_()


@pytest.mark.parametrize("stepped", [False, True], ids=["set out", "stepped off"])
def test_the_interval_of_the_step_holds(stepped):
    """120 rows of some ten motifs, whose way of placing is hard to tell: too wide when set out, right when stepped."""
    rng = np.random.default_rng(8)
    true = np.hypot(50.0, 1.5)
    rows = [fit_row(a_row(rng, stepped=stepped)) for _ in range(120)]
    held = np.mean([abs(row.length_mm - true) < 1.96 * row.length_sd_mm for row in rows])
    print(f"stepped {stepped}: 95 % intervals hold in {held:.3f}")
    assert held >= (0.89 if stepped else 0.95)  # three sds below 0.95
    assert np.median([row.length_sd_mm for row in rows]) < 0.25
    assert abs(np.mean([row.length_mm for row in rows]) - true) < 0.06  # stepped: sd 0.16 of one, 0.01 of the mean


def test_a_net_is_no_row_and_a_row_no_net():
    xy = np.array([[0.0, 0.0], [50.0, 0.0], [0.0, 40.0], [50.0, 40.0]])
    cov = np.tile(0.01 * np.eye(2), (4, 1, 1))
    with pytest.raises(EstimationError, match=r"do not make a row.*in more than one row"):
        fit_row((xy, cov, np.array([[0, 0], [1, 0], [0, 1], [1, 1]])))
    row = a_row(np.random.default_rng(1), stepped=False)
    with pytest.raises(EstimationError, match=r"centres in a single row.*fit_row"):
        fit_lattice(row)


def test_spacing_and_variogram_of_a_row_are_those_along_it():
    """Steps of 50 mm and of 52 mm from the ninth on: the windows see it; across a row there is nothing to see."""
    number = np.arange(16)
    x = 50.0 * number + 2.0 * np.maximum(number - 8, 0)
    xy = np.column_stack([x, 0.0 * x]) + np.random.default_rng(3).normal(0, 0.05, (16, 2))
    row = fit_row((xy, np.tile(0.01 * np.eye(2), (16, 1, 1)), np.column_stack([number, 0 * number])))
    spacing = measure_spacing(row)
    assert spacing.columns is None
    np.testing.assert_allclose(spacing.rows.spacing_mm[[0, -1]], [50.0, 52.0], rtol=0, atol=0.2)  # 0.07 mm of a pair
    assert residual_variogram(row, along="rows").lag.tolist()[0] == 1
    with pytest.raises(EstimationError, match="no variogram along the columns"):
        residual_variogram(row, along="columns")
