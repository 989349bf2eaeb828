"""Recurring flaws: power, false alarms, and whether hand and mechanical forming are told apart."""

from types import SimpleNamespace

import numpy as np
import placing_sets as sets
import pytest

from fragkit.technique import OutlineSpread, Priors, find_recurrence
from fragkit.technique.shapes import forming_evidence, gather_shapes

ANGLE = np.linspace(0.0, 2.0 * np.pi, 160, endpoint=False)
WAVES = np.array([f(k * ANGLE) for k in range(2, 14) for f in (np.cos, np.sin)]) * np.sqrt(2.0 / 24.0)


def _plate_copies(samples, placings, size, flaw, rng):
    """Copies of a plate: white noise of unit sd, and flaws that recur at each seat."""
    shape = {6: (3, 2), 12: (4, 3)}[placings]
    sites = sets.grid(shape[0] * size[0], shape[1] * size[1])
    flaws = flaw * rng.standard_normal((size[0] * size[1], samples))
    seat = sites[:, 0] % size[0] + size[0] * (sites[:, 1] % size[1])
    strays = flaws[seat] + rng.standard_normal((len(sites), samples))
    return sites, strays


def _power(samples, placings, size, n, rng, *, flaw=0.2):
    p = []
    for _ in range(n):
        sites, strays = _plate_copies(samples, placings, size, flaw, rng)
        p.append(find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng).p)
    return float(np.mean(np.array(p) <= 0.01))


def _damaged(rng):
    """Hand work whose neighbours share their damage: strays and losses correlated over a motif and a half."""
    sites = sets.grid(8, 6)
    apart = np.linalg.norm(sites[:, None] - sites, axis=2)
    root = np.linalg.cholesky(np.exp(-0.5 * (apart / 1.5) ** 2) + 1e-9 * np.eye(48))
    strays = 0.3 * (root @ rng.standard_normal((48, 24))) @ WAVES + 0.3 * rng.standard_normal((48, 160))
    seen = (root @ rng.standard_normal((48, 24))) @ WAVES < 0.8
    return find_recurrence(strays, seen, sites, rng=rng).p


def test_flaws_of_a_fifth_of_the_noise_are_found():
    rng = np.random.default_rng(21)
    assert _power(800, 6, (3, 2), 5, rng) >= 0.9
    assert _power(200, 12, (3, 2), 5, rng) >= 0.9


def test_damage_that_neighbours_share_fakes_no_flaws():
    rng = np.random.default_rng(22)
    p = np.array([_damaged(rng) for _ in range(20)])
    assert np.mean(p <= 0.05) <= 0.15  # 20 honest p-values: above this with chance 1.6 %


def _streaked(rng, *, shape=(8, 6), reach=(0.7, 2.5)):
    """Hand work under damp that runs down the wall: strays alike over 2.5 motifs down and 0.7 across."""
    sites = sets.grid(*shape)
    n, apart = len(sites), (sites[:, None] - sites) / np.array(reach)
    root = np.linalg.cholesky(np.exp(-0.5 * (apart**2).sum(axis=2)) + 1e-9 * np.eye(n))
    strays = 0.3 * (root @ rng.standard_normal((n, 24))) @ WAVES + 0.3 * rng.standard_normal((n, 160))
    return find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng).p


def _hand_works(rng, name):
    """Copies drawn by hand: eight, twelve, or 48 that are unequally unsteady, with blots, or white noise of 24."""
    if name == "24 of white noise":
        return sets.grid(4, 6), rng.standard_normal((24, 200))
    sites = sets.grid(*{"eight": (4, 2), "twelve": (4, 3)}.get(name, (8, 6)))
    strays = 0.3 * rng.standard_normal((len(sites), 24)) @ WAVES + 0.3 * rng.standard_normal((len(sites), 160))
    if name == "48 unequally unsteady":
        return sites, strays * np.exp(0.5 * rng.standard_normal((48, 1)))
    if name == "48 with blots":
        spoilt, middle = rng.random(48) < 0.3, rng.uniform(0.0, 2.0 * np.pi, (48, 1))
        return sites, strays + spoilt[:, None] * np.exp(8.0 * (np.cos(ANGLE - middle) - 1.0))
    return sites, strays


def _hand_work(rng, name):
    sites, strays = _hand_works(rng, name)
    return find_recurrence(strays, np.ones(strays.shape, bool), sites, rng=rng).p


def test_streaks_down_the_wall_are_not_taken_for_a_plate():
    """With likeness falling alike in all directions every one of these would be called a plate."""
    rng = np.random.default_rng(27)
    p = np.array([_streaked(rng) for _ in range(20)])
    assert np.mean(p <= 0.01) <= 0.1  # three of 20 honest p-values would be a chance of 0.1 %


@pytest.mark.benchmark
def test_benchmark_of_flaws():
    rng = np.random.default_rng(23)
    for samples, placings in ((800, 6), (200, 12)):
        for size in ((2, 1), (2, 2), (3, 2), (4, 3)):
            found = _power(samples, placings, size, 40, rng)
            print(f"{samples} samples, {placings} placings of {size}: power at 1 % >= 0.90 / {found:.2f}")
    p = np.array([_damaged(rng) for _ in range(200)])
    print(f"correlated damage, 200: p <= 0.01 in <= 0.01 / {np.mean(p <= 0.01):.3f}")
    p = np.array([_streaked(rng) for _ in range(200)])
    print(f"damage in streaks, 200: p <= 0.01 in <= 0.01 / {np.mean(p <= 0.01):.3f}")


def _forming_odds(rng, kind, free_mm, *, flaw_ratio=0.5):
    """Log odds of mechanical against hand for 48 motifs of 50 mm."""
    sites = sets.grid(8, 6)
    own = {"free": free_mm, "mechanical": 0.15 * free_mm}[kind]
    strays = own * rng.standard_normal((48, 24)) @ WAVES
    if kind == "mechanical":
        size = sets.SIZES[rng.integers(12)]
        flaws = flaw_ratio * free_mm * rng.standard_normal((size[0] * size[1], 24)) @ WAVES
        strays = strays + flaws[sites[:, 0] % size[0] + size[0] * (sites[:, 1] % size[1])]
    strays = strays - strays.mean(axis=0) + 0.15 * rng.standard_normal(strays.shape)
    spread = np.sqrt(max(np.mean(strays**2) - 0.15**2, 0.0))
    motif = SimpleNamespace(
        strays_mm=strays,
        strays_seen=rng.random(strays.shape) > 0.2,
        shape_spread_mm=float(spread),
        metal_width_mm=34.0,
        metal_height_mm=50.0,
        example_index=np.column_stack([np.zeros(48, int), sites]),
    )
    logs = forming_evidence(gather_shapes(motif, sites, rng=rng), Priors())
    return float(np.logaddexp(*logs[2:]) - np.logaddexp(*logs[:2]))


def _single_odds(rng, own_mm, samples, placings, priors):
    """Log odds of a plate, and of an outline, against free hand: single motifs of 50 mm, noise of 0.15 mm."""
    strays = np.hypot(own_mm, 0.15) * rng.standard_normal((placings, samples))
    sites = sets.grid(3, placings // 3)
    motif = SimpleNamespace(
        strays_mm=strays - strays.mean(axis=0),
        strays_seen=np.ones(strays.shape, bool),
        shape_spread_mm=own_mm,
        metal_width_mm=34.0,
        metal_height_mm=50.0,
        example_index=np.column_stack([np.zeros(placings, int), sites]),
    )
    logs = forming_evidence(gather_shapes(motif, sites, rng=rng), priors)
    return logs[2] - logs[0], logs[1] - logs[0]


SINGLES = {"free": 0.76, "plate": 0.15 * 0.76, "outline": 0.41}
"""Spread in mm of a motif of 50 mm: drawn free, through a plate of one motif, along a pounced outline."""


def _single_power(samples, placings, n, rng, *, log_sd):
    """Share of plates with one motif, and of pounced outlines, beyond 99 % of free hands, which differ by `log_sd`."""
    free = OutlineSpread(own_mm=0.3, size_ratio=0.014, log_sd=0.1 if log_sd < 0.2 else 0.5)
    priors = Priors(outlines={"drawn free": free})
    odds = {
        kind: np.array(
            [
                _single_odds(rng, mm * np.exp(log_sd * rng.standard_normal()), samples, placings, priors)
                for _ in range(n)
            ]
        )
        for kind, mm in SINGLES.items()
    }
    limit = np.quantile(odds["free"], 0.99, axis=0)
    return float(np.mean(odds["plate"][:, 0] > limit[0])), float(np.mean(odds["outline"][:, 1] > limit[1]))


def _hand_or_mechanical(n, rng):
    free = [0.75 * np.exp(0.4 * rng.standard_normal()) for _ in range(n)]
    odds = [_forming_odds(rng, kind, mm) for kind in ("mechanical", "free") for mm in free]
    return sets.cllr(odds, np.repeat([True, False], n))


def test_hand_and_mechanical_forming_are_told_apart():
    assert _hand_or_mechanical(12, np.random.default_rng(24)) < 0.25


@pytest.mark.benchmark
def test_benchmark_of_forming():
    cost = _hand_or_mechanical(100, np.random.default_rng(25))
    print(f"\n48 motifs, flaws of half the free-hand spread, 1 × 1 included, 100 + 100 sets: Cllr <= 0.10 / {cost:.2f}")
