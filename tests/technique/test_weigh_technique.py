"""The two verdicts: simulated truth, likelihoods by independent computation, honesty with few motifs."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from fragkit.errors import EstimationError
from fragkit.lattice import columns_and_rows, fit_lattice, fit_row, restricted_log_likelihood
from fragkit.placing import ContinuousPrint, OnLines, RigidGroups, SteppedOff, covariance, draw
from fragkit.survey import TechniqueEntry
from fragkit.technique import FORMINGS, PLACINGS, find_recurrence, reweigh, stated_priors, weigh_technique
from fragkit.technique.hypotheses import placing_hypotheses
from fragkit.technique.likelihoods import log_likelihood
from fragkit.technique.positions import gather_evidence
from fragkit.technique.priors import SCATTERS_MM
from fragkit.technique.shapes import gather_shapes
from fragkit.technique.verdict import OPEN, reach_verdict

BASIS = np.array([[80.0, 0.0], [40.0, 90.0]])
PLATE = RigidGroups(
    columns=3, rows=2, shift_sd_mm=1.4, turn_sd_rad=0.006, seat_sd_mm=0.17, own_sd_mm=0.07, phase=(1, 0)
)


def _fragment(process, rng, *, columns=8, rows=6, missing=0.2, sd_mm=0.2):
    i, j = np.meshgrid(np.arange(columns), np.arange(rows))
    index = np.column_stack([i.ravel(), j.ravel()])
    index = index[rng.random(len(index)) > missing]
    ideal = index @ BASIS
    xy = ideal + draw(process, columns_and_rows(*BASIS, index), ideal, rng=rng)
    xy = xy + rng.normal(0.0, sd_mm, xy.shape)
    return fit_lattice((xy, np.tile(np.eye(2) * sd_mm**2, (len(index), 1, 1)), index))


@pytest.mark.parametrize(
    ("process", "answer"),
    [
        (SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7), "stepped off from the neighbour"),
        (SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7, along="columns"), "stepped off from the neighbour"),
        (PLATE, "rigid groups"),
        (
            ContinuousPrint(swing_sd_mm=0.7, stretch_sd_ratio=0.004, own_sd_mm=0.04, correlation_mm=200.0),
            "continuous print",
        ),
    ],
    ids=["rows", "columns", "plate", "print"],
)
def test_clear_placings_are_named(process, answer):
    rng = np.random.default_rng(31)
    technique = weigh_technique([_fragment(process, rng) for _ in range(2)], None, rng=rng, n_calibration=10)
    assert technique.placing.verdict == answer
    assert technique.placing.posterior[answer] > 0.95
    assert answer in technique.placing.words
    assert technique.placing.log10_bayes_factors["on set-out lines"] == 0.0


@pytest.mark.parametrize(
    ("process", "answer"),
    [
        (
            ContinuousPrint(
                swing_sd_mm=1.5, stretch_sd_ratio=0.004, own_sd_mm=0.05, correlation_mm=400.0, along="rows"
            ),
            "continuous print",
        ),
        (SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7), "stepped off from the neighbour"),
    ],
    ids=["print", "stepped"],
)
def test_a_printed_border_runs_along_its_row(process, answer):
    """Prints in upright lengths only had every printed border called stepped off."""
    rng, sites = np.random.default_rng(3), np.column_stack([np.arange(24), np.zeros(24, int)])
    ideal = sites * [100.0, 0.0]
    xy = ideal + draw(process, sites, ideal, rng=rng) + rng.normal(0.0, 0.2, ideal.shape)
    row = fit_row((xy, np.tile(np.eye(2) * 0.04, (24, 1, 1)), sites))
    assert weigh_technique([row], None, rng=rng, n_calibration=10).placing.verdict == answer


def test_handwork_on_lines_is_named_or_left_open_but_never_called_something_else():
    rng = np.random.default_rng(8)
    verdicts = []
    for _ in range(2):
        fragments = [_fragment(OnLines(sd_x_mm=0.7, sd_y_mm=0.7), rng, columns=6) for _ in range(2)]
        verdicts.append(weigh_technique(fragments, None, rng=rng, n_calibration=10).placing.verdict)
    assert set(verdicts) <= {"on set-out lines", OPEN}
    assert verdicts.count("on set-out lines") >= 1


def test_a_plate_with_one_motif_is_handwork_to_the_positions():
    """Groups of 1 × 1 have the covariance of independent placing, so they must not count as rigid groups."""
    for hypothesis in placing_hypotheses(across_mm=80.0, down_mm=90.0):
        for process in hypothesis.phases:
            if isinstance(process, RigidGroups):
                assert process.columns * process.rows > 1
    shares = [h.prior for h in placing_hypotheses(across_mm=80.0, down_mm=90.0) if h.placing == PLACINGS[2]]
    assert sum(shares) == pytest.approx(1.0, abs=1e-12)


def test_likelihoods_agree_with_a_dense_restricted_likelihood():
    """Independent computation: the REML criterion on the full covariance, differences between scatters."""
    lattice = _fragment(PLATE, np.random.default_rng(3), columns=5, rows=4)
    evidence = gather_evidence(lattice)
    assert evidence.drift is None
    design = np.kron(np.column_stack([np.ones(len(lattice.index)), lattice.index]), np.eye(2))
    measured = evidence.noise_root @ evidence.noise_root.T
    for hypothesis in [h for h in placing_hypotheses(across_mm=80.0, down_mm=90.0) if len(h.phases) == 1][:6]:
        table = log_likelihood(evidence, hypothesis.phases, evidence.offsets_mm.reshape(-1, 1))[:, 0]
        unit = covariance(hypothesis.phases[0], evidence.sites, evidence.places_mm)
        dense = [
            restricted_log_likelihood(evidence.offsets_mm.ravel(), design, measured + s**2 * unit)
            for s in SCATTERS_MM[[20, 50]]
        ]
        assert table[20] - table[50] == pytest.approx(dense[0] - dense[1], abs=1e-6)


def test_phases_are_averaged_not_maximised():
    """Independent computation: two phases of a plate of two by explicit normal densities of contrasts."""
    rng = np.random.default_rng(4)
    lattice = _fragment(OnLines(sd_x_mm=0.7, sd_y_mm=0.7), rng, columns=4, rows=3, missing=0.0)
    evidence = gather_evidence(lattice)
    plate = next(h for h in placing_hypotheses(across_mm=80.0, down_mm=90.0) if len(h.phases) == 2)
    table = log_likelihood(evidence, plate.phases, evidence.offsets_mm.reshape(-1, 1))[:, 0]
    data = evidence.sieve @ evidence.offsets_mm.ravel()
    densities = []
    for process in plate.phases:
        unit = evidence.sieve @ covariance(process, evidence.sites, evidence.places_mm) @ evidence.sieve.T
        for k in (25, 45):
            spread = np.eye(len(data)) + SCATTERS_MM[k] ** 2 * unit
            densities.append(multivariate_normal(np.zeros(len(data)), spread).logpdf(data))
    first, second = np.array(densities).reshape(2, 2)
    expected = np.logaddexp(first, second) - np.log(2.0)
    assert table[25] - table[45] == pytest.approx(expected[0] - expected[1], abs=1e-6)


def test_a_drift_of_known_prior_by_a_direct_integral():
    """Independent computation: the covariance with the drift's rank written in, against none, at one scatter."""
    lattice = _fragment(SteppedOff(step_sd_mm=1.5, start_sd_mm=1.5), np.random.default_rng(3), columns=9, rows=4)
    evidence = gather_evidence(lattice)
    shape = np.random.default_rng(0).normal(size=len(evidence.sieve))
    with_drift = replace(evidence, drift=shape)
    process = OnLines(sd_x_mm=1.0, sd_y_mm=1.0)
    table = log_likelihood(with_drift, (process,), evidence.offsets_mm.reshape(-1, 1))[:, 0]
    data = evidence.sieve @ evidence.offsets_mm.ravel()
    unit = evidence.sieve @ covariance(process, evidence.sites, evidence.places_mm) @ evidence.sieve.T
    spread = np.eye(len(data)) + SCATTERS_MM[40] ** 2 * unit
    zero = np.zeros(len(data))
    constant = 0.5 * len(data) * np.log(2.0 * np.pi)
    without = multivariate_normal(zero, spread).logpdf(data) + constant
    drifting = multivariate_normal(zero, spread + np.outer(shape, shape)).logpdf(data) + constant
    expected = np.logaddexp(np.log(0.98) + without, np.log(0.02) + drifting)
    assert table[40] == pytest.approx(expected, abs=1e-6)


def test_a_seam_anywhere_is_no_likelier_than_one_smooth_drift():
    """By hand: 9 columns and 5 rows have 8 + 4 borders, each with a jump or strip in two directions: 48 ways."""
    rng = np.random.default_rng(12)
    sites = np.array([(i, j) for i in range(9) for j in range(5)])
    jump = np.outer(sites[:, 0] >= 4, [0.0, 6.0])
    bow = np.outer((sites[:, 0] - 4.0) ** 2, [0.0, 0.5])
    shares = {}
    for kind, moved in (("jump", jump), ("bow", bow)):
        xy = sites * [80.0, 90.0] + moved + rng.normal(0.0, 0.3, moved.shape)
        lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.01, (len(sites), 1, 1)), sites))
        assert lattice.drift.kind == kind
        shares[kind] = gather_evidence(lattice).drift_share
    assert shares["jump"] == pytest.approx(shares["bow"] / 48.0, abs=1e-12)


def test_few_motifs_are_left_open():
    rng = np.random.default_rng(5)
    for _ in range(3):
        fragment = _fragment(PLATE, rng, columns=3, rows=2, missing=0.0, sd_mm=0.5)
        technique = weigh_technique([fragment], None, rng=rng, n_calibration=10)
        assert technique.placing.verdict == OPEN
        assert technique.n_motifs == 6


def test_calibration_tells_how_often_it_is_right():
    rng = np.random.default_rng(6)
    lattice = _fragment(PLATE, rng)
    calibration = weigh_technique([lattice], None, rng=rng, n_calibration=25).calibration
    assert calibration["n_sets"] == 100
    assert 0.6 < calibration["right_ratio"] <= 1.0
    assert calibration["wrong_firm_ratio"] <= 0.05
    assert 0.95 <= calibration["least_posterior"] <= 1.0
    blurred = weigh_technique([_fragment(PLATE, rng, columns=4, rows=3, sd_mm=1.5)], None, rng=rng, n_calibration=25)
    assert blurred.calibration["firm_ratio"] < calibration["firm_ratio"]
    assert "better control" in blurred.placing.would_settle


def test_the_same_seed_gives_the_same_answer():
    fragment = _fragment(PLATE, np.random.default_rng(1), columns=5, rows=4)
    first = weigh_technique([fragment], None, rng=np.random.default_rng(2), n_calibration=10)
    again = weigh_technique([fragment], None, rng=np.random.default_rng(2), n_calibration=10)
    assert dict(first.calibration) == dict(again.calibration)
    assert dict(first.placing.posterior) == dict(again.placing.posterior)


def _motif(spread_mm, rng, *, noise_mm=0.05, flaw_mm=0.0, seats=(2, 1), n=(6, 5), points=120):
    """The fields of a motif that the forming uses: smooth strays, and flaws of a plate's seats."""
    sites = np.array([(i, j) for j in range(n[1]) for i in range(n[0])])
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    waves = np.array([f(k * angle) for k in range(2, 8) for f in (np.cos, np.sin)])
    waves *= np.sqrt(2.0 / len(waves))
    own = rng.normal(size=(len(sites), len(waves))) @ waves * spread_mm
    flaws = rng.normal(size=(seats[0] * seats[1], len(waves))) @ waves * flaw_mm
    seat = sites[:, 0] % seats[0] + seats[0] * (sites[:, 1] % seats[1])
    strays = own + flaws[seat] + rng.normal(0.0, noise_mm, own.shape)
    return SimpleNamespace(
        strays_mm=strays,
        strays_seen=rng.random(strays.shape) > 0.2,
        shape_spread_mm=float(np.hypot(spread_mm, flaw_mm)),
        n_examples=len(sites),
        metal_width_mm=30.0,
        metal_height_mm=42.0,
        example_index=np.column_stack([np.zeros(len(sites), int), sites]),
    )


RECTANGULAR = fit_lattice(
    (
        np.array([(80.0 * i, 90.0 * j) for i in range(3) for j in range(3)]),
        np.tile(np.eye(2) * 0.04, (9, 1, 1)),
        np.array([(i, j) for i in range(3) for j in range(3)]),
    )
)


@pytest.fixture(scope="module")
def placed():
    return weigh_technique([RECTANGULAR], None, rng=np.random.default_rng(30), n_calibration=10)


def _formed(placed, motif, rng):
    """What `weigh_technique` says of the same places with this motif."""
    shapes = gather_shapes(motif, motif.example_index[:, 1:], rng=rng)
    return reweigh(replace(placed, weighed=replace(placed.weighed, shapes=shapes)))


def test_wide_spread_speaks_for_free_hand_and_narrow_spread_against_it(placed):
    rng = np.random.default_rng(9)
    free = _formed(placed, _motif(2.4, rng), rng).forming
    tight = _formed(placed, _motif(0.15, rng), rng).forming
    assert max(free.posterior, key=free.posterior.__getitem__) == "drawn free"
    assert 0.7 < tight.posterior["through a plate"] + tight.posterior["by block or roller"] < 0.95
    assert "points to “through a plate” or “by block or roller”, not firmly; which of the two is open" in tight.words
    assert tight.verdict == OPEN  # a plate and a block cannot be told apart by spread alone
    exact = _formed(placed, _motif(0.05, rng), rng).forming
    assert exact.posterior["through a plate"] + exact.posterior["by block or roller"] > 0.95
    assert set(free.posterior) == set(FORMINGS)


def test_hand_and_outline_wait_for_the_spread_of_this_hand_to_be_measured(placed):
    """By hand, 42 mm: medians 0.66 and 0.41 mm, log-sd 0.5, so (ln 1.61 - 2.326 * 0.5) / 0.5 = -1.37, which is 9 %."""
    rng = np.random.default_rng(13)
    technique = _formed(placed, _motif(0.55, rng), rng)
    told = "cannot be told apart by how far outlines differ until the spread of this hand is measured"
    assert any(told in note and " 9 % of outlines at best" in note for note in technique.notes)
    assert technique.forming.would_settle.endswith(
        "cannot be told apart until the spread of this hand is measured, where it drew free"
    )
    assert any("[technique] as outline_spread_mm" in note for note in technique.notes)
    measured = TechniqueEntry(outline_spread_mm={"drawn free": (0.66, 0.1), "along an outline": (0.41, 0.1)})
    known = reweigh(technique, priors=stated_priors(measured))
    assert not any(told in note for note in known.notes)
    plate = _formed(placed, _motif(0.05, rng), rng)
    assert not any(told in note for note in plate.notes)  # neither of the two remains


def test_flaws_that_recur_at_equal_seats_are_found_and_others_are_not():
    rng = np.random.default_rng(10)
    plate = weigh_technique([RECTANGULAR], _motif(0.3, rng, flaw_mm=0.25), rng=rng, n_calibration=10)
    assert "clearest for plates of 2 × 1" in next(note for note in plate.notes if "recur" in note)
    assert plate.weighed.shapes.recurrence.p < 0.003
    ps = []
    for _ in range(40):
        hand = _motif(0.6, rng)
        ps.append(find_recurrence(hand.strays_mm, hand.strays_seen, hand.example_index[:, 1:], rng=rng).p)
    assert np.mean(np.array(ps) <= 0.05) <= 0.15  # 40 honest p-values: above this with chance 0.3 %
    assert 0.3 < np.median(ps) < 0.7


def test_without_a_motif_the_forming_is_open(placed):
    rng, technique = np.random.default_rng(11), placed
    assert technique.forming.verdict == OPEN
    assert all(share == pytest.approx(0.25) for share in technique.forming.posterior.values())
    assert any("no motif was built" in note for note in technique.notes)
    few = weigh_technique([RECTANGULAR], _motif(0.5, rng, n=(3, 1)), rng=rng, n_calibration=10)
    assert any("too few examples" in note for note in few.notes)
    assert technique.regular_areas == ()


def test_the_scale_of_words_is_fixed():
    answers = ("one", "other")
    for odds, word in (
        (1.0, "open"),
        (2.0, "leans"),
        (9.0, "not firmly"),
        (49.0, "firmly"),
        (999.0, "very firmly"),
    ):
        verdict = reach_verdict(answers, {"marks": np.log([odds, 1.0])}, would_settle="more")
        assert word in verdict.words
        assert verdict.verdict == ("one" if odds > 19 else OPEN)
    cautious = reach_verdict(answers, {"marks": np.log([49.0, 1.0])}, would_settle="more", least_posterior=0.99)
    assert cautious.verdict == OPEN
    assert "errs too often" in cautious.words
    assert "would settle it" in cautious._repr_html_()
    assert OPEN in repr(cautious)


def test_bad_arguments_are_refused():
    rng = np.random.default_rng(0)
    with pytest.raises(EstimationError, match="no fragment to weigh"):
        weigh_technique([], None, rng=rng)
    with pytest.raises(ValueError, match="n_calibration is 3"):
        weigh_technique([RECTANGULAR], None, rng=rng, n_calibration=3)


@pytest.mark.benchmark
def test_table_of_verdicts():
    """Sets drawn from other constants than the hypotheses' own: named rightly, named wrongly."""
    rng = np.random.default_rng(99)
    for n in (12, 24, 48):
        rows, wrong = [], 0
        for answer, make in (
            ("on set-out lines", lambda: OnLines(sd_x_mm=1.0, sd_y_mm=1.0)),
            ("stepped off from the neighbour", lambda: SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0)),
            ("rigid groups", lambda: PLATE),
        ):
            verdicts = []
            for _ in range(20):
                fragment = _fragment(make(), rng, columns=n // 6 + 2, rows=6, missing=0.25)
                verdicts.append(weigh_technique([fragment], None, rng=rng, n_calibration=10).placing.verdict)
            rows.append(f"{answer}: {verdicts.count(answer)} of 20")
            wrong += sum(v not in (answer, OPEN) for v in verdicts)
        print(f"about {n} motifs: " + "; ".join(rows) + f"; wrong and firm {wrong} of 60")
        assert wrong <= 5
