"""Prints what is asked of the weighing and what is measured: `python figures_of_technique.py [share] [seed] [part …]`.

The share scales every number of sets: 1 takes an hour or two on two cores, 0.05 some minutes. The seed is for whoever
wants sets that nothing was tuned on. Parts: times, placings, firm, 48, 100, flaws, pairs, false, single, patched,
one-plate, plain, changes.
"""

import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import placing_sets as sets
from scipy.optimize import brentq
from scipy.special import expit, logsumexp
from scipy.stats import chi2, f, ncx2
from test_areas import _hits, _lattice, frieze, patched_wall
from test_forming_benchmark import (
    SINGLES,
    _damaged,
    _hand_or_mechanical,
    _hand_work,
    _power,
    _single_power,
    _streaked,
)
from test_placing_benchmark import _equal_scatter, our_logs, placing_posterior, weigh_sets

from fragkit.lattice import Fitted, fit_lattice
from fragkit.technique import PLACINGS, OutlineSpread, Priors, find_changes, map_regularity, reweigh, weigh_technique
from fragkit.technique.shapes import told_by_spread


def _placings(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    several, ours, theirs, truth = weigh_sets(n, seed)
    loss, best = sets.loss_bits(ours, truth), sets.loss_bits(theirs, truth)
    size = f"{len(several)} of {n} sets"
    low, high = _loss_ratio(ours, theirs, truth)
    text = f"{loss:.3f} = {loss / best:.2f} ({low:.2f} to {high:.2f}) x {best:.3f}"
    yield f"loss four-way, bits ({size})", "<= 1.10 x reference", text
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
    slope, low, high = _reliability(ours, truth)
    yield f"reliability slope, 95 % interval ({size})", "contains 1", f"{slope:.2f}, {low:.2f} to {high:.2f}"


def _reliability(logs: np.ndarray, truth: np.ndarray) -> tuple[float, float, float]:
    """Slope of the log odds of being right on the stated ones, over all answers, with an interval by bootstrap."""
    posterior = np.exp(logs - logsumexp(logs, axis=1, keepdims=True)).clip(1e-12, 1.0 - 1e-12)
    stated, right = np.log(posterior / (1.0 - posterior)), np.eye(logs.shape[1])[truth]

    def slope(chosen: np.ndarray) -> float:
        x, y = stated[chosen].ravel(), right[chosen].ravel()
        return float(brentq(lambda b: x @ (y - expit(b * x)), 0.05, 20.0))

    rng = np.random.default_rng(9010)
    drawn = [slope(rng.integers(len(truth), size=len(truth))) for _ in range(400)]
    return slope(np.arange(len(truth))), *np.quantile(drawn, [0.025, 0.975])


def _loss_ratio(ours: np.ndarray, theirs: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """95 % interval of our loss over the reference's, by bootstrap over the sets."""
    rng = np.random.default_rng(9011)
    drawn = (rng.integers(len(truth), size=len(truth)) for _ in range(400))
    ratios = [sets.loss_bits(ours[k], truth[k]) / sets.loss_bits(theirs[k], truth[k]) for k in drawn]
    return np.quantile(ratios, [0.025, 0.975])


def _small(rng: np.random.Generator, kind: str, n: int, scatter: float, sd: float) -> sets.PlacedSet:
    """n motifs in a nearly square area."""
    width = int(np.ceil(np.sqrt(n)))
    sites = sets.grid(width, width)[:n]
    size = sets.SIZES[1 + rng.integers(11)] if kind in sets.CONSTANTS else (1, 1)
    moved = sets.displaced(kind, sites, scatter, rng, size=size)
    xy = sites * [sets.ACROSS, sets.DOWN] + moved + sd * rng.standard_normal(moved.shape)
    return sets.PlacedSet(kind, size, scatter, False, sites, xy, sd)


def _firm(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    """Few motifs measured badly must not be decided; strong structure mostly is."""
    rng, answer = np.random.default_rng(seed), {"hand": 0, "stepped": 1, "plate": 2, "block": 2}
    few = [sets.KINDS[k % 4] for k in range(n)]
    scatters = 1.4 * np.exp(0.6 * rng.standard_normal(n))
    found = [placing_posterior(_small(rng, k, rng.integers(5, 8), s, 0.5)) for k, s in zip(few, scatters, strict=True)]
    wrong = [one.max() > 0.95 and one.argmax() != answer[kind] for one, kind in zip(found, few, strict=True)]
    yield f"5 to 7 motifs at 0.5 mm, firm and wrong, % ({n})", "<= 1", f"{100.0 * np.mean(wrong):.1f}"
    strong = [("stepped", "plate")[k % 2] for k in range(n)]
    errors = rng.uniform(0.15, 0.5, n)
    found = [
        placing_posterior(_small(rng, kind, rng.integers(12, 21), rng.uniform(4.0, 8.0) * sd, sd))
        for kind, sd in zip(strong, errors, strict=True)
    ]
    for name in ("stepped", "plate"):
        own = [one for one, kind in zip(found, strong, strict=True) if kind == name]
        firm = 100.0 * np.mean([one.max() > 0.95 for one in own])
        wrong = 100.0 * np.mean([one.max() > 0.95 and one.argmax() != answer[name] for one in own])
        text = f"{firm:.0f}; wrong {wrong:.1f}"
        yield f"{name}, scatter 4 to 8 x measuring, 12 to 20 motifs, firm, % ({len(own)})", ">= 55", text


def _equal(n: int, seed: int, grid: tuple[int, int], asked: tuple[float, float, int]) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(seed)
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


def _ideal_flaws(samples: int, placings: int, seats: int, *, flaw: float = 0.2) -> float:
    """Power at 1 % of the likelihood ratio (Neyman and Pearson) with the plate's size, its flaws and the noise known.

    The mean copy is taken off, so a plate shows by one contrast less than it has seats, in every sample; each has the
    variance 1 + placings x flaw^2 in units of the noise's.
    """
    free = samples * (seats - 1)
    return float(chi2.sf(chi2.isf(0.01, free) / (1.0 + placings * flaw**2), free))


def _limit_of_search(samples: int, placings: int, *, flaw: float = 0.2) -> float:
    """Power at 1 % for a plate of two motifs when the noise is read off the same copies and the plate may be 2 x 1 or
    1 x 2: an F test of the one contrast against the others, at 0.5 % for each; no false alarm left to larger plates.
    """
    rest = samples * (2 * placings - 2)
    return float(f.sf(f.isf(0.005, samples, rest) / (1.0 + placings * flaw**2), samples, rest))


def _ideal_single(kind: str, log_sd: float) -> float:
    """Power at 1 % when each spread is known exactly and hands differ by `log_sd` about what is assumed."""
    guided = OutlineSpread(own_mm=SINGLES[kind], size_ratio=0.0, log_sd=log_sd)
    spreads = {"drawn free": replace(guided, own_mm=SINGLES["free"]), "along an outline": guided}
    return told_by_spread(Priors(outlines=spreads), 50.0)


def _pairs(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    """Plates of two motifs, the hardest: as many draws as tell a percent."""
    rng = np.random.default_rng(seed)
    for samples, placings in ((800, 6), (200, 12)):
        limit = 100.0 * _limit_of_search(samples, placings)
        for size in ((1, 2), (2, 1)):
            power = _power(samples, placings, size, n, rng)
            sd = np.sqrt(power * (1.0 - power) / n)
            text = f"{100.0 * power:.1f} +- {100.0 * sd:.1f}; who must find out size and noise {limit:.1f}"
            name = f"power at 1 %, {samples} samples x {placings} placings of {size[0]} x {size[1]}, % ({n})"
            yield name, ">= 90", text


def _flaws(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(seed)
    for samples, placings in ((800, 6), (200, 12)):
        for size in ((2, 1), (1, 2), (2, 2), (3, 2), (4, 3)):
            found = 100.0 * _power(samples, placings, size, n, rng)
            name = f"power at 1 %, {samples} samples x {placings} placings of {size[0]} x {size[1]}, % ({n})"
            ideal = 100.0 * _ideal_flaws(samples, placings, size[0] * size[1])
            known = f"who knows the plate's size and the noise {ideal:.0f}"
            if size[0] * size[1] == 2:
                known += f", who must find out both {100.0 * _limit_of_search(samples, placings):.0f}"
            yield name, ">= 90", f"{found:.0f}; {known}"


def _false_flaws(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(seed)
    works = ("eight", "twelve", "48 unequally unsteady", "48 with blots", "24 of white noise")
    draws = {
        **{f"copies by hand, {name}": partial(_hand_work, name=name) for name in works},
        "damage in streaks along the row, twelve copies": partial(_streaked, shape=(4, 3), reach=(2.5, 0.7)),
        "damage in streaks, eight copies": partial(_streaked, shape=(4, 2)),
        "damage in streaks, 48 copies": _streaked,
        "correlated damage": _damaged,
    }
    for name, draw in draws.items():
        shown = sum(draw(rng) <= 0.01 for _ in range(n))
        yield f"{name}, p <= 1 %, % ({n})", "<= 1", f"{100.0 * shown / n:.2f} ({shown})"


def _single(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    """Plates of one motif and pounced outlines, and hand against mechanical with plates of every size."""
    rng = np.random.default_rng(seed)
    for samples, placings in ((800, 6), (200, 12)):
        for name, log_sd in (("assumed", 0.4), ("of this hand, measured", 0.1)):
            powers = _single_power(samples, placings, n, rng, log_sd=log_sd)
            for kind, power in zip(("plate", "outline"), powers, strict=True):
                what = f"power at 1 %, {samples} x {placings} of 1 x 1, spread {name}: {kind}, % ({n})"
                yield (
                    what,
                    ">= 90",
                    f"{100.0 * power:.0f}; spread known exactly {100.0 * _ideal_single(kind, log_sd):.0f}",
                )
    yield f"Cllr hand / mechanical, 48 motifs ({n // 2} a kind)", "<= 0.10", f"{_hand_or_mechanical(n // 2, rng):.2f}"


def _patched(n: int, seed: int, *, one_plate: bool) -> Iterator[tuple[str, str, str]]:
    rng, name = np.random.default_rng(seed), "one plate of 5 x 4" if one_plate else "plates of 2 to 12"
    found, ideal = [], []  # of the ideal: whether there is a patch, and whether it also says where
    for _ in range(n):
        scatter = 1.4 * np.exp(0.6 * rng.standard_normal())
        wall, patch = patched_wall(rng, one_plate=one_plate, scatter=scatter)
        areas = map_regularity(wall, rng=rng)
        found.append((bool(areas), bool(_hits(areas, patch))))
        ideal.append(_ideal_patch(wall, scatter, patch, one_plate=one_plate))
    shown, hit, known, placed = (f"{100.0 * np.mean(one):.1f}" for one in np.column_stack([found, ideal]).T)
    text = f"{hit} (shown {shown}); who knows net and scatter {known}, and where {placed}"
    yield f"patch of 5 x 4 by {name} found, % ({n})", ">= 90", text


def _plain(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(seed)
    shown = [bool(map_regularity(patched_wall(rng, patch=False)[0], rng=rng)) for _ in range(n)]
    yield f"walls without a patch that show one, % ({n})", "<= 5", f"{100.0 * np.mean(shown):.1f}"


def _ideal_patch(
    wall: Fitted, scatter: float, patch: set[tuple[int, ...]], *, one_plate: bool, n_simulated: int = 200
) -> tuple[bool, bool]:
    """Whether the likelihood ratio finds a patch at one false alarm in twenty walls like this (Neyman and Pearson), and
    whether its likeliest place, too, lies in the patch for the greater part.

    Known are the net, the scatters, that a patch is 5 x 4, and whether it is one plate; averaged are its place,
    and the sizes and phases of plates. Formulas of `placing_sets`, not of the toolkit.
    """
    rng, sd = np.random.default_rng(9012), float(np.sqrt(wall.cov_mm2[0, 0, 0]))
    moved = (wall.xy_mm - wall.index * np.array([sets.ACROSS, sets.DOWN])).ravel()
    hands = np.hypot(scatter, sd) * rng.standard_normal((len(moved), n_simulated))
    data, (units, shares) = np.column_stack([moved, hands]), _patches(one_plate)
    ratios, places = [], []
    for corner in np.ndindex(8, 6):
        inside = np.all((wall.index >= corner) & (wall.index < np.add(corner, (5, 4))), axis=1)
        seats = (wall.index[inside] - corner) @ [1, 5]
        both = (2 * seats[:, None] + [0, 1]).ravel()
        spreads = scatter**2 * units[:, both[:, None], both] + sd**2 * np.eye(len(both))
        here = data[np.repeat(inside, 2)]
        squares = np.einsum("ik,pij,jk->pk", here, np.linalg.inv(spreads), here, optimize=True)
        logs = -0.5 * (np.linalg.slogdet(spreads)[1][:, None] + squares) + np.log(shares)[:, None]
        variance = scatter**2 + sd**2
        plain = -0.5 * (len(both) * np.log(variance) + (here**2).sum(axis=0) / variance)
        ratios.append(logsumexp(logs, axis=0) - plain)
        places.append({tuple(site) for site in wall.index[inside].tolist()})
    total, place = logsumexp(ratios, axis=0), places[int(np.argmax(np.array(ratios)[:, 0]))]
    found = bool(total[0] > np.quantile(total[1:], 0.95))
    return found, found and len(place & patch) > 0.5 * len(place)


def _patches(one_plate: bool) -> tuple[np.ndarray, np.ndarray]:
    """Covariance (k, 40, 40) at unit scatter of a whole patch under each plate and phase, and their shares (k,)."""
    sites, units, shares = sets.grid(5, 4), [], []
    shift, turn, seats, own = sets.CONSTANTS["plate"]
    for size in [(5, 4)] if one_plate else sets.SIZES[1:]:
        for phase in np.ndindex(size):
            group, name, seat = sets.groups(sites, size, phase)
            together = group[:, None] == group
            kernel = shift**2 * together + seats**2 * (name[:, None] == name) + own**2 * np.eye(20)
            lever = sets.arms(seat, size).ravel()
            turning = np.kron(together, np.ones((2, 2))) * np.outer(lever, lever)
            units.append(np.kron(kernel, np.eye(2)) + turn**2 * turning)
            shares.append(1.0 / (size[0] * size[1]))
    return np.array(units), np.array(shares) / sum(shares)


def _changes(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    """Steps in walls of 10 x 6 and in friezes of 24, of a hand that strays 0.7 mm, measured to 0.2 mm."""
    rng, sites = np.random.default_rng(seed), sets.grid(10, 6)

    def wall(kind: str, step: np.ndarray) -> Fitted:
        moved = sets.displaced(kind, sites, 0.7, rng) + np.outer(sites[:, 0] >= 6, step)
        return _lattice(sites, moved, 0.2, rng)

    for kind in ("hand", "stepped"):
        shown = 100.0 * np.mean([bool(find_changes(wall(kind, np.zeros(2)), rng=rng)) for _ in range(2 * n)])
        yield f"walls of {kind} work without a step that show one, % ({2 * n})", "<= 5", f"{shown:.1f}"
    shown = 100.0 * np.mean([bool(find_changes(frieze(rng), rng=rng)) for _ in range(2 * n)])
    yield f"friezes without a step that show one, % ({2 * n})", "<= 5", f"{shown:.1f}"
    for size in (2.0, 3.0):
        turns = rng.uniform(0.0, 2.0 * np.pi, n)
        walls = [wall("hand", size * np.array([np.cos(t), np.sin(t)])) for t in turns]
        rows = [frieze(rng, step_mm=size) for _ in range(n)]
        for name, made, at, counts in (("wall", walls, 6, sites), ("frieze", rows, 12, sets.grid(24, 1)[:, :1])):
            named = [
                any(one.along == "rows" and abs(one.before - at) <= 1 for one in find_changes(w, rng=rng)) for w in made
            ]
            ideal = 100.0 * _ideal_step(size, np.hypot(0.7, 0.2), counts, at)
            what = f"step of {size:.0f} mm in a {name} named within a column, % ({n})"
            yield what, "near the ideal", f"{100.0 * np.mean(named):.0f}; who knows the hand {ideal:.0f}"


def _ideal_step(size_mm: float, sd_mm: float, counts: np.ndarray, at: int) -> float:
    """Power where the hand is known to place on lines with this sd, for as many lines as must be searched."""
    beyond = (counts[:, 0] >= at).astype(float)
    net = np.column_stack([np.ones(len(counts)), counts])
    beyond -= net @ np.linalg.lstsq(net, beyond, rcond=None)[0]
    lines = sum(len(np.unique(line)) - 1 for line in counts.T)
    return float(ncx2.sf(chi2.isf(0.05 / lines, 2), 2, size_mm**2 * (beyond @ beyond) / sd_mm**2))


def _times(n: int, seed: int) -> Iterator[tuple[str, str, str]]:
    rng = np.random.default_rng(seed)
    wall = sets.grid(10, 8)
    xy = wall * [sets.ACROSS, sets.DOWN] + rng.standard_normal(wall.shape)
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.09, (len(wall), 1, 1)), wall))
    start = time.process_time()
    technique = weigh_technique([lattice], None, rng=rng)
    yield "80 motifs with calibration, s of both processors together", "< 5", f"{time.process_time() - start:.1f}"
    start = time.process_time()
    reweigh(technique, priors=Priors(scatter_mm={PLACINGS[2]: (2.0, 0.5)}))
    yield "another prior, s", "< 0.2", f"{time.process_time() - start:.2f}"


PARTS = {
    "times": (_times, 1),
    "placings": (_placings, 2000),
    "firm": (_firm, 400),
    "48": (partial(_equal, grid=(8, 6), asked=(0.41, 0.12, 65)), 250),
    "100": (partial(_equal, grid=(10, 10), asked=(0.28, 0.07, 93)), 250),
    "flaws": (_flaws, 300),
    "single": (_single, 400),
    "patched": (partial(_patched, one_plate=False), 120),
    "one-plate": (partial(_patched, one_plate=True), 60),
    "plain": (_plain, 400),
    "changes": (_changes, 100),
    "false": (_false_flaws, 1000),
    "pairs": (_pairs, 1000),
}


def main(share: float, seed: int, parts: Sequence[str]) -> None:
    print(f"{'figure':<66} {'asked':<20} measured")
    for k, name in enumerate(PARTS):
        rows, n = PARTS[name]
        for figure, asked, measured in rows(max(2, round(share * n)), seed + k) if name in (parts or PARTS) else ():
            print(f"{figure:<66} {asked:<20} {measured}", flush=True)


if __name__ == "__main__":
    main(float((sys.argv[1:2] or ["1"])[0]), int((sys.argv[2:3] or ["9000"])[0]), sys.argv[3:])
