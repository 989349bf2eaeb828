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
_MOST_STEPS = 20
"""Steps in which a pair of vectors is surely reduced."""
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
        scores = _inequalities(nodes, heights, np.array(coarser))
        best = int(np.argmax(scores))
        candidate = replace(candidate, unequal_sd=max(float(scores[best]), 0.0), coarser_px=coarser[best])
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


def _inequalities(nodes: Nodes, heights: FloatArray, coarser: FloatArray) -> FloatArray:
    """By how many standard deviations the nodes of each coarser net (m, 2, 2) are higher than the other nodes (m,).

    Notes
    -----
    `heights` has a column for each map; the map on which they differ most counts. Nodes along the coarser net's
    shortest vector are left out: neighbours in one row or column resemble each other more than others do, in
    tarnish and in wear, without any coarser repeat.
    """
    steps = nodes.lag_px @ np.linalg.inv(coarser)
    kept = np.abs(steps - np.round(steps)).max(2) < 0.1
    apart = ~(kept & _along(nodes.lag_px, _shortest(coarser)))
    n_apart, n_kept = apart.sum(1), (kept & apart).sum(1)
    weight = nodes.weight * apart
    distance = np.hypot(*nodes.lag_px.T) - (apart @ np.hypot(*nodes.lag_px.T) / np.maximum(n_apart, 1))[:, None]
    design = np.stack([kept, ~kept, distance], axis=-1)
    weighted = (design * weight[..., None]).swapaxes(1, 2)
    normal = np.linalg.inv(weighted @ design + 1e-9 * np.eye(3))
    fit = normal @ (weighted @ heights)
    square = weight[:, None] @ (heights - design @ fit) ** 2
    scatter = np.sqrt(square[:, 0] / np.maximum(n_apart - 3, 1)[:, None])
    variance = normal[:, 0, 0] - 2.0 * normal[:, 0, 1] + normal[:, 1, 1]
    sd = _INFLATION * np.maximum(scatter, _LEAST_SCATTER) * np.sqrt(variance)[:, None]
    enough = (n_kept >= 4) & (n_apart - n_kept >= 3)
    return np.where(enough, ((fit[:, 0] - fit[:, 1]) / sd).max(1), 0.0)


def _shortest(bases: FloatArray) -> FloatArray:
    """The shortest vector (m, 2) of the net of each pair (m, 2, 2), by the steps of `reduce_basis` for all at once."""
    short, long = bases[:, 0], bases[:, 1]
    for _ in range(_MOST_STEPS):
        swapped = (short * short).sum(1) > (long * long).sum(1)
        short, long = np.where(swapped[:, None], (long, short), (short, long))
        times = np.round((short * long).sum(1) / (short * short).sum(1))
        if not times.any():
            break
        long = long - times[:, None] * short
    return np.asarray(short)


def _along(lag_px: FloatArray, directions: FloatArray) -> NDArray[np.bool_]:
    """Which lags (n, 2) lie on the line through zero along each direction (m, 2), to a tenth of its length: (m, n)."""
    across = directions[:, 1:] * lag_px[:, 0] - directions[:, :1] * lag_px[:, 1]
    return np.abs(across) < 0.1 * (directions * directions).sum(1)[:, None]
