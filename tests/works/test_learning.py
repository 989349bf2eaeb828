import csv
import json
from pathlib import Path

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.works import fit_learning, minutes_of
from fragkit.works.learning import _delayed

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


def draw_truth(rng, law):
    """How one hand learns, drawn from none of the fit's own assumptions: see `job`."""
    return {
        "law": law,
        "floor_ratio": rng.uniform(0.45, 1.0),
        "rate": rng.uniform(0.75, 0.99),
        "practice": np.exp(rng.uniform(np.log(4.0), np.log(60.0))),
        "noise": rng.uniform(0.1, 0.4),
        "skewed": rng.integers(2),
        "called_away": rng.uniform(0.0, 0.08),
        "delay_min": rng.uniform(3.0, 20.0),
    }


def job(n, rng, *, law, floor_ratio, rate, practice, noise, skewed, called_away, delay_min):
    """Independent of the fit: Wright's law or an exponential approach to the floor, log-normal or gamma scatter,
    interruptions of exponential or of more even (gamma, shape 2) length."""
    unit = np.arange(1, n + 1)
    left = unit ** (np.log(rate) / np.log(2)) if law == "Wright" else np.exp(-(unit - 1) / practice)
    curve = 10.0 * (floor_ratio + (1 - floor_ratio) * left)
    if skewed:
        scatter = np.exp(rng.normal(-(noise**2) / 2, noise, n))
        delays = rng.exponential(delay_min, n)
    else:
        scatter = rng.gamma(noise**-2, noise**2, n)
        delays = rng.gamma(2.0, delay_min / 2, n)
    return curve * scatter + (rng.random(n) < called_away) * delays


def hits(n_jobs, rng, law):
    """How many of the jobs lie in the 95 % interval, below and above it; width of the interval against the job."""
    found = []
    for _ in range(n_jobs):
        truth = draw_truth(rng, law)
        curve = fit_learning(job(40, rng, **truth), rng=rng, n_draws=1800)
        low, high = np.quantile(curve.draw_total_h(2000, rng=rng, n_draws=3000), [0.025, 0.975])
        total_h = job(2000, rng, **truth).sum() / 60
        found.append((low <= total_h <= high, total_h < low, total_h > high, (high - low) / total_h))
    return np.array(found, float)


def test_interval_of_a_trial_holds_the_job():
    rng = np.random.default_rng(20)
    held = np.vstack([hits(15, rng, law) for law in ("Wright", "exponential")])[:, 0].mean()
    # 30 jobs: a true 95 % shows 0.83 or more in all but one run of a hundred
    assert held >= 0.83


@pytest.mark.benchmark
def test_interval_on_a_thousand_jobs():
    rng = np.random.default_rng(4711)
    rows = {law: hits(500, rng, law) for law in ("Wright", "exponential")}
    rows["both"] = np.vstack(list(rows.values()))
    print("\n95 % interval of 2,000 motifs from 40 timed ones, interruptions included")
    print("law of learning      jobs   held   faster  slower  width/job")
    for name, row in rows.items():
        held, faster, slower, _ = row.mean(axis=0)
        print(f"{name:<18} {len(row):6d}  {held:.1%}  {faster:6.1%}  {slower:6.1%}  {np.median(row[:, 3]):9.2f}")
    assert 0.93 <= rows["both"][:, 0].mean() <= 0.97


def test_flat_trial_gives_n_times_its_mean():
    curve = fit_learning(np.full(60, 9.0), rng=np.random.default_rng(22))
    total_h = curve.draw_total_h(1000, rng=np.random.default_rng(23))
    # sixty motifs without an interruption leave about one in eighty to be expected
    assert np.median(total_h) == pytest.approx(1000 * 9 / 60, rel=0.04)
    assert curve.draw_total_h(0, rng=np.random.default_rng(1)).max() == 0.0


def test_each_hand_learns_for_itself():
    trial = minutes_of(np.arange(1, 61), first_min=12.0, floor_min=6.0, rate=0.8)
    curve = fit_learning(trial * np.exp(np.random.default_rng(5).normal(0, 0.05, 60)), rng=np.random.default_rng(6))
    one, four = (np.median(curve.draw_total_h(800, rng=np.random.default_rng(7), hands=hands)) for hands in (1, 4))
    by_hand = [
        h * minutes_of(np.arange(1, 800 // h + 1), first_min=12.0, floor_min=6.0, rate=0.8).sum() / 60 for h in (1, 4)
    ]
    # sixty timed motifs leave the rest of the curve open by some percent
    assert four / one == pytest.approx(by_hand[1] / by_hand[0], abs=0.05)
    assert four > 1.02 * one


def test_head_start_is_practice_already_had():
    """T(n) of a hand with B motifs' practice is the plain curve from motif 1 + B on, by hand."""
    plain = minutes_of([5.0, 9.0], first_min=10.0, floor_min=0.0, rate=0.8)
    ahead = minutes_of(5.0, first_min=plain[0], floor_min=0.0, rate=0.8, head_start=4.0)
    assert ahead == pytest.approx(plain[1], abs=1e-12)


@pytest.mark.parametrize(("mean", "sd"), [(5.0, 1.0), (0.3, 2.0)])
def test_delayed_density_is_that_of_a_sum(mean, sd):
    """Against the histogram of two million sums of a normal error and an exponential delay."""
    rng = np.random.default_rng(8)
    drawn = rng.normal(0, sd, 2_000_000) + rng.exponential(mean, 2_000_000)
    counts, edges = np.histogram(drawn, bins=60, range=(-3 * sd, 3 * mean + 3 * sd))
    middle = (edges[1:] + edges[:-1]) / 2
    density = counts / len(drawn) / np.diff(edges)
    np.testing.assert_allclose(_delayed(middle, np.array(sd), np.array(mean)), density, rtol=0, atol=0.005)


@pytest.mark.parametrize("minutes", [np.full(19, 8.0), np.r_[np.full(30, 8.0), 0.0], np.r_[np.full(30, 8.0), np.nan]])
def test_trials_that_carry_nothing(minutes):
    with pytest.raises(EstimationError, match="The timed trial cannot carry a learning curve"):
        fit_learning(minutes, rng=np.random.default_rng(0))


def test_shows_itself():
    curve = fit_learning(np.linspace(10, 8, 30), rng=np.random.default_rng(1))
    assert repr(curve) == "LearningCurve(30 timed motifs, mean 9.0 min)"
    assert "After long practice" in curve._repr_html_()
    assert "floor" in curve.notes[0]


def test_cumulative_average_form():
    """Wright's own form for 80 %: average of two 0.80, second unit 0.60, average of four 0.64 (maxwideman.com)."""
    checks = json.loads((REFERENCE / "wright_reference.json").read_text(encoding="utf-8"))["published_checks"]
    for check in (one for one in checks if one["model"] == "cumulative average"):
        n = check["unit"]
        before, average = minutes_of([n - 1, n], first_min=1.0, floor_min=0.0, rate=check["rate"])
        assert average == pytest.approx(check["average"], abs=1e-9)
        if "unit_value" in check:
            assert n * average - (n - 1) * before == pytest.approx(check["unit_value"], abs=1e-9)


def test_interruptions_are_told_from_scatter():
    rng = np.random.default_rng(12)
    trial = 9.0 * np.exp(rng.normal(0, 0.1, 40))
    trial[[7, 19, 33]] += 25.0
    curve = fit_learning(trial, rng=np.random.default_rng(13))
    # three of forty, 25 min each: 1.9 min a motif; the scatter stays the 10 % it is
    assert np.median(curve.called_away_ratio * curve.delay_min) == pytest.approx(1.9, abs=0.7)
    assert np.median(curve.noise_ratio) == pytest.approx(0.1, abs=0.04)
