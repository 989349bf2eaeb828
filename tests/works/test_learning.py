import csv
import json
from pathlib import Path

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.works import fit_learning, minutes_of

REFERENCE = Path(__file__).resolve().parents[1] / "reference" / "learning_curve"


def test_unit_table_of_wrights_curve():
    """Wright (1936), unit model of Crawford (1944); computed, the 80 % rows agree with textbooks."""
    with (REFERENCE / "wright_unit_table.csv").open(encoding="utf-8") as stream:
        rows = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(stream)]
    assert len(rows) > 100
    for row in rows:
        n = np.arange(1, int(row["unit"]) + 1)
        times = minutes_of(n, first_min=1.0, floor_min=0.0, rate=row["rate"])
        assert times[-1] == pytest.approx(row["unit_model_unit"], abs=1e-6)
        assert times.sum() == pytest.approx(row["unit_model_cumulative"], abs=1e-4)


def test_textbook_values():
    checks = json.loads((REFERENCE / "wright_reference.json").read_text(encoding="utf-8"))["published_checks"]
    for check in (one for one in checks if one["model"] == "unit"):
        times = minutes_of(np.arange(1, check["unit"] + 1), first_min=1.0, floor_min=0.0, rate=check["rate"])
        assert times[-1] == pytest.approx(check["value"], abs=1e-4)
        if "cumulative" in check:
            assert times.sum() == pytest.approx(check["cumulative"], abs=0.006)


@pytest.mark.parametrize(
    ("rate", "n", "factor"),
    [
        (0.95, 100, 0.711),
        (0.95, 2000, 0.570),
        (0.90, 100, 0.497),
        (0.90, 2000, 0.315),
        (0.80, 100, 0.227),
        (0.80, 2000, 0.087),
    ],
)
def test_learning_vectors(rate, n, factor):
    """n^log2(rate), computed by hand: for a single unit here, for the average in Wright's own form."""
    assert minutes_of(n, first_min=1.0, floor_min=0.0, rate=rate) == pytest.approx(factor, abs=1e-3)


def test_floor_is_never_undercut():
    times = minutes_of([1, 10, 10**7], first_min=12.0, floor_min=6.0, rate=0.8)
    assert times[0] == 12.0
    assert np.all(times > 6.0)
    assert times[-1] == pytest.approx(6.0, abs=0.05)


def job(n, rng, *, floor_ratio, rate, noise, interruptions):
    """Independent of the fit: multiplicative scatter, and now and then someone is called away."""
    n_units = np.arange(1, n + 1)
    curve = 10.0 * (floor_ratio + (1 - floor_ratio) * n_units ** (np.log(rate) / np.log(2)))
    times = curve * np.exp(rng.normal(-(noise**2) / 2, noise, n))
    return times + (rng.random(n) < interruptions) * rng.exponential(10.0, n)


def coverage(n_jobs, rng):
    hits = 0
    for _ in range(n_jobs):
        truth = {
            "floor_ratio": rng.uniform(0.5, 1.0),
            "rate": rng.uniform(0.8, 1.0),
            "noise": rng.uniform(0.1, 0.3),
            "interruptions": 0.03,
        }
        curve = fit_learning(job(40, rng, **truth), rng=rng, n_draws=1500)
        low, high = np.quantile(curve.draw_total_h(2000, rng=rng, n_draws=1500), [0.025, 0.975])
        hits += low <= job(2000, rng, **truth).sum() / 60 <= high
    return hits / n_jobs


def test_interval_of_a_trial_holds_the_job():
    # 150 jobs: a true 95 % shows 0.90 to 0.99 in all but one run of a hundred
    assert 0.90 <= coverage(150, np.random.default_rng(20)) <= 0.995


@pytest.mark.benchmark
def test_interval_on_a_thousand_jobs():
    share = coverage(1000, np.random.default_rng(21))
    print(
        f"\n95 % interval of the total from 40 timed motifs holds {share:.1%} of 1,000 jobs of 2,000 motifs"
    )
    assert 0.93 <= share <= 0.97


def test_flat_trial_gives_n_times_its_mean():
    curve = fit_learning(np.full(60, 9.0), rng=np.random.default_rng(22))
    total_h = curve.draw_total_h(1000, rng=np.random.default_rng(23))
    assert np.median(total_h) == pytest.approx(1000 * 9 / 60, rel=0.01)


@pytest.mark.parametrize(
    "minutes", [np.full(19, 8.0), np.r_[np.full(30, 8.0), 0.0], np.r_[np.full(30, 8.0), np.nan]]
)
def test_trials_that_carry_nothing(minutes):
    with pytest.raises(EstimationError, match="The timed trial cannot carry a learning curve"):
        fit_learning(minutes, rng=np.random.default_rng(0))


def test_shows_itself():
    curve = fit_learning(np.linspace(10, 8, 30), rng=np.random.default_rng(1))
    assert repr(curve) == "LearningCurve(30 timed motifs, mean 9.0 min)"
    assert "After long practice" in curve._repr_html_()
    assert "floor" in curve.notes[0]
