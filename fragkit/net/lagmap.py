"""A map of self-similarity over lags, and what the nodes of a net find on it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_MOST_NODES = 160
_REACH_RATIO = 0.92
"""Share of the largest lag up to which nodes are used."""


@dataclass(frozen=True, eq=False, kw_only=True)
class LagMap:
    """Correlation over lags (y down, lag zero in the middle), its surroundings removed.

    Attributes
    ----------
    correlation, peaks, overlap : (2 ly + 1, 2 lx + 1) float32 arrays
        Normalised correlation; the same less its surroundings; share of the area that overlaps.
    noise : float
        Robust standard deviation of `peaks` at full overlap; it grows as overlap^-1/2.
    core_px : float
        Radius about lag zero that belongs to the self-match of a motif.
    """

    correlation: FloatImage
    peaks: FloatImage
    overlap: FloatImage
    noise: float
    core_px: float

    @property
    def centre(self) -> tuple[int, int]:
        """(x, y) element of lag zero."""
        return self.peaks.shape[1] // 2, self.peaks.shape[0] // 2

    @cached_property
    def peaks_and_overlap(self) -> FloatImage:
        """`peaks` and `overlap` as the channels of one image, so that both are read at once."""
        return np.asarray(cv2.merge([self.peaks, self.overlap]))

    @cached_property
    def weighted(self) -> FloatImage:
        """`peaks` times the root of their overlap: noise is the same everywhere."""
        return np.asarray(self.peaks * np.sqrt(self.overlap), np.float32)


@dataclass(frozen=True, eq=False, kw_only=True)
class Nodes:
    """Nodes of a net in one half plane of lags, nearest first: index, lag, height above the background, weight."""

    index: NDArray[np.int64]
    lag_px: FloatArray
    height: FloatArray
    weight: FloatArray

    @property
    def mean(self) -> float:
        """Weighted mean height."""
        total = float(self.weight.sum())
        return float((self.weight * self.height).sum() / total) if total > 0 else 0.0

    @property
    def n_effective(self) -> float:
        """Number of nodes at full overlap that would weigh as much."""
        return float(self.weight.sum())

    def only(self, chosen: NDArray[Any]) -> Nodes:
        """The nodes that a mask or an array of positions chooses."""
        return Nodes(
            index=self.index[chosen],
            lag_px=self.lag_px[chosen],
            height=self.height[chosen],
            weight=self.weight[chosen],
        )


def nodes_of(
    lags: LagMap,
    a: FloatArray,
    b: FloatArray,
    *,
    offset: tuple[float, float] = (0.0, 0.0),
    most: int = _MOST_NODES,
) -> Nodes:
    """The nodes `i a + j b + offset·(a, b)` within the map, without lag zero, one of each ± pair."""
    index = _indices(lags, a, b)
    lag = (index + np.asarray(offset)) @ np.array([a, b])
    cx, cy = lags.centre
    inside = (np.abs(lag[:, 0]) <= _REACH_RATIO * cx) & (np.abs(lag[:, 1]) <= _REACH_RATIO * cy)
    upper = (lag[:, 1] > 1e-9) | ((np.abs(lag[:, 1]) <= 1e-9) & (lag[:, 0] > 1e-9))
    keep = np.flatnonzero(inside & upper)
    keep = keep[np.argsort((lag[keep] ** 2).sum(1), kind="stable")[:most]]
    both = sample(lags.peaks_and_overlap, lag[keep])
    return Nodes(index=index[keep], lag_px=lag[keep], height=both[:, 0], weight=both[:, 1])


def sample(image: FloatImage, lag_px: FloatArray) -> FloatArray:
    """Values of a lag map (h, w) or (h, w, c) at lags (n, 2), bilinear; (n,) or (n, c)."""
    if len(lag_px) == 0:
        return np.zeros((0, *image.shape[2:]))
    at = (lag_px + [image.shape[1] // 2, image.shape[0] // 2]).astype(np.float32)[:, None]
    return cv2.remap(image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0].astype(
        float
    )


def evidence(lags: LagMap, nodes: Nodes) -> float:
    """How many standard deviations the nodes stand above the background together.

    Notes
    -----
    Σ w h / √(Σ w) over σ. All nodes of a true net have one expected height, so this is the matched filter for a
    net, and half its square is the log likelihood ratio against "no net": it prefers the finest net
    of which every node is a peak, since a coarser one leaves nodes out and a finer one adds empty ones.
    """
    total = nodes.n_effective
    if total <= 0:
        return 0.0
    return float((nodes.weight * nodes.height).sum() / np.sqrt(total) / lags.noise)


def contrast(lags: LagMap, a: FloatArray, b: FloatArray) -> tuple[float, float]:
    """Correlation at the nodes above that half-way between them, for the highest of the three half-way classes.

    Returns
    -------
    contrast, evidence : float
        The difference, at most 1 and possibly negative, and the same in standard deviations.
    """
    on = nodes_of(lags, a, b)
    if on.n_effective <= 0:
        return 0.0, 0.0
    height = float((on.weight * sample(lags.correlation, on.lag_px)).sum() / on.n_effective)
    worst = np.inf
    for offset in ((0.5, 0.0), (0.0, 0.5), (0.5, 0.5)):
        half = nodes_of(lags, a, b, offset=offset)
        if half.n_effective > 0:
            between = float((half.weight * sample(lags.correlation, half.lag_px)).sum() / half.n_effective)
            worst = min(worst, height - between)
    if not np.isfinite(worst):
        return 0.0, 0.0
    return worst, worst * float(np.sqrt(on.n_effective / 2.0)) / lags.noise


def evidence_without(lags: LagMap, nodes: Nodes, n_left_out: int) -> float:
    """Evidence of the other nodes when the highest ones, which may have suggested the net, are left out."""
    order = np.argsort(-nodes.weight * nodes.height, kind="stable")[n_left_out:]
    return evidence(lags, nodes.only(order))


def refine(
    lags: LagMap, a: FloatArray, b: FloatArray, *, stages: tuple[int, ...] = (6, 14, 30, 80, _MOST_NODES)
) -> tuple[FloatArray, FloatArray]:
    """Net vectors fitted to the peaks near their nodes, from the nearest nodes outwards."""
    basis = np.array([a, b], float)
    for most in stages:
        nodes = nodes_of(lags, *basis, most=most)
        if len(nodes.index) < 2:
            return basis[0], basis[1]
        radius = max(1.0, min(0.2 * min(np.hypot(*basis[0]), np.hypot(*basis[1])), lags.core_px))
        shift, height = _nearest_peaks(lags.peaks, nodes.lag_px, radius)
        weight = nodes.weight * np.maximum(height, 0.0) ** 2
        design = nodes.index * weight[:, None]
        normal = design.T @ nodes.index
        if abs(_det(normal)) <= 1e-9 * normal[0, 0] * normal[1, 1]:
            return basis[0], basis[1]
        step = _inverse(normal) @ (design.T @ shift)
        limit = 0.5 * radius
        basis = basis + np.clip(step, -limit, limit)
        if abs(_det(basis)) < 1e-6:
            return np.asarray(a, float), np.asarray(b, float)
    return basis[0], basis[1]


def _nearest_peaks(image: FloatImage, lag_px: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
    """Shift to the highest value within a radius of each lag (sub-pixel by a joint quadratic), and that value."""
    offsets, penalty = _ring(radius)
    around = (lag_px[:, None, :] + offsets[None]).reshape(-1, 2)
    values = sample(image, around).reshape(len(lag_px), -1)
    best = np.argmax(values - penalty * np.maximum(values.max(1, keepdims=True), 1e-9), axis=1)
    top = lag_px + offsets[best]
    return top + _quadratic_shift(image, top) - lag_px, values[np.arange(len(values)), best]


@lru_cache(maxsize=64)
def _ring(radius: float) -> tuple[FloatArray, FloatArray]:
    """Whole-pixel offsets within a radius, and a small penalty on the far ones."""
    reach = max(1, int(np.ceil(radius)))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(float)
    keep = np.hypot(dx, dy) <= radius + 0.5
    offsets = np.column_stack([dx[keep], dy[keep]])
    return offsets, 0.02 * (offsets**2).sum(1) / max(radius, 1.0) ** 2


def _quadratic_shift(image: FloatImage, lag_px: FloatArray) -> FloatArray:
    """Offset of the maximum of the quadratic surface through the 3 × 3 values about each lag, at most half a px."""
    steps = np.array([[i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)], float)
    v = sample(image, (lag_px[None] + steps[:, None]).reshape(-1, 2)).reshape(3, 3, -1)
    gx, gy = (v[2, 1] - v[0, 1]) / 2, (v[1, 2] - v[1, 0]) / 2
    xx, yy = v[2, 1] - 2 * v[1, 1] + v[0, 1], v[1, 2] - 2 * v[1, 1] + v[1, 0]
    xy = (v[2, 2] - v[2, 0] - v[0, 2] + v[0, 0]) / 4
    det = xx * yy - xy * xy
    good = (det > 0) & (xx < 0)
    det = np.where(good, det, 1.0)
    shift = np.column_stack([(xy * gy - yy * gx) / det, (xy * gx - xx * gy) / det])
    return np.clip(np.where(good[:, None], shift, 0.0), -0.5, 0.5)


def _indices(lags: LagMap, a: FloatArray, b: FloatArray) -> NDArray[np.int64]:
    """All index pairs that can fall on the map, nearest ones first when there are very many."""
    cx, cy = lags.centre
    area = abs(_det(np.array([a, b])))
    return _grid(*(min(int((cx * abs(v[1]) + cy * abs(v[0])) / area) + 2, 60) for v in (b, a)))


@lru_cache(maxsize=256)
def _grid(reach_i: int, reach_j: int) -> NDArray[np.int64]:
    i, j = np.mgrid[-reach_i : reach_i + 1, -reach_j : reach_j + 1]
    return np.column_stack([i.ravel(), j.ravel()])


def _inverse(matrix: FloatArray) -> FloatArray:
    (a, b), (c, d) = matrix
    return np.array([[d, -b], [-c, a]]) / _det(matrix)


def _det(matrix: FloatArray) -> float:
    return float(matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0])
