"""Priors can be changed, measured on the spot and taken up at once; signs count as stated."""

import re
import time

import numpy as np
import placing_sets as sets
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice
from fragkit.technique import FORMINGS, PLACINGS, Marks, OutlineSpread, Priors, Sign, measure_priors, power, reweigh
from fragkit.technique import weigh_technique as weigh
from fragkit.technique.power import outlook, outlook_in_words
from fragkit.technique.priors import SCATTERS_MM
from fragkit.units import in_fives


@pytest.fixture(scope="module")
def technique():
    rng = np.random.default_rng(3)
    sites = sets.grid(8, 6)
    xy = sites * [sets.ACROSS, sets.DOWN] + sets.displaced("hand", sites, 1.0, rng)
    lattice = fit_lattice((xy + 0.3 * rng.standard_normal(xy.shape), np.tile(np.eye(2) * 0.09, (48, 1, 1)), sites))
    return weigh([lattice], None, rng=rng, n_calibration=20)


def test_default_priors_are_densities():
    priors = Priors()
    assert np.exp(priors.placing_logs()).sum() == pytest.approx(1.0, abs=1e-12)
    assert np.exp(priors.forming_logs()).sum() == pytest.approx(1.0, abs=1e-12)
    weights = np.exp(priors.scatter_logs("rigid groups"))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.exp(weights @ np.log(SCATTERS_MM)) == pytest.approx(1.4, abs=0.01)


def test_a_changed_prior_is_taken_up_within_a_fifth_of_a_second(technique):
    start = time.process_time()
    sceptic = reweigh(technique, priors=Priors(placing={"on set-out lines": 1.0, "rigid groups": 1e4}))
    assert time.process_time() - start < 0.2
    assert dict(sceptic.placing.log10_bayes_factors) == dict(technique.placing.log10_bayes_factors)
    before, after = technique.placing.posterior, sceptic.placing.posterior
    odds = before["rigid groups"] / before["on set-out lines"]
    assert after["rigid groups"] / after["on set-out lines"] == pytest.approx(1e4 * odds, rel=1e-6)
    assert after["continuous print"] == 0.0
    assert "on set-out lines 0 %, rigid groups 100 %" in sceptic.notes[0]


def test_a_scatter_that_cannot_be_lowers_the_evidence(technique):
    narrow = Priors(scatter_mm={"on set-out lines": (10.0, 0.1)}, source="a test")
    other = reweigh(technique, priors=narrow)
    gap = other.placing.log10_bayes_factors["rigid groups"] - technique.placing.log10_bayes_factors["rigid groups"]
    assert gap > 10.0
    assert "scatter on set-out lines about 10 mm, two times in three 9 to 11 mm" in other.notes[0]
    assert "(a test)" in other.notes[0]


def test_signs_count_with_their_odds_for_what_they_speak_for(technique):
    seen = reweigh(technique, signs=[Sign(what="ties", odds=30.0), Sign(what="raised lip", odds=0.5)])
    factors = seen.forming.log10_bayes_factors
    assert factors["through a plate"] == pytest.approx(np.log10(30.0), abs=1e-9)
    assert factors["by block or roller"] == pytest.approx(np.log10(0.5), abs=1e-9)
    assert factors["along an outline"] == pytest.approx(0.0, abs=1e-9)
    assert seen.forming.by_kind["seen by eye"]["through a plate"] == pytest.approx(np.log10(30.0), abs=1e-9)
    assert dict(seen.placing.posterior) == dict(technique.placing.posterior)
    marks = reweigh(technique, signs=[Sign(what="dots in the corners", odds=5.0, favours=("rigid groups",))])
    assert marks.placing.by_kind["seen by eye"]["rigid groups"] == pytest.approx(np.log10(5.0), abs=1e-9)
    assert reweigh(seen).signs == seen.signs


def test_each_kind_of_evidence_adds_up(technique):
    both = reweigh(technique, signs=[Sign(what="register marks", odds=4.0)])
    for name in PLACINGS:
        parts = [kind[name] for kind in both.placing.by_kind.values()]
        assert sum(parts) == pytest.approx(both.placing.log10_bayes_factors[name], abs=1e-9)
    assert sum(both.kinds.values()) == pytest.approx(1.0, abs=1e-9)
    assert sum(both.groups.values()) == pytest.approx(1.0, abs=1e-9)


def _marks(method, scatter, rng, group=(1, 1)):
    sites = sets.grid(8, 6)
    kind = {"grid": "hand", "eye": "stepped", "plate": "plate"}[method]
    xy = sites * [sets.ACROSS, sets.DOWN] + sets.displaced(kind, sites, scatter, rng, size=group)
    xy = xy + 0.2 * rng.standard_normal(xy.shape)
    return Marks(method=method, person=f"{scatter}", index=sites, xy_mm=xy, sd_mm=0.2, group=group)


def test_forty_eight_marks_each_give_the_scatter_of_the_people():
    rng = np.random.default_rng(8)
    scatters = (0.6, 0.8, 1.1)
    marks = [_marks(m, s, rng, g) for m, g in (("grid", (1, 1)), ("eye", (1, 1)), ("plate", (4, 2))) for s in scatters]
    priors = measure_priors(marks)
    middle = float(np.exp(np.mean(np.log(scatters))))
    for placing in PLACINGS[:3]:
        median, log_sd = priors.scatter_mm[placing]
        # 96 coordinates give a person's scatter to 8 %, twelve placings of a plate to 20 %
        assert median == pytest.approx(middle, rel=0.3 if placing == "rigid groups" else 0.12)
        assert 0.2 < log_sd < 0.6
    assert priors.scatter_mm["continuous print"] == (1.4, 0.6)
    assert "3 by grid, 3 by eye, 3 by plate" in priors.source.replace("3 by eye, 3 by grid", "3 by grid, 3 by eye")


def test_power_grows_with_motifs_and_falls_with_error():
    result = power([9, 49], [0.2, 1.0], scatter_mm=1.0, rng=np.random.default_rng(1), n_sets=12)
    share = {(row.n_motifs, row.sd_mm): row.settled_ratio["stepped off from the neighbour"] for row in result.rows}
    assert share[49, 0.2] > 0.8
    assert share[9, 1.0] < 0.3
    assert share[49, 0.2] > share[9, 0.2]
    assert result.motifs_needed("stepped off from the neighbour", sd_mm=0.2) == 49
    assert result.motifs_needed("stepped off from the neighbour", sd_mm=5.0) is None
    assert "49 motifs, each to 0.2 mm" in result._repr_html_()


def test_what_would_settle_an_open_verdict_is_said_in_a_sentence():
    rng = np.random.default_rng(4)
    sites = sets.grid(4, 3)
    xy = sites * [sets.ACROSS, sets.DOWN] + sets.displaced("hand", sites, 1.0, rng)
    lattice = fit_lattice((xy + 0.4 * rng.standard_normal(xy.shape), np.tile(np.eye(2) * 0.16, (12, 1, 1)), sites))
    placing = weigh([lattice], None, rng=rng, n_calibration=30).placing
    assert placing.verdict == "cannot be told"
    said = re.search(
        r"of 12 motifs like these is settled rightly in about (\d+) %, of 24 in (\d+) %, of 48 in (\d+) %, of 12 "
        r"measured to 0.2 mm in (\d+) %",
        placing.would_settle,
    )
    now, twice, four_times, closer = map(int, said.groups())
    assert now <= twice <= four_times
    assert closer <= four_times
    said = outlook_in_words(
        outlook(6, 1.0, scatter_mm=1.0, spacing_mm=(90.0, 90.0), n_sets=10, rng=rng), placing.posterior
    )
    assert said.endswith("look for the marks of tools")
    assert all(int(share) % 5 == 0 for share in re.findall(r"(\d+) %", said))
    assert [in_fives(ratio) for ratio in (0.0, 0.56, 0.99)] == ["0 %", "55 %", "100 %"]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Priors(placing={"by magic": 1.0}), "prior of placing names 'by magic'"),
        (lambda: Priors(forming={"drawn free": -1.0}), "prior weights of forming are"),
        (lambda: Priors(scatter_mm={"rigid groups": (0.0, 0.5)}), "scatter of 'rigid groups' is 0.0 mm"),
        (lambda: Sign(what="fairy dust", odds=2.0), "sign 'fairy dust' is not one of"),
        (lambda: Sign(what="ties", odds=0.0), "odds of 'ties' are 0.0"),
        (lambda: Sign(what="ties", odds=2.0, favours=("luck",)), "favours 'luck'"),
        (lambda: power([3], [0.3], rng=np.random.default_rng(0)), r"n_motifs is \[3\]"),
        (lambda: power([12], [0.0], rng=np.random.default_rng(0)), r"sd_mm is \[0.0\]"),
        (lambda: _marks("grid", 1.0, np.random.default_rng(0)).__class__(
            method="nose", person="a", index=[[0, 0]], xy_mm=[[0, 0]]), "method is 'nose'"),
        (lambda: Marks(method="plate", person="a", index=[[0, 0]], xy_mm=[[0, 0]]), "has one opening"),
        (lambda: Marks(method="grid", person="a", index=[[0, 0]], xy_mm=[[0, 0, 0]]), "both must be"),
        (lambda: Marks(method="grid", person="a", index=[[0, 0]], xy_mm=[[0, 0]], sd_mm=0.0), "sd_mm is 0.0"),
    ],
)  # fmt: skip
def test_bad_arguments_say_what_is_wrong(make, message):
    with pytest.raises(ValueError, match=message):
        make()


def test_too_few_marks_are_refused():
    few = Marks(method="grid", person="Ada", index=sets.grid(3, 2), xy_mm=sets.grid(3, 2) * 100.0)
    with pytest.raises(EstimationError, match="Ada set too few marks"):
        measure_priors([few])
    with pytest.raises(EstimationError, match="no marks"):
        measure_priors([])


def test_an_outline_spread_has_a_part_in_mm_and_a_part_of_the_size():
    assert OutlineSpread(own_mm=0.3, size_ratio=0.01).median_mm(40.0) == pytest.approx(0.5, abs=1e-12)  # 3-4-5
    assert set(Priors().outlines) == set(FORMINGS)
