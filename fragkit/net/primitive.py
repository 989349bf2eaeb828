"""From a strong candidate to the primitive net: every class of nodes must be equally high."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.net.bases import coarser_nets, reduce_basis
from fragkit.net.lagmap import LagMap, Nodes, evidence, nodes_of, refine, sample
from fragkit.net.search import Candidate

FloatArray = NDArray[np.float64]

_UNEQUAL_SD = 5.0
_INFLATION = 1.5
"""Neighbouring nodes share noise; their scatter is taken this much larger."""
_LEAST_SCATTER = 0.004
_ALTERNATE_SD = 7.0
_ALTERNATE_RATIO = 0.22


def settle(candidate: Candidate, lags: LagMap, maps: Sequence[LagMap], longest: float) -> Candidate:
    """The candidate, or the coarser net whose nodes alone are full peaks when half or two thirds are lower.

    Notes
    -----
    A net that is too fine has classes of nodes that are no peaks, or lower ones: parts of a motif that resemble
    each other, or motifs that alternate. The heights of the two classes are compared with their own scatter.
    """
    for _ in range(4):
        nodes = nodes_of(lags, candidate.a_px, candidate.b_px)
        heights = np.column_stack([sample(view.peaks, nodes.lag_px) for view in maps])
        coarser = [net for index in range(2, 10) for net in coarser_nets(candidate.a_px, candidate.b_px, index)]
        scores = [_inequality(nodes, heights, *net) for net in coarser]
        best = int(np.argmax(scores))
        candidate = replace(candidate, unequal_sd=max(scores[best], 0.0), coarser_px=coarser[best])
        if scores[best] <= _UNEQUAL_SD:
            return candidate
        a, b = reduce_basis(*refine(lags, *reduce_basis(*coarser[best]), stages=(14, 80)))
        if max(np.hypot(*a), np.hypot(*b)) > longest:
            return candidate
        candidate = replace(candidate, a_px=a, b_px=b, evidence=evidence(lags, nodes_of(lags, a, b)))
    return candidate


def alternates(lags: LagMap, net: Candidate) -> bool:
    """Whether places half-way between the nodes are peaks too, though lower ones: motifs alike but not the same."""
    full = nodes_of(lags, net.a_px, net.b_px).mean
    for offset in ((0.5, 0.5), (0.5, 0.0), (0.0, 0.5)):
        nodes = nodes_of(lags, net.a_px, net.b_px, offset=offset)
        if nodes.mean > _ALTERNATE_RATIO * full and evidence(lags, nodes) > _ALTERNATE_SD:
            return True
    return False


def _inequality(nodes: Nodes, heights: FloatArray, a: FloatArray, b: FloatArray) -> float:
    """By how many standard deviations the nodes of the coarser net (a, b) are higher than the other nodes.

    Notes
    -----
    `heights` has a column for each map; the map on which they differ most counts. Nodes along the coarser net's
    shortest vector are left out: neighbours in one row or column resemble each other more than others do, in
    tarnish and in wear, without any coarser repeat.
    """
    steps = nodes.lag_px @ np.linalg.inv(np.array([a, b]))
    kept = np.abs(steps - np.round(steps)).max(1) < 0.1
    apart = ~(kept & _along(nodes.lag_px, min(reduce_basis(a, b), key=lambda v: float(v @ v))))
    kept, weight, height = kept[apart], nodes.weight[apart], heights[apart]
    n_kept = int(kept.sum())
    if n_kept < 4 or len(kept) - n_kept < 3:
        return 0.0
    distance = np.sqrt((nodes.lag_px[apart] ** 2).sum(1))
    design = np.column_stack([kept, ~kept, distance - distance.mean()])
    weighted = design * weight[:, None]
    normal = np.linalg.inv(weighted.T @ design + 1e-9 * np.eye(3))
    fit = normal @ (weighted.T @ height)
    scatter = np.sqrt((weight[:, None] * (height - design @ fit) ** 2).sum(0) / max(len(kept) - 3, 1))
    variance = normal[0, 0] - 2.0 * normal[0, 1] + normal[1, 1]
    sd = _INFLATION * np.maximum(scatter, _LEAST_SCATTER) * np.sqrt(variance)
    return float(((fit[0] - fit[1]) / sd).max())


def _along(lag_px: FloatArray, direction: FloatArray) -> NDArray[np.bool_]:
    """Which lags lie on the line through zero along `direction`, to a tenth of its length."""
    across = lag_px[:, 0] * direction[1] - lag_px[:, 1] * direction[0]
    return np.abs(across) < 0.1 * float(direction @ direction)
