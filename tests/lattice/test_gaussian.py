"""Least squares and restricted likelihood against certified and published numbers."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM

from fragkit.errors import EstimationError
from fragkit.lattice import (
    free_contrasts,
    least_squares,
    restricted_log_likelihood,
    shared_kernel,
    walk_kernel,
)

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
CERTIFIED = json.loads((REFERENCE / "nist" / "strd_certified.json").read_text())["data"]
COMPONENTS = json.loads((REFERENCE / "variance_components" / "variance_components_reference.json").read_text())


def _rows(path):
    with path.open() as file:
        return list(csv.DictReader(file))


def _nist(name):
    rows = _rows(REFERENCE / "nist" / f"{name}.csv")
    y = np.array([float(row["y"]) for row in rows])
    if name == "longley":
        x = np.array([[float(row[f"x{k}"]) for k in range(1, 7)] for row in rows])
        return y, np.column_stack([np.ones(len(y)), x])
    x = np.array([float(row["x"]) for row in rows])
    first, last = {"norris": (0, 1), "pontius": (0, 2), "noint1": (1, 1), "wampler1": (0, 5)}[name]
    return y, np.column_stack([x**power for power in range(first, last + 1)])


@pytest.mark.parametrize(
    ("name", "rtol"),
    [("norris", 1e-10), ("pontius", 1e-9), ("noint1", 1e-12), ("wampler1", 1e-8), ("longley", 1e-9)],
)
def test_least_squares_gives_the_certified_coefficients(name, rtol):
    """NIST StRD, linear regression, https://www.itl.nist.gov/div898/strd/."""
    y, design = _nist(name)
    beta, cov = least_squares(y, design, np.ones(len(y)))
    certified = np.array([float(v) for v in CERTIFIED[name]["beta"]])
    np.testing.assert_allclose(beta, certified, rtol=rtol)  # relative: coefficients span 20 decades
    residual_sd = np.sqrt(np.sum((y - design @ beta) ** 2) / (len(y) - design.shape[1]))
    if name != "wampler1":  # its residuals are exactly 0
        sd = residual_sd * np.sqrt(np.diag(cov))
        np.testing.assert_allclose(sd, [float(v) for v in CERTIFIED[name]["sd"]], rtol=1e-7)


def test_weights_and_covariance_by_hand():
    """Two readings of one length, sd 1 and 2: weights 0.8 and 0.2, variance 0.8."""
    mean, cov = least_squares(np.array([10.0, 15.0]), np.ones((2, 1)), np.array([1.0, 4.0]))
    np.testing.assert_allclose([mean[0], cov[0, 0]], [11.0, 0.8], rtol=0, atol=1e-12)  # exact arithmetic
    again, same = least_squares(np.array([10.0, 15.0]), np.ones((2, 1)), np.diag([1.0, 4.0]))
    np.testing.assert_allclose([again[0], same[0, 0]], [11.0, 0.8], rtol=0, atol=1e-12)


def test_an_undetermined_design_is_refused():
    with pytest.raises(EstimationError, match="do not determine all parameters"):
        least_squares(np.arange(4.0), np.column_stack([np.ones(4), np.full(4, 2.0)]), np.ones(4))
    with pytest.raises(EstimationError, match="no influence"):
        least_squares(np.arange(4.0), np.column_stack([np.ones(4), np.zeros(4)]), np.ones(4))


def test_published_sd_of_a_lattice_vector():
    """sd(a) = σ √(12 / (m n (m² − 1))) on a full m × n grid: variance of a slope, any textbook."""
    for m, n in ((4, 3), (8, 6), (10, 10)):
        i, j = np.meshgrid(np.arange(m), np.arange(n))
        design = np.column_stack([np.ones(m * n), i.ravel(), j.ravel()])
        _, cov = least_squares(np.zeros(m * n), design, np.ones(m * n))
        expected = np.sqrt([12.0 / (m * n * (m**2 - 1)), 12.0 / (m * n * (n**2 - 1))])
        np.testing.assert_allclose(np.sqrt(np.diag(cov))[1:], expected, rtol=0, atol=1e-12)


def test_accumulated_errors_make_a_vector_three_times_less_sure():
    """10 rows of 10 sites stepped off: only the ends count, so sd(a) = √(1/9/10) steps, not 0.035."""
    i, j = np.meshgrid(np.arange(10), np.arange(10))
    sites = np.column_stack([i.ravel(), j.ravel()])
    design = np.column_stack([np.ones(100), sites])
    walk = walk_kernel(sites, along="rows", start_ratio=1e3) + 1e-9 * np.eye(100)
    _, cov = least_squares(np.zeros(100), design, walk)
    assert np.sqrt(cov[1, 1]) == pytest.approx(np.sqrt(1.0 / 90.0), abs=2e-4)


def _reml(y, design, kernels, start):
    def loss(log_sd):
        total = sum(np.exp(2.0 * s) * k for s, k in zip(log_sd, kernels, strict=True))
        return -restricted_log_likelihood(y, design, total)

    best = minimize(loss, np.log(start), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    return np.exp(2.0 * best.x)


@pytest.mark.parametrize(("name", "value", "group"), [("dyestuff", "Yield", "Batch"), ("rail", "travel", "rail")])
def test_restricted_likelihood_gives_the_published_components(name, value, group):
    """Davies and Goldsmith (1972) Table 6.4; Pinheiro and Bates (2000) sec. 1.1."""
    rows = _rows(REFERENCE / "variance_components" / f"{name}.csv")
    y = np.array([float(row[value]) for row in rows])
    groups = np.unique([row[group] for row in rows], return_inverse=True)[1]
    kernels = [shared_kernel(groups), np.eye(len(y))]
    between, within = _reml(y, np.ones((len(y), 1)), kernels, [20.0, 20.0])
    expected = COMPONENTS[name]["derived"]
    np.testing.assert_allclose([between, within], [expected["var_between"], expected["var_within"]], rtol=1e-4)
    judge = MixedLM(y, np.ones((len(y), 1)), groups).fit(reml=True)
    ours = restricted_log_likelihood(
        y, np.ones((len(y), 1)), float(judge.cov_re[0, 0]) * kernels[0] + judge.scale * kernels[1]
    )
    # statsmodels leaves out +½ ln|XᵀX|, here ½ ln n
    assert ours == pytest.approx(judge.llf + 0.5 * np.log(len(y)), abs=1e-6)


def test_restricted_likelihood_on_nested_groups():
    """Pastes, Davies and Goldsmith (1972) Table 6.5: batches, casks within batches, tests."""
    rows = _rows(REFERENCE / "variance_components" / "pastes.csv")
    y = np.array([float(row["strength"]) for row in rows])
    batch = np.unique([row["batch"] for row in rows], return_inverse=True)[1]
    cask = np.unique([row["batch"] + row["cask"] for row in rows], return_inverse=True)[1]
    kernels = [shared_kernel(batch), shared_kernel(cask), np.eye(len(y))]
    found = _reml(y, np.ones((len(y), 1)), kernels, [1.0, 2.0, 1.0])
    published = COMPONENTS["pastes"]["published"]
    expected = [published["var_batch"], published["var_cask_in_batch"], published["var_test"]]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1.5e-3)  # printed to three decimals


def test_restricted_likelihood_does_not_depend_on_the_basis():
    rng = np.random.default_rng(0)
    design = rng.normal(size=(20, 3))
    y, root = rng.normal(size=20), rng.normal(size=(20, 20))
    covariance = root @ root.T + np.eye(20)
    change = np.array([[2.0, 1.0, 0.0], [0.0, 1.0, 3.0], [1.0, 0.0, -1.0]])
    first = restricted_log_likelihood(y, design, covariance)
    assert restricted_log_likelihood(y, design @ change, covariance) == pytest.approx(first, abs=1e-9)
    contrasts = free_contrasts(design)
    values, projected = contrasts.T @ y, contrasts.T @ covariance @ contrasts
    density = -0.5 * (
        17 * np.log(2 * np.pi) + np.linalg.slogdet(projected)[1] + values @ np.linalg.solve(projected, values)
    )
    assert first == pytest.approx(density, abs=1e-9)


def test_a_published_random_walk_is_told_from_independent_errors():
    """NIST/SEMATECH e-Handbook 1.4.2.3: 500 values of a random walk; its differences are independent."""
    y = np.array([float(row["y"]) for row in _rows(REFERENCE / "nist" / "randwalk.csv")])[:200]
    step_sd = json.loads((REFERENCE / "nist" / "random_walk_reference.json").read_text())["derived"][
        "sd_of_differences"
    ]

    def gain(values, walk_sd):
        sites = np.column_stack([np.arange(len(values)), np.zeros(len(values), int)])
        walk = walk_sd**2 * walk_kernel(sites, along="rows")
        design = np.column_stack([np.ones(len(values)), np.arange(len(values))])
        free = np.var(values - design @ np.linalg.lstsq(design, values, rcond=None)[0])
        return restricted_log_likelihood(values, design, walk) - restricted_log_likelihood(
            values, design, free * np.eye(len(values))
        )

    assert gain(y, step_sd) > 100.0
    assert gain(np.diff(y), step_sd) < -50.0
