"""How the placing verdict compares with one who knows the true constants, and whether its posteriors hold."""

import numpy as np
import placing_sets as sets
import pytest
from scipy.special import logsumexp

from fragkit.lattice import fit_lattice
from fragkit.technique import Priors
from fragkit.technique.positions import gather_evidence, spacing_mm, weigh_positions

KIND_OF = {"motif by motif": 0, "along rows": 1, "along columns": 1, "plate": 2, "block": 3}


def our_logs(placed):
    """Log evidence (4,) of hand, stepped, plate and block as `weigh_technique` has it, and the likeliest group."""
    lattice = fit_lattice(placed.centres)
    table = weigh_positions(
        [gather_evidence(lattice)], spacing_mm=spacing_mm([lattice]), n_each=0, rng=np.random.default_rng(0)
    )
    families, _ = table.evidence(Priors())
    kinds = np.array([KIND_OF.get(kind, -1) for _, kind, _ in table.families])
    logs = np.array([logsumexp(families[kinds == k, 0]) for k in range(4)])
    plates = [k for k in range(len(kinds)) if kinds[k] >= 2]
    best = max(plates, key=lambda k: families[k, 0])
    return logs + np.log([1.0, 1.0, 2.0, 2.0]), table.families[best][2]


def placing_posterior(placed):
    """Posterior (4,) of the ways of placing, as `weigh_technique` states it."""
    lattice = fit_lattice(placed.centres)
    table = weigh_positions(
        [gather_evidence(lattice)], spacing_mm=spacing_mm([lattice]), n_each=0, rng=np.random.default_rng(0)
    )
    logs = table.evidence(Priors())[1][:, 0] + Priors().placing_logs()
    return np.exp(logs - logsumexp(logs))


def weigh_sets(n, seed):
    rng = np.random.default_rng(seed)
    placed = [sets.random_set(rng) for _ in range(n)]
    several = [one for one in placed if not one.single]
    ours = np.array([our_logs(one)[0] for one in several])
    theirs = np.array([sets.reference_logs(sets.reference(one)) for one in several])
    truth = np.array([sets.KINDS.index(one.kind) for one in several])
    return several, ours, theirs, truth


def report(n, seed):
    several, ours, theirs, truth = weigh_sets(n, seed)
    loss, best = sets.loss_bits(ours, truth), sets.loss_bits(theirs, truth)
    hand_or_group = truth != 1
    pairs = [
        sets.cllr((logsumexp(e[:, 2:], axis=1) - np.log(2.0) - e[:, 0])[hand_or_group], truth[hand_or_group] >= 2)
        for e in (ours, theirs)
    ]
    heavy = np.array([one.heavy for one in several])
    posterior = np.exp(ours - logsumexp(ours, axis=1, keepdims=True))
    firm = posterior.max(axis=1) > 0.95
    wrong = np.mean(posterior.argmax(axis=1)[firm] != truth[firm])
    right = [np.mean(e.argmax(axis=1) == truth) for e in (ours, theirs)]
    print(f"\n{len(truth)} sets of groups larger than one, {heavy.sum()} heavy-tailed; asked / measured / reference")
    print(f"loss, bits four-way: <= 1.10 x reference / {loss:.3f} = {loss / best:.2f} x / {best:.3f}")
    tails = [sets.loss_bits(e[heavy], truth[heavy]) for e in (ours, theirs)]
    print(f"  heavy-tailed alone: {tails[0]:.3f} / {tails[1]:.3f}")
    print(f"named rightly: {right[0]:.3f} / {right[1]:.3f}; Cllr hand or group: {pairs[0]:.3f} / {pairs[1]:.3f}")
    print(f"posterior above 0.95: {firm.sum()}, of them wrong: <= 0.05 / {wrong:.3f}")
    return loss, best, wrong


def test_the_loss_is_near_that_of_one_who_knows_the_constants():
    loss, best, wrong = report(10, 31)
    assert loss < 1.3 * best + 0.05  # ten sets: one set more or less moves the ratio by a third
    assert wrong <= 0.10


@pytest.mark.benchmark
def test_benchmark_of_placings():
    loss, best, wrong = report(300, 77)
    assert loss <= 1.10 * best
    assert wrong <= 0.05


def _equal_scatter(kind, columns, rows, rng):
    """Structured and independent scatter alike: 0.5 mm each, of the latter 0.3 mm measured."""
    sites = sets.grid(columns, rows)
    size = sets.SIZES[1 + rng.integers(11)] if kind == "plate" else (1, 1)
    moved = 0.4 * rng.standard_normal((len(sites), 2))
    if kind != "hand":
        moved = moved + sets.displaced(kind, sites, 0.5, rng, size=size, ratios=(1.0, 1.0, 0.0, 0.0))
    xy = sites * [sets.ACROSS, sets.DOWN] + moved + 0.3 * rng.standard_normal(moved.shape)
    return sets.PlacedSet(kind, size, 0.5, False, sites, xy, 0.3)


@pytest.mark.benchmark
@pytest.mark.parametrize(
    ("grid", "group", "walk", "size"), [((8, 6), 0.41, 0.12, 0.65), ((10, 10), 0.28, 0.07, 0.93)], ids=["48", "100"]
)
def test_table_of_equal_scatter(grid, group, walk, size):
    rng = np.random.default_rng(5)
    n = 30
    logs, names = {}, {}
    for kind in ("hand", "stepped", "plate"):
        placed = [_equal_scatter(kind, *grid, rng) for _ in range(n)]
        found = [our_logs(one) for one in placed]
        logs[kind] = np.array([f[0] for f in found])
        names[kind] = np.mean([f[1] == one.size for f, one in zip(found, placed, strict=True)])
    first = np.repeat([True, False], n)
    p_i = sets.cllr(np.concatenate([logs["plate"], logs["hand"]]) @ [-1.0, 0.0, 1.0, 0.0], first)
    w_i = sets.cllr(np.concatenate([logs["stepped"], logs["hand"]]) @ [-1.0, 1.0, 0.0, 0.0], first)
    print(
        f"\n{grid[0] * grid[1]} motifs, {n} sets a kind; asked / measured: Cllr group / independent {group} / {p_i:.2f}"
    )
    print(f"  walk / independent {walk} / {w_i:.2f}; size right {size} / {names['plate']:.2f}")
    assert p_i <= group + 0.1
    assert w_i <= walk + 0.05
    assert names["plate"] >= size - 0.1
