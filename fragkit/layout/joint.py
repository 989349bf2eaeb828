"""Rows of all walls of a room fitted together: one datum level runs round the corners."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.costs import price_many
from fragkit.layout.evidence import Evidence, phase_mm, pull
from fragkit.layout.fits import Anchor, Fit, make_fit
from fragkit.layout.jobs import Job
from fragkit.layout.nets import Offers, price_row
from fragkit.layout.search import cheapest_with

FloatArray = NDArray[np.float64]

N_COMMON = 3
"""Common rows that are priced for all walls before the rest are weighed."""
_MAX_ROUNDS = 300


@dataclass(frozen=True, eq=False)
class Band:
    """One wall of a ring: what it offers by itself, and the price of every candidate of its rows.

    `price` (k,) begins as a bound from below and becomes exact where `exact` says so.
    """

    job: Job
    offers: Offers
    price: FloatArray
    exact: NDArray[np.bool_]
    fits: dict[int, Fit] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Candidates:
    """Rows that any wall of the ring asks for: anchors, starts and repeats (k,)."""

    anchors: tuple[Anchor, ...]
    start_mm: FloatArray
    repeat_mm: FloatArray


def fit_rows(jobs: Sequence[Job], offers: Sequence[Offers], *, closed: bool) -> list[Fit]:
    """The fit down of each wall of a ring that is cheapest for all of them together.

    Parameters
    ----------
    jobs, offers : sequences, one for each wall in the order of the corners
    closed : bool
        The last wall meets the first.

    Notes
    -----
    Every wall may take any rows that any of them asks for; a wall's price is that of its cheapest net with
    these rows, and at each corner a step between rows costs what `COST_WEIGHTS` says. The cheapest choice is
    found by dynamic programming over bounds from below, and the bounds it relies on are replaced by exact
    prices until all of them are exact: then no other choice can be cheaper.
    """
    candidates = _candidates(jobs, offers)
    bands = [_band(job, offer, candidates) for job, offer in zip(jobs, offers, strict=True)]
    kept = _worth_keeping(bands, candidates)
    steps = _steps(bands, candidates, kept, closed=closed)
    for _ in range(_MAX_ROUNDS):
        chosen = _cheapest([band.price[k] for band, k in zip(bands, kept, strict=True)], steps, closed=closed)
        numbers = [int(keep[c]) for keep, c in zip(kept, chosen, strict=True)]
        open_ones = [(band, k) for band, k in zip(bands, numbers, strict=True) if not band.exact[k]]
        for band, k in open_ones:
            _make_exact(band, candidates, k)
        if not open_ones:
            break
    return [_fit(band, candidates, k) for band, k in zip(bands, numbers, strict=True)]


def _candidates(jobs: Sequence[Job], offers: Sequence[Offers]) -> Candidates:
    found: dict[tuple[float, float], Fit] = {}
    for fit in _rows_of_all_evidence(jobs, offers):
        found.setdefault(fit.key, fit)
    for job, offer in zip(jobs, offers, strict=True):
        words = f"rows level with {job.ground.wall.name}"
        for fit in offer.rows:
            found.setdefault(fit.key, replace(fit, anchor=replace(fit.anchor, kind="corner", words=words)))
    fits = list(found.values())
    return Candidates(
        anchors=tuple(fit.anchor for fit in fits),
        start_mm=np.array([fit.start_mm for fit in fits]),
        repeat_mm=np.array([fit.repeat_mm for fit in fits]),
    )


def _rows_of_all_evidence(jobs: Sequence[Job], offers: Sequence[Offers]) -> list[Fit]:
    """The rows that pass the surviving motifs of several walls best; none when fewer than two have any."""
    with_marks = [(job, offer.marks, offer.down) for job, offer in zip(jobs, offers, strict=True) if offer.marks]
    if len(with_marks) < 2:
        return []
    evidence = _together([job.evidence for job, _, _ in with_marks])
    heights = np.concatenate([marks.xy_mm[:, 1] for _, marks, _ in with_marks])
    repeat = with_marks[0][2].repeat_mm
    weights = evidence.weights()
    base = phase_mm(heights, repeat, weights)
    number = np.rint((heights - base) / repeat)
    best = pull(evidence, heights, number).best_repeat_mm() or repeat
    share = weights / weights.sum()
    anchor = Anchor(
        kind="surviving motifs",
        words="through the surviving motifs of all walls",
        at_mm=float(share @ heights),
        phase_ratio=-float(share @ number),
    )
    fits = [make_fit(down, anchor, value) for _, _, down in with_marks for value in (repeat, best) if value > 0]
    return [fit for fit in fits if fit is not None]


def _together(parts: Sequence[Evidence]) -> Evidence:
    counts = np.cumsum([0, *(len(part.sd_mm) for part in parts)])
    return Evidence(
        xy_mm=np.concatenate([part.xy_mm for part in parts]),
        source=np.concatenate([part.source + shift for part, shift in zip(parts, counts[:-1], strict=True)]),
        sd_mm=np.concatenate([part.sd_mm for part in parts]),
        names=tuple(name for part in parts for name in part.names),
        whole=np.concatenate([part.whole for part in parts]),
    )


def _band(job: Job, offers: Offers, candidates: Candidates) -> Band:
    price = price_many(offers.down, candidates.start_mm, candidates.repeat_mm, job.weights)
    if offers.pulls[1] is not None:
        pairs = zip(candidates.anchors, candidates.repeat_mm.tolist(), strict=True)
        fits = [make_fit(offers.down, anchor, repeat) for anchor, repeat in pairs]
        price = np.array([np.inf if fit is None else price_row(job, offers, fit).cost for fit in fits])
    price = price + min(fit.cost for fit in offers.columns)
    return Band(job, offers, price, np.zeros(len(price), bool))


def _worth_keeping(bands: Sequence[Band], candidates: Candidates) -> list[NDArray[np.int64]]:
    """Candidates of each wall that can be part of the cheapest choice: not dearer than one common choice."""
    least = [_least(band, candidates) for band in bands]
    together = np.sum([band.price for band in bands], axis=0)
    limit = np.inf
    for k in np.argsort(together)[:N_COMMON]:
        if together[k] < limit:
            limit = min(limit, sum(_make_exact(band, candidates, int(k)) for band in bands))
    slack = limit - sum(least)
    return [
        np.flatnonzero(np.isfinite(band.price) & (band.price - low <= slack + 1e-9))
        for band, low in zip(bands, least, strict=True)
    ]


def _least(band: Band, candidates: Candidates) -> float:
    """The exact price of the rows that are cheapest for one wall by itself."""
    while not band.exact[k := int(np.argmin(band.price))]:
        _make_exact(band, candidates, k)
    return float(band.price[k])


def _fit(band: Band, candidates: Candidates, k: int) -> Fit:
    if k not in band.fits:
        made = make_fit(band.offers.down, candidates.anchors[k], float(candidates.repeat_mm[k]))
        if made is None:
            raise AssertionError("a candidate without room has an infinite price")
        band.fits[k] = price_row(band.job, band.offers, made)
    return band.fits[k]


def _make_exact(band: Band, candidates: Candidates, k: int) -> float:
    """The price of the cheapest net with these rows, now known exactly."""
    if not band.exact[k]:
        down, weights = _fit(band, candidates, k), band.job.weights
        band.price[k] = cheapest_with(band.job.ground, band.offers.columns, down, weights=weights)
        band.exact[k] = True
    return float(band.price[k])


def _steps(
    bands: Sequence[Band], candidates: Candidates, kept: Sequence[NDArray[np.int64]], *, closed: bool
) -> list[FloatArray]:
    """What the steps between rows cost at each corner: (candidates of a wall, candidates of the next)."""
    pairs = [(k, k + 1) for k in range(len(bands) - 1)] + ([(len(bands) - 1, 0)] if closed else [])
    return [_step_costs(bands[a], candidates, kept[a], kept[b]) for a, b in pairs]


def _step_costs(band: Band, candidates: Candidates, here: NDArray[np.int64], there: NDArray[np.int64]) -> FloatArray:
    frame, down = band.job.ground.frame, band.offers.down
    start, repeat = candidates.start_mm[here, None], candidates.repeat_mm[here, None]
    first = np.ceil((frame.bottom.at_mm - start) / repeat)
    heights = start + (first + np.arange(max(1, int(frame.height_mm / down.repeat_mm)))) * repeat
    off = (heights[:, None, :] - candidates.start_mm[there, None]) / candidates.repeat_mm[there, None]
    weight: Mapping[str, float] = band.job.weights
    return np.asarray(2.0 * weight["rows step at a corner"] * np.abs(off - np.rint(off)).mean(axis=2))


def _cheapest(prices: Sequence[FloatArray], steps: Sequence[FloatArray], *, closed: bool) -> list[int]:
    """The choice of least price, one candidate for each wall: dynamic programming along the chain or ring."""
    n_first = len(prices[0])
    cost = np.where(np.eye(n_first, dtype=bool), prices[0], np.inf) if closed else prices[0][None]
    back = []
    for price, step in zip(prices[1:], steps, strict=False):
        total = cost[:, :, None] + step
        back.append(total.argmin(axis=1))
        cost = total.min(axis=1) + price
    if closed:
        cost = cost + steps[-1].T
    origin, last = (int(k) for k in np.unravel_index(np.argmin(cost), cost.shape))
    chosen = [last]
    for table in reversed(back):
        chosen.append(int(table[origin, chosen[-1]]))
    return chosen[::-1]
