"""From a strong candidate to the primitive net: every class of nodes must be equally high."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.net.bases import coarser_nets, reduce_basis
from fragkit.net.lagmap import LagMap, Nodes, evidence, nodes_of, refine
from fragkit.net.search import Candidate

FloatArray = NDArray[np.float64]

_UNEQUAL_SD = 5.0
_INFLATION = 1.5
"""Neighbouring nodes share noise; their scatter is taken this much larger."""
_LEAST_SCATTER = 0.004


def settle(candidate: Candidate, lags: LagMap, maps: Sequence[LagMap], longest: float) -> Candidate:
    """The candidate, or the coarser net whose nodes alone are full peaks when half or two thirds are lower.

    Notes
    -----
    A net that is too fine has classes of nodes that are no peaks, or lower ones: parts of a motif that resemble
    each other, or motifs that alternate. The heights of the two classes are compared with their own scatter.
    """
    for _ in range(4):
        views = [(view, nodes_of(view, candidate.a_px, candidate.b_px)) for view in maps]
        unequal = [
            (score, a, b)
            for index in range(2, 10)
            for a, b in coarser_nets(candidate.a_px, candidate.b_px, index)
            for _, nodes in views
            if (score := _inequality(nodes, a, b)) > _UNEQUAL_SD
        ]
        if not unequal:
            return candidate
        _, a, b = max(unequal, key=lambda item: item[0])
        a, b = reduce_basis(*refine(lags, *reduce_basis(a, b), stages=(14, 80)))
        if max(np.hypot(*a), np.hypot(*b)) > longest:
            return candidate
        candidate = replace(candidate, a_px=a, b_px=b, evidence=evidence(lags, nodes_of(lags, a, b)))
    return candidate


def _inequality(nodes: Nodes, a: FloatArray, b: FloatArray) -> float:
    """By how many standard deviations the nodes of the coarser net (a, b) are higher than the other nodes.

    Notes
    -----
    Nodes along the coarser net's shortest vector are left out: neighbours in one row or column resemble each other
    more than others do, in tarnish and in wear, without any coarser repeat.
    """
    steps = np.linalg.solve(np.array([a, b]).T, nodes.lag_px.T).T
    kept = np.abs(steps - np.round(steps)).max(1) < 0.1
    apart = ~(kept & _along(nodes.lag_px, min(reduce_basis(a, b), key=lambda v: float(v @ v))))
    nodes, kept = nodes.only(apart), kept[apart]
    if kept.sum() < 4 or (~kept).sum() < 3:
        return 0.0
    distance = np.hypot(*nodes.lag_px.T)
    design = np.column_stack([kept, ~kept, distance - distance.mean()]).astype(float)
    root = np.sqrt(nodes.weight)
    normal = np.linalg.inv((design * nodes.weight[:, None]).T @ design + 1e-9 * np.eye(3))
    fit = normal @ (design * nodes.weight[:, None]).T @ nodes.height
    residual = (nodes.height - design @ fit) * root
    freedom = max(len(residual) - 3, 1)
    scatter = max(float(np.sqrt((residual**2).sum() / freedom)), _LEAST_SCATTER)
    contrast = np.array([1.0, -1.0, 0.0])
    sd = _INFLATION * scatter * float(np.sqrt(contrast @ normal @ contrast))
    return float((fit[0] - fit[1]) / sd)


def _along(lag_px: FloatArray, direction: FloatArray) -> NDArray[np.bool_]:
    """Which lags lie on the line through zero along `direction`, to a tenth of its length."""
    across = lag_px[:, 0] * direction[1] - lag_px[:, 1] * direction[0]
    return np.abs(across) < 0.1 * float(direction @ direction)
