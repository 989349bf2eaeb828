"""Sites of motif centres that were measured by tape or tracing and not numbered."""

from __future__ import annotations

import numpy as np
from scipy.spatial import Delaunay, QhullError

from fragkit.errors import EstimationError
from fragkit.net import reduce_basis
from fragkit.survey.entries import FloatArray, IntArray

LEAST_IN_ROW = 4
_ROW_RATIO = 0.4
"""Centres stay within a band as high as this share of their step when they are a single row."""

_MISFIT_RATIO = 0.25
"""A step between neighbours belongs to the net when it is this close to a whole one, in repeats."""


def number_sites(xy_mm: FloatArray) -> IntArray:
    """Sites (n, 2) of centres (n, 2) in a reduced net of their own.

    Raises
    ------
    EstimationError
        Fewer than four centres, or steps between neighbours that repeat in no net.

    Notes
    -----
    Centres that hardly leave one line are numbered along it. Otherwise the steps between neighbours (edges of the
    Delaunay triangulation) gather round a few vectors; the most crowded one and the most crowded one across it,
    reduced, are the net. Sites are then counted from centre to centre along the edges, so that drift over the
    fragment does not matter.
    """
    xy = np.asarray(xy_mm, float)
    number = _number_in_row(xy)
    if number is not None:
        return np.column_stack([number, np.zeros_like(number)])
    edges = _neighbours(xy)
    steps = xy[edges[:, 1]] - xy[edges[:, 0]]
    net = np.column_stack(_net_of(steps))
    whole = np.linalg.solve(net, steps.T).T
    counts = np.rint(whole).astype(np.int64)
    is_true = np.hypot(*(whole - counts).T) < _MISFIT_RATIO
    index = _count_along(len(xy), edges[is_true], counts[is_true])
    if index is None or len(np.unique(index, axis=0)) < len(xy):
        raise EstimationError(
            "The measured centres do not lie on one net.",
            found="motifs that cannot be counted from neighbour to neighbour",
            needed="more centres between them, or the columns i and j in the table",
        )
    return index


def _number_in_row(xy: FloatArray) -> IntArray | None:
    """The number of each centre in a single row; None where they stand in more than one, or in no even one."""
    if len(xy) < LEAST_IN_ROW:
        return None
    off = xy - xy.mean(axis=0)
    along, across = (np.linalg.svd(off, full_matrices=False)[2] @ off.T)[:2]
    gaps = np.diff(np.sort(along))
    step = float(np.median(gaps[gaps < 1.5 * max(gaps.min(), 1e-9)]))
    if np.ptp(across) > _ROW_RATIO * step or (np.abs(gaps / step - np.rint(gaps / step)) > _MISFIT_RATIO).any():
        return None
    start = np.argsort(along)
    number = np.zeros(len(xy), np.int64)
    number[start[1:]] = np.cumsum(np.rint(gaps / step))
    run = xy[start[-1]] - xy[start[0]]
    return number if run[np.argmax(np.abs(run))] > 0 else number.max() - number


def _neighbours(xy: FloatArray) -> IntArray:
    try:
        triangles = Delaunay(xy).simplices
    except (QhullError, ValueError) as error:
        raise EstimationError(
            "The measured centres show no repeat in two directions.",
            found=f"{len(xy)} centres, all on one line or too few",
            needed="at least four centres in two rows",
        ) from error
    pairs = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    return np.unique(np.sort(pairs, axis=1), axis=0).astype(np.int64)


def _net_of(steps: FloatArray) -> tuple[FloatArray, FloatArray]:
    both = np.concatenate([steps, -steps])
    length = np.hypot(*both.T)
    radius = 0.2 * np.median(length)
    crowd = (np.hypot(*(both[:, None] - both[None]).transpose(2, 0, 1)) < radius).sum(axis=1)
    first = _middle(both, int(np.argmax(crowd - 1e-6 * length)), radius)
    across = np.abs(first[0] * both[:, 1] - first[1] * both[:, 0]) / (np.hypot(*first) * length)
    second = _middle(both, int(np.argmax(np.where(across > 0.4, crowd - 1e-6 * length, -1.0))), radius)
    return reduce_basis(first, second)


def _middle(steps: FloatArray, k: int, radius: float) -> FloatArray:
    near = np.hypot(*(steps - steps[k]).T) < radius
    return np.asarray(steps[near].mean(axis=0))


def _count_along(n: int, edges: IntArray, counts: IntArray) -> IntArray | None:
    """Sites by walking from centre 0 along the edges; None when a centre is not reached."""
    index = np.zeros((n, 2), np.int64)
    reached = np.zeros(n, bool)
    reached[0] = True
    for _ in range(n):
        forward = reached[edges[:, 0]] & ~reached[edges[:, 1]]
        backward = reached[edges[:, 1]] & ~reached[edges[:, 0]]
        if not (forward.any() or backward.any()):
            break
        index[edges[forward, 1]] = index[edges[forward, 0]] + counts[forward]
        index[edges[backward, 0]] = index[edges[backward, 1]] - counts[backward]
        reached[edges[forward, 1]] = True
        reached[edges[backward, 0]] = True
    return index if reached.all() else None
