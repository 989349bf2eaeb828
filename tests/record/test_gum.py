"""GUM, Annex H.1: the end gauge, through the code that reports our own uncertainties."""

import json
from pathlib import Path

import numpy as np
import pytest

from fragkit.units import with_sd
from fragkit.works import Drawn, Normal, Rectangular, propagate

H1 = json.loads(
    (Path(__file__).resolve().parents[1] / "reference/uncertainty/gum_worked_examples.json").read_text("utf-8")
)["H1_end_gauge"]
TOL_NM = 0.5  # the reference's own: published to whole nanometres


def length_nm(ls, d0, d1, d2, alpha_s, dalpha, theta_bar, swing, dtheta):
    """Measurement model of JCGM 100:2008, H.1.2, equation H.3."""
    return ls + d0 + d1 + d2 - ls * (dalpha * (theta_bar + swing) + alpha_s * dtheta)


def inputs(rng):
    """The nine inputs of Table H.1; the cyclic temperature is arc-sine."""
    given = H1["inputs"]
    normal = {name: Normal(given[name]["value"], given[name]["u"]) for name in ("ls", "d0", "d1", "d2", "theta_bar")}
    flat = {
        name: Rectangular(
            given[name]["value"] - given[name]["half_width_rectangular"],
            given[name]["value"] + given[name]["half_width_rectangular"],
        )
        for name in ("alpha_s", "dalpha", "dtheta")
    }
    swing = given["Delta"]["half_width_arcsine"] * np.sin(rng.uniform(0, 2 * np.pi, 400_000))
    return normal | flat | {"swing": Drawn(swing)}


@pytest.fixture(scope="module")
def spread():
    rng = np.random.default_rng(20)
    return propagate(length_nm, inputs(rng), rng=rng, n_draws=400_000)


def test_length_and_standard_uncertainty_with_second_order_terms(spread):
    """Published: 50 000 838 nm, 34 nm with the terms of second order (H.1.7), 33.81 before rounding."""
    assert spread.mean == pytest.approx(H1["published"]["l"], abs=TOL_NM)
    assert spread.sd == pytest.approx(H1["derived"]["u_with_second_order"], abs=TOL_NM)
    assert round(spread.sd) == H1["published"]["u_with_second_order"]


def test_standard_uncertainty_of_first_order():
    """Published: 32 nm (H.1.3.5), 31.66 before rounding: the model made linear about the best values."""
    best = {name: given["value"] for name, given in H1["inputs"].items()}
    best["swing"] = best.pop("Delta")
    rng = np.random.default_rng(21)

    def linear(**drawn):
        total = length_nm(**best)
        for name, value in best.items():
            ends = [length_nm(**(best | {name: value + step})) for step in (-1.0, 1.0)]
            slope = 0.5 * (ends[1] - ends[0])  # exact: the model is linear in each input by itself
            total = total + slope * (drawn[name] - value)
        return total

    spread = propagate(linear, inputs(rng), rng=rng, n_draws=400_000)
    assert spread.sd == pytest.approx(H1["derived"]["u_c"], abs=TOL_NM)
    assert round(spread.sd) == H1["published"]["u_c"]


def test_largest_contributions_are_those_of_table_h_1(spread):
    """25 nm from the standard and 16.6 nm from the difference in temperature: 62 and 27 % of 32² nm²."""
    shares = dict(spread.drivers)
    first, second = (name for name, _ in spread.drivers[:2])
    assert (first, second) == ("ls", "dtheta")
    total = H1["derived"]["u_with_second_order"] ** 2
    for name in ("ls", "dtheta"):
        assert shares[name] == pytest.approx(H1["published"]["contributions_nm"][name] ** 2 / total, abs=0.1)


def test_it_is_reported_to_the_digits_that_it_is_worth(spread):
    """JCGM 100:2008, 7.2.6: at most two digits of the uncertainty, the value to the same place."""
    assert with_sd(H1["published"]["l"], spread.sd, "nm") == "50000838 ± 34 nm"
