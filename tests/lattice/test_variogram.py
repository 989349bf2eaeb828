"""Variograms against published ones, by hand, and on nets whose placing errors are known."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares as minimise

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, residual_variogram, semivariogram
from fragkit.placing import OnLines, SteppedOff, draw

MEUSE = Path(__file__).resolve().parents[1] / "reference" / "geostatistics"
FACTS = json.loads((MEUSE / "meuse_reference.json").read_text())
SQUARE = np.array([[85.0, 0.0], [0.0, 85.0]])


def _rows(name):
    with (MEUSE / name).open() as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def _meuse(**options):
    rows = _rows("meuse.csv")
    places = np.array([[row["x"], row["y"]] for row in rows])
    zinc = np.log([row["zinc"] for row in rows])
    return semivariogram(places, zinc, bin_width=FACTS["bin_width_m"], cutoff=FACTS["cutoff_m"], **options)


def _agree(found, published):
    np.testing.assert_array_equal(found.n_pairs, [row["np"] for row in published])
    np.testing.assert_allclose(found.distance, [row["dist"] for row in published], rtol=0, atol=1e-6)  # m
    np.testing.assert_allclose(found.semivariance, [row["gamma"] for row in published], rtol=0, atol=1e-9)


def test_the_published_variogram_of_the_meuse():
    """ln zinc of the Meuse flood plain, Burrough and McDonnell (1998); table by gstat, Pebesma (2004)."""
    _agree(_meuse(), _rows("meuse_log_zinc_variogram.csv"))


@pytest.mark.parametrize("clockwise_from_north", [0, 45, 90, 135])
def test_the_published_variogram_of_the_meuse_in_four_directions(clockwise_from_north):
    table = _rows("meuse_log_zinc_directional_variogram.csv")
    published = [row for row in table if row["dir.hor"] == clockwise_from_north]
    _agree(_meuse(direction_deg=90.0 - clockwise_from_north), published)


def test_the_published_model_fits_the_variogram():
    """Nugget 0.0507, partial sill 0.5906, range 897.02 m, weights N/h²; gstat prints them to that."""
    found = _meuse()

    def misfit(nugget, sill, reach):
        h = np.minimum(found.distance / reach, 1.0)
        model = nugget + sill * (1.5 * h - 0.5 * h**3)
        return (found.semivariance - model) * np.sqrt(found.n_pairs) / found.distance

    fit = minimise(lambda p: misfit(p[0], p[1], 1000.0 * p[2]), [0.1, 0.5, 0.8], xtol=1e-12, ftol=1e-12)
    published = FACTS["fit"]["published"]
    np.testing.assert_allclose(fit.x[:2], [published["nugget"], published["partial_sill"]], rtol=0, atol=1e-4)
    assert 1000.0 * fit.x[2] == pytest.approx(published["range"], abs=0.1)  # m


def test_three_places_by_hand():
    found = semivariogram(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]), [0.0, 2.0, 6.0], bin_width=1.0, cutoff=2.0)
    np.testing.assert_allclose(found.semivariance, [(2.0 + 8.0) / 2.0, 18.0], rtol=0, atol=1e-12)
    np.testing.assert_array_equal(found.n_pairs, [2, 1])
    with pytest.raises(ValueError, match="bin_width is 3 and cutoff 2"):
        semivariogram(np.zeros((2, 2)), np.zeros(2), bin_width=3.0, cutoff=2.0)


def _lattice(process, seed, columns=9, rows=6, missing=0.2):
    rng = np.random.default_rng(seed)
    index = np.array([[i, j] for i in range(columns) for j in range(rows)])
    index = index[rng.random(len(index)) > missing]
    xy = index @ SQUARE + draw(process, index, index @ SQUARE, rng=rng) + rng.normal(0.0, 0.15, index.shape)
    return fit_lattice((xy, np.tile(np.eye(2) * 0.15**2, (len(index), 1, 1)), index))


def test_residuals_by_hand():
    """Independent computation: pair by pair over the rows of a square net."""
    lattice = _lattice(OnLines(sd_x_mm=0.6, sd_y_mm=0.3), 1)
    found = residual_variogram(lattice)
    squares = [
        0.5 * (lattice.residuals_mm[p] - lattice.residuals_mm[q]) ** 2
        for p in range(lattice.n_centres)
        for q in range(p)
        if lattice.index[p, 1] == lattice.index[q, 1] and abs(lattice.index[p, 0] - lattice.index[q, 0]) == 2
    ]
    np.testing.assert_allclose(
        found.semivariance_mm2[1], np.mean(squares, axis=0), rtol=0, atol=0.02
    )  # net 0.3° turned
    assert found.n_pairs[1] == len(squares)
    np.testing.assert_allclose(found.measured_mm2, 0.15**2, rtol=0, atol=1e-9)  # exact: independent, equal
    assert "stays level" in found.text


@pytest.mark.parametrize(
    ("process", "words"),
    [
        (OnLines(sd_x_mm=0.6, sd_y_mm=0.6), "stays level"),
        (SteppedOff(step_sd_mm=0.6, start_sd_mm=0.6), "errors add up"),
    ],
    ids=["lines", "stepped"],
)
def test_the_variogram_tells_errors_that_add_up(process, words):
    """10 nets: the fitted scatter explains the variogram, a little too large where its kind is in doubt."""
    found = [residual_variogram(_lattice(process, seed)) for seed in range(10)]
    pulls = np.concatenate([((f.semivariance_mm2 - f.expected_mm2) / f.sd_mm2)[:4].ravel() for f in found])
    assert abs(np.mean(pulls)) < 0.6
    assert 0.5 < np.std(pulls) < 1.3
    assert sum(words in f.text for f in found) >= 7
    assert sum("explains every distance" in f.text for f in found) >= 8
    columns = residual_variogram(_lattice(process, 1), along="columns")
    assert "along the columns" in columns.text
    assert "along columns" in repr(columns)
    assert "Variogram along the columns" in columns._repr_html_()


def test_too_few_motifs_in_a_line_are_refused():
    lattice = _lattice(OnLines(sd_x_mm=0.5, sd_y_mm=0.5), 3, columns=2, rows=3, missing=0.0)
    with pytest.raises(EstimationError, match="no variogram along the rows"):
        residual_variogram(lattice)
    with pytest.raises(ValueError, match="along is 'up'"):
        residual_variogram(lattice, along="up")
