"""Prints what is asked of the weighing and what is measured, as one table: `python figures_of_technique.py [share]`.

The share scales every number of sets: 1 takes an hour or two on two cores, 0.05 some minutes. The seeds are used
nowhere else.
"""

import sys
import time
from collections.abc import Iterator

import numpy as np
import placing_sets as sets
from scipy.special import logsumexp
from test_areas import _hits, patched_wall
from test_forming_benchmark import _damaged, _hand_or_mechanical, _power
from test_placing_benchmark import _equal_scatter, our_logs, weigh_sets

from fragkit.lattice import fit_lattice
from fragkit.technique import Priors, map_regularity, reweigh, weigh_technique


def _placings(n: int) -> Iterator[tuple[str, str, str]]:
    several, ours, theirs, truth = weigh_sets(n, 9001)
    loss, best = sets.loss_bits(ours, truth), sets.loss_bits(theirs, truth)
    size = f"{len(several)} sets"
    yield f"loss four-way, bits ({size})", "<= 1.10 x reference", f"{loss:.3f} = {loss / best:.2f} x {best:.3f}"
    both = [100.0 * np.mean(e.argmax(axis=1) == truth) for e in (ours, theirs)]
    yield f"named rightly, % ({size})", "as reference", f"{both[0]:.0f}; reference {both[1]:.0f}"
    kept = truth != 1
    costs = [
        sets.cllr((logsumexp(e[:, 2:], axis=1) - np.log(2.0) - e[:, 0])[kept], truth[kept] >= 2) for e in (ours, theirs)
    ]
    yield f"Cllr hand or group ({kept.sum()} sets)", "as reference", f"{costs[0]:.3f}; reference {costs[1]:.3f}"
    posterior = np.exp(ours - logsumexp(ours, axis=1, keepdims=True))
    firm = posterior.max(axis=1) > 0.95
    wrong = 100.0 * np.mean(posterior.argmax(axis=1)[firm] != truth[firm])
    yield f"posterior above 0.95, wrong, % ({firm.sum()} sets)", "<= 5", f"{wrong:.1f}"
    few = np.array([len(one.sites) < 8 for one in several])
    if few.any():
        wrong = 100.0 * np.mean((firm & (posterior.argmax(axis=1) != truth))[few])
        yield f"fewer than 8 motifs, firm and wrong, % ({few.sum()} sets)", "<= 1", f"{wrong:.1f}"


def _equal(n: int, grid: tuple[int, int], asked: tuple[float, float, int]) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(9002)
    placed = {kind: [_equal_scatter(kind, *grid, rng) for _ in range(n)] for kind in ("hand", "stepped", "plate")}
    found = {kind: [our_logs(one) for one in ones] for kind, ones in placed.items()}
    logs = {kind: np.array([f[0] for f in ones]) for kind, ones in found.items()}
    first, motifs = np.repeat([True, False], n), grid[0] * grid[1]
    for name, kind, k, most in (("group", "plate", 2, asked[0]), ("walk", "stepped", 1, asked[1])):
        both = np.concatenate([logs[kind], logs["hand"]])
        cost = sets.cllr(both[:, k] - both[:, 0], first)
        yield f"Cllr {name} / independent, {motifs} motifs ({n} a kind)", f"<= {most}", f"{cost:.2f}"
    right = 100.0 * np.mean([f[1] == one.size for f, one in zip(found["plate"], placed["plate"], strict=True)])
    yield f"group size right, %, {motifs} motifs ({n})", f">= {asked[2]}", f"{right:.0f}"


def _forming(n: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(9003)
    for samples, placings in ((800, 6), (200, 12)):
        for size in ((2, 1), (2, 2), (3, 2), (4, 3)):
            found = 100.0 * _power(samples, placings, size, n, rng)
            name = f"power at 1 %, {samples} samples x {placings} placings of {size[0]} x {size[1]}, % ({n})"
            yield name, ">= 90", f"{found:.0f}"
    false = 100.0 * np.mean(np.array([_damaged(rng) for _ in range(4 * n)]) <= 0.01)
    yield f"correlated damage, p <= 1 % ({4 * n})", "<= 1 %", f"{false:.1f} %"
    yield f"Cllr hand / mechanical, 48 motifs ({n} a kind)", "<= 0.10", f"{_hand_or_mechanical(n, rng):.2f}"


def _regularity(n_patched: int, n_plain: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(9004)
    walls = [patched_wall(rng) for _ in range(n_patched)]
    found = 100.0 * np.mean([bool(_hits(map_regularity(wall, rng=rng), patch)) for wall, patch in walls])
    yield f"patch of 5 x 4 found, % ({n_patched})", ">= 90", f"{found:.0f}"
    plain = [patched_wall(rng, patch=False)[0] for _ in range(n_plain)]
    shown = 100.0 * np.mean([bool(map_regularity(wall, rng=rng)) for wall in plain])
    yield f"walls without a patch that show one, % ({n_plain})", "<= 5", f"{shown:.1f}"


def _times() -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(9005)
    wall = sets.grid(10, 8)
    xy = wall * [sets.ACROSS, sets.DOWN] + rng.standard_normal(wall.shape)
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.09, (len(wall), 1, 1)), wall))
    start = time.perf_counter()
    technique = weigh_technique([lattice], None, rng=rng)
    yield "80 motifs with calibration, s", "< 5", f"{time.perf_counter() - start:.1f}"
    start = time.perf_counter()
    reweigh(technique, priors=Priors(scatter_mm={"rigid groups": (2.0, 0.5)}))
    yield "another prior, s", "< 0.2", f"{time.perf_counter() - start:.2f}"


def main(share: float) -> None:
    def scaled(n: int) -> int:
        return max(2, round(share * n))

    print(f"{'figure':<66} {'asked':<20} measured")
    for rows in (
        _times(),
        _placings(scaled(2000)),
        _equal(scaled(250), (8, 6), (0.41, 0.12, 65)),
        _equal(scaled(250), (10, 10), (0.28, 0.07, 93)),
        _forming(scaled(100)),
        _regularity(scaled(100), scaled(400)),
    ):
        for name, asked, measured in rows:
            print(f"{name:<66} {asked:<20} {measured}", flush=True)


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
