"""Mean over fragments, difference between them, and the interval for a new wall."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from fragkit.lattice import random_effects

REFERENCE = Path(__file__).resolve().parents[1] / "reference" / "variance_components"


@pytest.mark.parametrize(("name", "value", "group"), [("dyestuff", "Yield", "Batch"), ("rail", "travel", "rail")])
def test_the_data_alone_favour_the_published_between_component(name, value, group):
    """REML of Davies and Goldsmith (1972) and Pinheiro and Bates (2000); groups of known variance."""
    with (REFERENCE / f"{name}.csv").open() as file:
        rows = list(csv.DictReader(file))
    labels = np.array([row[group] for row in rows])
    y = np.array([float(row[value]) for row in rows])
    means = np.array([y[labels == g].mean() for g in np.unique(labels)])
    published = json.loads((REFERENCE / "variance_components_reference.json").read_text())[name]
    within = published["derived"]["var_within"] / published["replicates"]
    expected = np.sqrt(published["derived"]["var_between"])
    effects = random_effects(means, np.full(6, within), between_scale=float(expected))
    assert effects.likely_between_sd == pytest.approx(expected, abs=expected * 5.0 / 240.0)  # one node
    assert effects.mean == pytest.approx(published["derived"]["mean"], abs=1e-6)


def test_against_direct_integration():
    """Independent computation: adaptive quadrature of the mixture's distribution function."""
    y, v, scale = np.array([80.1, 80.9, 79.6]), np.array([0.04, 0.09, 0.05]), 0.8

    def joint(tau):
        w = 1.0 / (v + tau**2)
        mean = np.sum(w * y) / np.sum(w)
        log = 0.5 * np.sum(np.log(w)) - 0.5 * np.log(w.sum()) - 0.5 * np.sum(w * (y - mean) ** 2)
        return np.exp(log - 0.5 * (tau / scale) ** 2), mean, 1.0 / w.sum()

    def probability(x, new):
        def part(tau):
            share, mean, var = joint(tau)
            return share * norm.cdf(x, mean, np.sqrt(var + (tau**2 if new else 0.0)))

        return quad(part, 0, 5 * scale)[0] / quad(lambda t: joint(t)[0], 0, 5 * scale)[0]

    effects = random_effects(y, v, between_scale=scale)
    for new, (low, high) in ((False, effects.interval), (True, effects.interval_new)):
        assert probability(low, new) == pytest.approx(0.025, abs=2e-4)
        assert probability(high, new) == pytest.approx(0.975, abs=2e-4)


@pytest.mark.parametrize("n", [1, 2, 3, 5, 10])
def test_the_interval_for_a_new_wall_holds(n):
    """1,500 campaigns: differences from the stated prior, measuring sd 0.05 to 0.3 mm; 95 ± 1.7 % (3 sd)."""
    rng = np.random.default_rng(100 + n)
    inside = inside_new = 0
    for _ in range(1500):
        tau = abs(rng.normal(0.0, 0.8))
        sd = rng.uniform(0.05, 0.3, n)
        y = 80.0 + rng.normal(0.0, tau, n) + rng.normal(0.0, sd)
        effects = random_effects(y, sd**2, between_scale=0.8)
        inside += effects.interval[0] < 80.0 < effects.interval[1]
        inside_new += effects.interval_new[0] < 80.0 + rng.normal(0.0, tau) < effects.interval_new[1]
    assert 0.933 < inside / 1500 < 0.967
    assert 0.933 < inside_new / 1500 < 0.967


def test_one_fragment_falls_back_on_the_prior():
    effects = random_effects(np.array([80.0]), np.array([1e-6]), between_scale=0.8)
    # a normal with half-normal sd: kurtosis, so 95 % lies wider than ± 1.96 rms... checked by simulation
    rng = np.random.default_rng(1)
    draws = rng.normal(0.0, np.abs(rng.normal(0.0, 0.8, 400_000))) + rng.normal(
        0.0, np.abs(rng.normal(0.0, 0.8, 400_000))
    )
    assert effects.between_sd == pytest.approx(0.8 * np.sqrt(2 / np.pi), abs=2e-3)
    assert effects.interval_new[1] - 80.0 > np.quantile(draws, 0.95) * 0.9


def test_a_scale_of_nothing_is_refused():
    with pytest.raises(ValueError, match="between_scale is 0"):
        random_effects(np.array([1.0]), np.array([1.0]), between_scale=0.0)
