"""Looking for copies of the motif near the predicted sites, from the surest outwards."""

from __future__ import annotations

import heapq
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Sheet, patches
from fragkit.opencv import cv2
from fragkit.threads import groups_of, side_by_side

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_NEIGHBOURS = tuple((i, j) for i in range(-2, 3) for j in range(-2, 3) if (i, j) != (0, 0))
_NEXT = 0.5
"""One over the square of how many steps away a neighbour is, from which on it is one of the eight next to a site."""
_POINTS_AT_ONCE = 64
_PULL = 0.08
"""Loss of score at the rim of the search, so that an empty place stays where its neighbours put it."""


def learn_template(sheet: Sheet, centres_px: FloatArray, weight: FloatArray) -> FloatImage:
    """Weighted mean window (h, w, c) of the features over the given centres."""
    cut = patches(sheet.values, centres_px, sheet.window)
    seen = patches(sheet.share, centres_px, sheet.window) * np.asarray(weight, np.float32)[:, None, None]
    total = np.maximum(seen.sum(0), 1e-6)
    sums = side_by_side(lambda k: np.einsum("nhwc,nhw->hwc", cut[k], seen[k]), groups_of(len(cut)))
    return np.sum(sums, axis=0) / total[..., None]


def best_near(score: FloatImage, at_px: FloatArray, radius_px: float) -> tuple[FloatArray, float]:
    """The place of the highest score near a point, and the score; far places are held back a little."""
    reach = int(np.ceil(radius_px))
    x, y = float(at_px[0]), float(at_px[1])
    left, top = max(round(x) - reach, 0), max(round(y) - reach, 0)
    part = score[top : max(round(y) + reach + 1, 0), left : max(round(x) + reach + 1, 0)]
    if part.size == 0:
        return np.array([x, y]), 0.0
    across = (np.arange(left, left + part.shape[1]) - x) / radius_px
    down = (np.arange(top, top + part.shape[0]) - y) / radius_px
    off2 = across**2 + down[:, None] ** 2
    judged = np.where(off2 <= 1.0, part - _PULL * off2, -np.inf)
    row, column = divmod(int(judged.argmax()), judged.shape[1])
    if not np.isfinite(judged[row, column]):
        return np.array([x, y]), 0.0
    return np.array([left + column, top + row], float), float(part[row, column])


def best_near_each(score: FloatImage, at_px: FloatArray, radius_px: float) -> FloatArray:
    """The highest score (n,) near each of many points (n, 2), as by `best_near`."""
    reach = int(np.ceil(radius_px))
    around = cv2.copyMakeBorder(score, *(2 * reach,) * 4, cv2.BORDER_CONSTANT, value=-np.inf)
    steps = np.arange(-reach, reach + 1)
    best = np.zeros(len(at_px))

    def look(members: slice) -> None:
        x, y = np.asarray(at_px[members], float).T
        column, row = np.round(x).astype(int), np.round(y).astype(int)
        off2 = ((steps + (column - x)[:, None]) / radius_px)[:, None] ** 2
        off2 = off2 + ((steps + (row - y)[:, None]) / radius_px)[:, :, None] ** 2
        rows = np.clip(row + 2 * reach, reach, len(around) - reach - 1)[:, None, None] + steps[:, None]
        columns = np.clip(column + 2 * reach, reach, around.shape[1] - reach - 1)[:, None, None] + steps
        values = around[rows, columns]
        judged = np.where(off2 <= 1.0, values - _PULL * off2, -np.inf).reshape(len(x), -1)
        top = judged.argmax(axis=1)[:, None]
        found = np.take_along_axis(values.reshape(len(x), -1), top, 1)[:, 0]
        best[members] = np.where(np.isfinite(np.take_along_axis(judged, top, 1)[:, 0]), found, 0.0)

    side_by_side(look, groups_of(len(at_px), size=_POINTS_AT_ONCE))
    return best


def propagate(
    score: FloatImage, index: NDArray[np.int64], ideal_px: FloatArray, *, radius_px: float, sure: float
) -> tuple[FloatArray, FloatArray]:
    """Places and scores of all sites, each sought where its neighbours' displacements put it.

    Parameters
    ----------
    score : (h, w) array
    index : (n, 2) int array
    ideal_px : (n, 2) array
        Sites on the undisturbed net.
    radius_px : float
        Radius of the search round each prediction.
    sure : float
        Score from which a site's displacement is believed by its neighbours.

    Notes
    -----
    The surest site starts; then always the site with the surest found neighbours is next. A slow drift moves the
    predictions along, so that the index never slips by a cell.
    """
    order = {(i, j): k for k, (i, j) in enumerate(index.tolist())}
    around = _around(order)
    place, value = np.array(ideal_px, float), best_near_each(score, ideal_px, radius_px)
    shift, trust, done = [(0.0, 0.0)] * len(index), [0.0] * len(index), [False] * len(index)
    queue: list[tuple[float, int]] = [(-float(value.max(initial=0.0)), int(np.argmax(value)))] if len(index) else []
    while queue:
        _, k = heapq.heappop(queue)
        if done[k]:
            continue
        expected = _expected_shift(around[k], shift, trust)
        place[k], value[k] = best_near(score, ideal_px[k] + expected, radius_px)
        believed = bool(value[k] >= sure)
        x, y = (place[k] - ideal_px[k]).tolist() if believed else expected
        shift[k], trust[k], done[k] = (x, y), float(value[k]) if believed else 0.02, True
        for other, share in around[k]:
            if share >= _NEXT and not done[other]:
                heapq.heappush(queue, (-trust[k], other))
    for k in [k for k in range(len(index)) if not done[k]]:
        place[k], value[k] = best_near(score, ideal_px[k], radius_px)
    return place, value


def _around(order: dict[tuple[int, int], int]) -> list[list[tuple[int, float]]]:
    """For each site its neighbours, and one over the square of how many steps away each is."""
    return [
        [(order[i + di, j + dj], 1.0 / (di * di + dj * dj)) for di, dj in _NEIGHBOURS if (i + di, j + dj) in order]
        for i, j in order
    ]


def _expected_shift(
    neighbours: list[tuple[int, float]], shift: list[tuple[float, float]], trust: list[float]
) -> tuple[float, float]:
    """Mean displacement of the neighbours that were found, the nearer and surer ones first."""
    x = y = norm = 0.0
    for k, share in neighbours:
        if trust[k] > 0.0:
            weight = trust[k] * trust[k] * share
            x, y, norm = x + weight * shift[k][0], y + weight * shift[k][1], norm + weight
    return (x / norm, y / norm) if norm > 0.0 else (0.0, 0.0)


def expected_places(
    index: NDArray[np.int64], places_px: FloatArray, trust: FloatArray, basis: FloatArray
) -> tuple[FloatArray, float]:
    """Where each site should be by its found neighbours alone, and the scatter per coordinate about that.

    Parameters
    ----------
    index : (n, 2) int array
    places_px : (n, 2) array
    trust : (n,) array
        0 for sites that say nothing about their neighbours.
    basis : (2, 2) array
        Net vectors, one a row.
    """
    order = {(i, j): k for k, (i, j) in enumerate(index.tolist())}
    ideal = ideal_places(index, places_px, trust, basis)
    shift = places_px - ideal
    shifts, known = [(x, y) for x, y in shift.tolist()], trust.tolist()
    expected = np.array([_expected_shift(near, shifts, known) for near in _around(order)])
    off = (shift - expected)[trust > 0]
    scatter = 1.4826 * float(np.median(np.abs(off))) if len(off) > 3 else 0.02 * float(np.hypot(*basis.T).min())
    return ideal + expected, scatter


def ideal_places(index: NDArray[np.int64], places_px: FloatArray, trust: FloatArray, basis: FloatArray) -> FloatArray:
    """The undisturbed net through the trusted places: its vectors and origin by weighted least squares."""
    design = np.column_stack([index, np.ones(len(index))])
    root = np.sqrt(trust)[:, None]
    fit = np.zeros((3, 2))
    if np.linalg.matrix_rank(design * root) == 3:
        fit = np.linalg.lstsq(design * root, places_px * root, rcond=None)[0]
    if np.abs(fit[:2] - basis).max() > 0.05 * np.abs(basis).max():
        fit[:2] = basis
        fit[2] = ((places_px - index @ basis) * trust[:, None]).sum(0) / max(float(trust.sum()), 1e-9)
    return design @ fit
