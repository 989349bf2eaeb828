import json
from pathlib import Path

import numpy as np
import pytest

from fragkit.works import Drawn, Normal, PositiveRange, Rectangular, propagate

GUM = json.loads(
    (Path(__file__).resolve().parents[1] / "reference/uncertainty/gum_worked_examples.json").read_text("utf-8")
)
S1_9_2 = GUM["S1_9_2_additive"]  # JCGM 101:2008, clause 9.2


def add(**inputs):
    return sum(inputs.values())


def test_additive_normal_inputs():
    spread = propagate(add, {k: Normal(0, 1) for k in "abcd"}, rng=np.random.default_rng(1), n_draws=400_000)
    assert spread.sd == pytest.approx(S1_9_2["normal"]["u"], abs=0.01)
    # sampling error of a 2.5 % point of 400,000 draws is about 0.01
    np.testing.assert_allclose(spread.interval, S1_9_2["normal"]["interval95"], rtol=0, atol=0.03)


@pytest.mark.parametrize(("key", "wide", "atol"), [("rectangular", 1.0, 0.03), ("rectangular_one_wide", 10.0, 0.12)])
def test_additive_rectangular_inputs(key, wide, atol):
    half = np.sqrt(3.0)
    inputs = {name: Rectangular(-half * u, half * u) for name, u in zip("abcd", (1, 1, 1, wide), strict=True)}
    spread = propagate(add, inputs, rng=np.random.default_rng(2), n_draws=400_000)
    assert spread.sd == pytest.approx(S1_9_2[key]["u"], abs=0.03 * wide / 3 + 0.01)
    np.testing.assert_allclose(spread.interval, S1_9_2[key]["interval95"], rtol=0, atol=atol)


def test_logarithm_of_a_rectangular_quantity():
    """NPL report DEM-ES-011 (2006), 9.2: mean -0.665, u 0.606."""
    published = GUM["NPL_log"]["published"]
    inputs = {"x": Rectangular(0.1, 1.1)}
    spread = propagate(lambda x: np.log(x), inputs, rng=np.random.default_rng(3), n_draws=400_000)
    assert spread.mean == pytest.approx(published["mc_mean"], abs=0.004)
    assert spread.sd == pytest.approx(published["mc_u"], abs=0.004)


def calibrated_mass_mg(m, dm, air, weight, reference):
    """Deviation from 100 g of a weight compared in air (JCGM 101:2008, clause 9.3)."""
    return (m + dm) * (1 + (air - 1.2) * (1 / weight - 1 / reference)) - 1e5


MASS_INPUTS = {
    "m": Normal(100000.0, 0.050),
    "dm": Normal(1.234, 0.020),
    "air": Rectangular(1.10, 1.30),
    "weight": Rectangular(7000, 9000),
    "reference": Rectangular(7950, 8050),
}


def test_mass_calibration():
    """JCGM 101:2008, clause 9.3: u(dm) = 0.0754 mg, where the first-order rule gives 0.0539 mg."""
    spread = propagate(calibrated_mass_mg, MASS_INPUTS, rng=np.random.default_rng(4), n_draws=400_000)
    assert spread.sd == pytest.approx(GUM["S1_9_3_mass"]["published"]["u_mcm"], abs=0.002)


def test_positive_range_keeps_its_ends():
    spread = propagate(lambda x: x, {"x": PositiveRange(6, 12)}, rng=np.random.default_rng(5), n_draws=200_000)
    assert (spread.p05, spread.p95) == pytest.approx((6, 12), rel=0.01)
    assert spread.p50 == pytest.approx(np.sqrt(72), rel=0.01)


def test_drivers_are_ranked():
    inputs = {"small": Normal(0, 1), "large": Normal(0, 3), "fixed": Drawn(np.array([5.0]))}
    spread = propagate(add, inputs, rng=np.random.default_rng(6))
    assert [name for name, _ in spread.drivers] == ["large", "small"]
    assert spread.drivers[0][1] == pytest.approx(0.9, abs=0.03)  # 9 parts of 10 of the variance


def test_scaled_keeps_proportion():
    spread = propagate(add, {"a": Normal(10, 1)}, rng=np.random.default_rng(7), unit="h")
    half = spread.scaled(0.5, "days")
    assert (half.p05, half.sd, half.unit) == (0.5 * spread.p05, 0.5 * spread.sd, "days")
    np.testing.assert_allclose(half.interval, 0.5 * spread.interval, rtol=0, atol=1e-12)


@pytest.mark.parametrize("case", GUM["S1_9_4_squared_magnitude"]["cases"], ids=lambda case: f"x1 = {case['x1']}")
def test_squared_magnitude(case):
    """JCGM 101:2008, clause 9.4.2, uncorrelated: a squared offset is biased upward."""
    inputs = {"a": Normal(case["x1"], 0.005), "b": Normal(0.0, 0.005)}
    spread = propagate(lambda a, b: 1e6 * (a**2 + b**2), inputs, rng=np.random.default_rng(9), n_draws=400_000)
    # sampling errors of 400,000 draws: about u / 630 for the mean, twice that for u of these skewed results
    assert spread.mean == pytest.approx(case["exact_mean_1e6"], abs=case["exact_u_1e6"] / 150)
    assert spread.sd == pytest.approx(case["exact_u_1e6"], rel=0.012)


def test_mass_calibration_interval():
    """JCGM 101:2008, 9.3 prints the shortest 95 % interval 1.0834 to 1.3825 mg; this symmetric one equals it."""
    published = GUM["S1_9_3_mass"]["published"]
    spread = propagate(calibrated_mass_mg, MASS_INPUTS, rng=np.random.default_rng(10), n_draws=400_000)
    assert spread.mean == pytest.approx(published["estimate"], abs=0.001)
    # the printed ends scatter by 0.002 mg from trial to trial
    np.testing.assert_allclose(spread.interval, published["shortest95_mcm"], rtol=0, atol=0.004)
