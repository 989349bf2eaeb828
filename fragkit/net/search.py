"""Search for the nets that a lag map supports: rows first, then the second vector, then the primitive net."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.net.bases import coarser_nets, finer_nets, reduce_basis
from fragkit.net.lagmap import LagMap, evidence, nodes_of, refine, sample
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_N_ROWS = 28
_N_SECONDS = 4
STAGES = (6, 14, 30, 80, 160)


@dataclass(frozen=True, eq=False, kw_only=True)
class Candidate:
    """A net on a lag map (px, y down) and the evidence for it in standard deviations."""

    a_px: FloatArray
    b_px: FloatArray
    evidence: float
    notes: tuple[str, ...] = ()

    @property
    def area_px2(self) -> float:
        return float(abs(np.linalg.det([self.a_px, self.b_px])))


def propose(lags: LagMap, *, shortest_px: float, longest_px: float) -> list[Candidate]:
    """Candidate nets, best first."""
    found: list[Candidate] = []
    for row in _row_vectors(lags, shortest_px, longest_px):
        for second in _second_vectors(lags, row, shortest_px, longest_px):
            _add(found, _candidate(lags, row, second, shortest_px, longest_px, stages=(6, 14)))
    found.sort(key=lambda c: -c.evidence)
    kept: list[Candidate] = []
    for rough in found[:6]:
        best = _climb(lags, rough, shortest_px, longest_px)
        for candidate in (rough, best):
            _add(kept, _candidate(lags, candidate.a_px, candidate.b_px, shortest_px, longest_px))
    return sorted(kept, key=lambda c: -c.evidence)


def _row_vectors(lags: LagMap, shortest: float, longest: float) -> list[FloatArray]:
    """Lags that are peaks themselves or whose first multiples are peaks together."""
    weighted = lags.peaks * np.sqrt(lags.overlap)
    single = weighted
    double = (weighted + _stretched(weighted, 2)) / np.sqrt(2.0)
    triple = (weighted + _stretched(weighted, 2) + _stretched(weighted, 3)) / np.sqrt(3.0)
    rows: list[FloatArray] = []
    for image in (single, double, triple):
        for lag in local_maxima(image, shortest, longest, most=_N_ROWS // 2, upper_half=True):
            if all(np.hypot(*(lag - row)) > 2.0 for row in rows):
                rows.append(lag)
    return rows


def _second_vectors(lags: LagMap, row: FloatArray, shortest: float, longest: float) -> list[FloatArray]:
    """Second vectors that put most peaks on nodes, by exhaustive search over the map."""
    weighted = lags.peaks * np.sqrt(lags.overlap)
    along = np.sum([_moved(weighted, k * row) for k in (-2, -1, 0, 1, 2)], axis=0)
    both = (along + _stretched(along, 2)) / np.sqrt(2.0)
    seconds = local_maxima(both, shortest, 1.6 * longest, most=3 * _N_SECONDS, upper_half=True)
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
    if abs(np.linalg.det([a, b])) < 0.25 * shortest**2:
        return None
    a, b = refine(lags, *reduce_basis(a, b), stages=stages) if stages else (a, b)
    if abs(np.linalg.det([a, b])) < 0.25 * shortest**2:
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
    steps = np.linalg.solve(np.array([other.a_px, other.b_px]).T, np.array([one.a_px, one.b_px]).T)
    return bool(np.abs(steps - np.round(steps)).max() < tolerance_ratio * 1.5)


def _add(found: list[Candidate], candidate: Candidate | None) -> None:
    if candidate is None:
        return
    for place, other in enumerate(found):
        if same_net(candidate, other):
            if candidate.evidence > other.evidence:
                found[place] = candidate
            return
    found.append(candidate)


def local_maxima(
    image: FloatImage, shortest: float, longest: float, *, most: int, upper_half: bool
) -> list[FloatArray]:
    """Lags of the highest local maxima within a ring of lags, highest first."""
    cy, cx = image.shape[0] // 2, image.shape[1] // 2
    y, x = np.ogrid[-cy : image.shape[0] - cy, -cx : image.shape[1] - cx]
    distance = np.hypot(x, y)
    top = (image >= cv2.dilate(image, np.ones((3, 3), np.uint8))) & (image > 0)
    top &= (distance >= shortest) & (distance <= longest)
    if upper_half:
        top &= (y > 0) | ((y == 0) & (x > 0))
    rows, columns = np.nonzero(top)
    order = np.argsort(-image[rows, columns], kind="stable")[:most]
    return [np.array([columns[k] - cx, rows[k] - cy], float) for k in order]


def _stretched(image: FloatImage, times: int) -> FloatImage:
    """image(times · lag) as a map over lag; 0 beyond."""
    cy, cx = image.shape[0] // 2, image.shape[1] // 2
    matrix = np.array([[times, 0, cx - times * cx], [0, times, cy - times * cy]], float)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(image, matrix, image.shape[::-1], flags=flags)


def _moved(image: FloatImage, lag: FloatArray) -> FloatImage:
    """image(· + lag); 0 beyond."""
    matrix = np.array([[1, 0, lag[0]], [0, 1, lag[1]]], float)
    return cv2.warpAffine(image, matrix, image.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def explained_ratio(lags: LagMap, candidate: Candidate, shortest: float) -> float:
    """Share of the mass of the clear peaks that lies on nodes of a net."""
    weighted = lags.peaks * np.sqrt(lags.overlap)
    tops = local_maxima(weighted, shortest, np.inf, most=400, upper_half=True)
    if not tops:
        return 0.0
    lag = np.array(tops)
    height = sample(weighted, lag)
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
