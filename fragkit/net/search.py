"""Search for the nets that a lag map supports: rows first, then the second vector, then the primitive net."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.net.bases import coarser_nets, finer_nets, reduce_basis
from fragkit.net.lagmap import LagMap, evidence, nodes_of, refine, sample
from fragkit.opencv import cv2
from fragkit.threads import side_by_side

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_N_ROWS = 28
_N_SECONDS = 4
_NEARLY = 0.8
_ALREADY_TRIED = 0.02
STAGES = (6, 14, 30, 80, 160)


@dataclass(frozen=True, eq=False, kw_only=True)
class Candidate:
    """A net on a lag map (px, y down) and the evidence for it in standard deviations.

    Attributes
    ----------
    unequal_sd : float
        By how many standard deviations the nodes of the coarser net `coarser_px` are higher than the others.
    """

    a_px: FloatArray
    b_px: FloatArray
    evidence: float
    unequal_sd: float = 0.0
    coarser_px: tuple[FloatArray, FloatArray] | None = None
    notes: tuple[str, ...] = ()

    @cached_property
    def area_px2(self) -> float:
        return area_of(self.a_px, self.b_px)


def propose(maps: Sequence[LagMap], *, shortest_px: float, longest_px: float) -> tuple[list[Candidate], LagMap]:
    """Candidate nets, best first, and the map of those given on which they stand out most.

    Notes
    -----
    Every map is searched; only those on which the first search finds nearly as much are climbed to the end.
    """
    found = [(lags, _rough(lags, shortest_px, longest_px)) for lags in maps]
    strongest = max((rough[0].evidence for _, rough in found if rough), default=0.0)
    best: tuple[list[Candidate], LagMap] = ([], maps[0])
    for lags, rough in found:
        if rough and rough[0].evidence >= _NEARLY * strongest:
            candidates = _climbed(lags, rough, shortest_px, longest_px)
            if candidates and (not best[0] or candidates[0].evidence > best[0][0].evidence):
                best = candidates, lags
    return best


def _rough(lags: LagMap, shortest: float, longest: float) -> list[Candidate]:
    """Nets of two strong vectors, best first; most pairs of vectors span a net that another pair has spanned."""
    tried: list[Candidate] = []
    found: list[Candidate] = []
    rows = row_vectors(lags, shortest, longest)
    seconds = side_by_side(lambda row: _second_vectors(lags, row, shortest, longest), rows)
    for row, others in zip(rows, seconds, strict=True):
        for second in others:
            a, b = reduce_basis(row, second)
            start = Candidate(a_px=a, b_px=b, evidence=0.0)
            if not any(same_net(start, other, tolerance_ratio=_ALREADY_TRIED) for other in tried):
                tried.append(start)
                _add(found, _candidate(lags, a, b, shortest, longest, stages=(6, 14)))
    return sorted(found, key=lambda c: -c.evidence)


def _climbed(lags: LagMap, found: Sequence[Candidate], shortest: float, longest: float) -> list[Candidate]:
    """The first nets and their best relatives, fitted to all nodes, best first."""
    kept: list[Candidate] = []
    for rough in found[:6]:
        best = _climb(lags, rough, shortest, longest)
        for candidate in dict.fromkeys((rough, best)):
            _add(kept, _candidate(lags, candidate.a_px, candidate.b_px, shortest, longest))
    return sorted(kept, key=lambda c: -c.evidence)


def row_vectors(lags: LagMap, shortest: float, longest: float) -> list[FloatArray]:
    """Lags that are peaks themselves or whose first multiples are peaks together."""
    half = _lower_half(lags)
    double, triple = _stretched(half, 2), _stretched(half, 3)
    rows: list[FloatArray] = []
    for image in (half, half + double, half + double + triple):
        for lag in half_maxima(image, shortest, longest, most=_N_ROWS // 2):
            if all(np.hypot(*(lag - row)) > 2.0 for row in rows):
                rows.append(lag)
    return rows


def _second_vectors(lags: LagMap, row: FloatArray, shortest: float, longest: float) -> list[FloatArray]:
    """Second vectors that put most peaks on nodes, by exhaustive search over the map."""
    along = _summed_along(lags, row)
    seconds = half_maxima(along + _stretched(along, 2), shortest, 1.6 * longest, most=3 * _N_SECONDS)
    apart = shortest * np.hypot(*row)
    open_ = [s for s in seconds if abs(row[0] * s[1] - row[1] * s[0]) > 0.5 * apart]
    return open_[:_N_SECONDS]


def _candidate(
    lags: LagMap,
    a: FloatArray,
    b: FloatArray,
    shortest: float,
    longest: float,
    *,
    stages: tuple[int, ...] = STAGES,
) -> Candidate | None:
    """A refined candidate, or none when the net leaves the allowed range."""
    if area_of(a, b) < 0.25 * shortest**2:
        return None
    a, b = refine(lags, *reduce_basis(a, b), stages=stages) if stages else (a, b)
    if area_of(a, b) < 0.25 * shortest**2:
        return None
    a, b = reduce_basis(a, b)
    lengths = np.hypot(*a), np.hypot(*b)
    if min(lengths) < shortest or max(lengths) > longest:
        return None
    return Candidate(a_px=a, b_px=b, evidence=evidence(lags, nodes_of(lags, a, b)))


def _climb(lags: LagMap, start: Candidate, shortest: float, longest: float) -> Candidate:
    """From a candidate to its best index-2, -3 and -5 relatives, as long as the evidence grows."""
    best = start
    for _ in range(6):
        relatives = [
            _candidate(lags, a, b, shortest, longest, stages=())
            for index in (2, 3, 5)
            for family in (coarser_nets, finer_nets)
            for a, b in family(best.a_px, best.b_px, index)
        ]
        better = max((r for r in relatives if r is not None), key=lambda c: c.evidence, default=best)
        refined = _candidate(lags, better.a_px, better.b_px, shortest, longest, stages=(14, 30))
        if refined is None or refined.evidence <= best.evidence * 1.001:
            return best
        best = refined
    return best


def same_net(one: Candidate, other: Candidate, *, tolerance_ratio: float = 0.05) -> bool:
    """Whether two candidates span the same net."""
    if abs(one.area_px2 / other.area_px2 - 1.0) > 2 * tolerance_ratio:
        return False
    area = _cross(other.a_px, other.b_px)
    steps = [
        step
        for vector in (one.a_px, one.b_px)
        for step in (_cross(vector, other.b_px) / area, _cross(other.a_px, vector) / area)
    ]
    return max(abs(step - round(step)) for step in steps) < tolerance_ratio * 1.5


def area_of(a: FloatArray, b: FloatArray) -> float:
    """Area of the cell of two vectors."""
    return abs(_cross(a, b))


def _cross(u: FloatArray, v: FloatArray) -> float:
    return float(u[0] * v[1] - u[1] * v[0])


def _add(found: list[Candidate], candidate: Candidate | None) -> None:
    if candidate is None:
        return
    for place, other in enumerate(found):
        if same_net(candidate, other):
            if candidate.evidence > other.evidence:
                found[place] = candidate
            return
    found.append(candidate)


def half_maxima(half: FloatImage, shortest: float, longest: float, *, most: int) -> list[FloatArray]:
    """Lags of the highest local maxima of a map over y ≥ 0 (lag zero in the middle of row 0), highest first."""
    cx = half.shape[1] // 2
    top = (half >= cv2.dilate(half, np.ones((3, 3), np.uint8))) & (half > 0)
    top[0, : cx + 1] = False
    y, x = np.nonzero(top)
    distance = np.hypot(x - cx, y)
    kept = (distance >= shortest) & (distance <= longest)
    y, x = y[kept], x[kept]
    order = np.argsort(-half[y, x], kind="stable")[:most]
    return [np.array([x[k] - cx, y[k]], float) for k in order]


def _lower_half(lags: LagMap) -> FloatImage:
    """Peaks weighted by the root of their overlap over lags of y ≥ 0; the other half is their point reflection."""
    return lags.weighted[lags.centre[1] :]


def _stretched(half: FloatImage, times: int) -> FloatImage:
    """half(times · lag) as a map over lag; 0 beyond."""
    cx = half.shape[1] // 2
    reach = cx // times
    out = np.zeros_like(half)
    rows = half[::times, cx - reach * times : cx + reach * times + 1 : times]
    out[: len(rows), cx - reach : cx + reach + 1] = rows
    return out


def _summed_along(lags: LagMap, row: FloatArray) -> FloatImage:
    """Σ over k = -2 … 2 of the weighted peaks at lag + k · row, over lags of y ≥ 0."""
    middle = lags.centre[1]
    weighted = lags.weighted
    total = weighted[middle:].copy()
    height, width = weighted.shape
    for k in (-2, -1, 1, 2):
        dx, dy = (k * row).astype(int)
        top, bottom = max(middle + dy, 0), min(height + dy, height)
        left, right = max(dx, 0), min(width + dx, width)
        if bottom > top and right > left:
            total[top - middle - dy : bottom - middle - dy, left - dx : right - dx] += weighted[top:bottom, left:right]
    return np.asarray(total)


def explained_ratio(lags: LagMap, candidate: Candidate, shortest: float) -> float:
    """Share of the mass of the clear peaks that lies on nodes of a net."""
    tops = half_maxima(_lower_half(lags), shortest, np.inf, most=400)
    if not tops:
        return 0.0
    lag = np.array(tops)
    height = sample(lags.peaks, lag) * np.sqrt(sample(lags.overlap, lag))
    clear = height > max(3.0 * lags.noise, 0.25 * float(height[:5].mean()))
    if not clear.any():
        return 0.0
    steps = np.linalg.solve(np.array([candidate.a_px, candidate.b_px]).T, lag.T).T
    off = (steps - np.round(steps)) @ np.array([candidate.a_px, candidate.b_px])
    near = np.hypot(off[:, 0], off[:, 1]) <= lags.core_px
    return float(height[clear & near].sum() / height[clear].sum())


def merge(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Candidates without doubles; the first keeps its place, the others follow by evidence."""
    kept: list[Candidate] = []
    for candidate in candidates:
        if not any(same_net(candidate, other) for other in kept):
            kept.append(candidate)
    return [kept[0], *sorted(kept[1:], key=lambda c: -c.evidence)] if kept else []
