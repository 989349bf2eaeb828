"""The placing likelihoods against certified and published data, and against another library."""

import csv
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from fragkit.lattice import restricted_log_likelihood
from fragkit.motifs import align_shapes
from fragkit.placing import OnLines, RigidGroups, SteppedOff, covariance
from fragkit.technique import FORMINGS, Priors
from fragkit.technique.likelihoods import Evidence, Weigher, log_likelihood, net_sieve, with_own_scatter
from fragkit.technique.priors import SCATTERS_MM
from fragkit.technique.shapes import forming_evidence, gather_shapes

REFERENCE = Path(__file__).parents[1] / "reference"


def _column(name, *columns):
    with (REFERENCE / name).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return [np.array([float(row[c]) for row in rows]) for c in columns]


def _grouped(name):
    """Values as x-displacements of groups of equal size in one row; sites (n, 2), values (n,), size."""
    group, values = _column(name, "group", "y")
    size = int(np.sum(group == group[0]))
    order = np.argsort(group, kind="stable")
    return np.column_stack([np.arange(len(values)), np.zeros(len(values), int)]), values[order], size


def _reml(sites, values, size, between_sd, within_sd):
    groups = RigidGroups(
        columns=size, rows=1, shift_sd_mm=between_sd, turn_sd_rad=0.0, seat_sd_mm=0.0, own_sd_mm=within_sd
    )
    spread = covariance(groups, sites, sites * 100.0)[::2, ::2]
    return restricted_log_likelihood(values, np.ones((len(values), 1)), spread)


@pytest.mark.parametrize("name", ["sirstv", "atmwtag"])
def test_rigid_groups_are_likeliest_at_the_certified_components(name):
    """NIST StRD one-way analysis of variance: within = MSW, between = (MSB − MSW)/n, both certified."""
    certified = json.loads((REFERENCE / "nist/strd_anova_certified.json").read_text())["data"][name]
    sites, values, size = _grouped(f"nist/{name}.csv")
    values = values - values.mean()  # seven leading digits of AtmWtAg never change
    within = float(certified["residual_sd"])
    mean_square = float(certified["SS_between"]) / certified["df"][0]
    between = np.sqrt((mean_square - within**2) / size)
    best = _reml(sites, values, size, between, within)
    for factors in ((1.02, 1.0), (0.98, 1.0), (1.0, 1.02), (1.0, 0.98)):
        assert _reml(sites, values, size, between * factors[0], within * factors[1]) < best
    step = np.array([1.0 - 1e-4, 1.0 + 1e-4])
    along = [_reml(sites, values, size, between * f, within) for f in step]
    across = [_reml(sites, values, size, between, within * f) for f in step]
    np.testing.assert_allclose(np.diff([along, across]) / 2e-4, 0.0, rtol=0, atol=1e-3)  # the top is flat


def test_rigid_groups_have_the_likelihood_of_statsmodels():
    """Independent library: restricted likelihood of a random-intercept model at its own optimum."""
    sites, values, size = _grouped("nist/sirstv.csv")
    values = 100.0 * (values - values.mean())  # statsmodels warns of variances below 0.01
    fit = MixedLM(values, np.ones(len(values)), groups=sites[:, 0] // size).fit(reml=True)
    within, between = np.sqrt(fit.scale), np.sqrt(fit.cov_re[0, 0])
    ours = _reml(sites, values, size, between, within)
    # statsmodels leaves out ½ ln|XᵀX|, which is a constant of the design
    assert ours == pytest.approx(fit.llf + 0.5 * np.log(len(values)), abs=1e-3)


def test_own_scatter_in_mm_is_more_noise_of_measuring():
    """Likelihood ratios with own scatter of 0.4 mm, against the restricted likelihood with dense covariances."""
    rng = np.random.default_rng(31)
    sites = np.array([(i, j) for j in range(4) for i in range(5)])
    root = np.linalg.cholesky(np.diag(rng.uniform(0.05, 0.3, 40)))
    area = Evidence(
        sites=sites,
        places_mm=sites * 100.0,
        offsets_mm=rng.standard_normal((20, 2)),
        noise_root=root,
        sieve=net_sieve(sites, root)[1],
        drift=None,
    )
    net = np.kron(np.column_stack([np.ones(20), sites]), np.eye(2))
    groups = RigidGroups(columns=2, rows=2, shift_sd_mm=1.0, turn_sd_rad=0.005, seat_sd_mm=0.1, own_sd_mm=0.05)
    kernel, data = covariance(groups, sites, sites * 100.0), area.offsets_mm.ravel()
    dense, ours = [], []
    for own in (0.0, 0.4):
        ours.append(log_likelihood(with_own_scatter(area, own), (groups,), data[:, None])[:, 0])
        spreads = (root @ root.T + own**2 * np.eye(40) + s**2 * kernel for s in SCATTERS_MM)
        dense.append([restricted_log_likelihood(data, net, spread) for spread in spreads])
    np.testing.assert_allclose(np.diff(ours, axis=0), np.diff(dense, axis=0), rtol=0, atol=1e-6)  # nats


def test_motifs_measured_alike_share_their_problems_and_change_no_likelihood():
    """The same placings with noise that is a hair uneven, which are solved one by one."""
    rng = np.random.default_rng(32)
    sites = np.array([(i, j) for j in range(4) for i in range(5)])
    offsets = rng.standard_normal((40, 3))
    drift = rng.standard_normal(34)
    plates = [
        RigidGroups(columns=2, rows=2, shift_sd_mm=1.0, turn_sd_rad=0.005, seat_sd_mm=0.1, own_sd_mm=own, phase=(p, q))
        for own in (0.05, 1.0)
        for p in range(2)
        for q in range(2)
    ]
    found = []
    for uneven in (0.0, 1e-6):
        root = 0.3 * np.diag(1.0 + uneven * np.arange(40.0))
        sieve = net_sieve(sites, root)[1]
        area = Evidence(
            sites=sites, places_mm=sites * 100.0, offsets_mm=offsets[:, :2], noise_root=root, sieve=sieve, drift=None
        )
        found.append(_weighed(area, plates, offsets))
        found[-1] += _weighed(replace(area, drift=sieve @ (area.sieve.T @ drift)), plates, offsets)
    np.testing.assert_allclose(found[0], found[1], rtol=0, atol=0.02)  # nats: noise differs by 4e-5 at most


def _weighed(area, plates, offsets):
    weigh = Weigher.of(area, offsets)
    found = [weigh(plates[:4]), weigh(plates[4:]), weigh(plates[:4], 0.4), weigh(plates[4:], 0.4)]
    found.append(weigh((SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0),), 0.4))
    return np.array(found)


def test_the_published_random_walk_is_stepped_off():
    """NIST/SEMATECH e-Handbook 1.4.2.3: 500 values of a random walk, against independent errors; 80 at a time."""
    (values,) = _column("nist/randwalk.csv", "y")
    for start in range(0, 400, 80):
        part = values[start : start + 80]
        sites = np.column_stack([np.arange(80), np.zeros(80, int)])
        design = np.column_stack([np.ones(80), np.arange(80)])
        logs = {}
        for name, unit in (
            ("walk", SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0)),
            ("lines", OnLines(sd_x_mm=1.0, sd_y_mm=1.0)),
        ):
            kernel = covariance(unit, sites, sites * 1.0)[::2, ::2]
            logs[name] = max(
                restricted_log_likelihood(part, design, s**2 * kernel) for s in np.geomspace(0.05, 20.0, 60)
            )
        assert logs["walk"] - logs["lines"] > 10.0


def test_published_handwriting_is_taken_for_free_hand():
    """Thirty threes by thirty hands (Dryden and Mardia 2016) at the size of a motif: real hand work, no plate."""
    points = np.stack(_column("shape/digit3_handwritten.csv", "x", "y"), axis=1).reshape(30, 13, 2)
    found = align_shapes(points)
    size = 50.0 / np.ptp(found.mean, axis=0).max()
    along = np.gradient(found.mean, axis=0)
    across = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
    strays = size * ((found.aligned - found.mean) * across).sum(axis=2)
    sites = np.array([(k % 6, k // 6) for k in range(30)])
    motif = SimpleNamespace(
        strays_mm=strays,
        strays_seen=np.ones(strays.shape, bool),
        shape_spread_mm=float(np.sqrt(np.mean(strays**2) - 0.15**2)),
        metal_width_mm=50.0,
        metal_height_mm=50.0,
        example_index=np.column_stack([np.zeros(30, int), sites]),
    )
    shapes = gather_shapes(motif, sites, rng=np.random.default_rng(1))
    logs = dict(zip(FORMINGS, forming_evidence(shapes, Priors()), strict=True))
    rivals = [logs[name] for name in FORMINGS[1:]]
    assert shapes.recurrence.p > 0.05
    assert logs["drawn free"] - max(rivals) > np.log(20.0)
