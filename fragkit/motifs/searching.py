"""The first search: a motif learned by folding, and every site found with it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import motif_phase, site_indices
from fragkit.motifs.matching import best_near_each, ideal_places, learn_template, propagate
from fragkit.motifs.views import View, cell_side_px
from fragkit.net import score_map, window_energy

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_N_ROUNDS = 3
_STILL_PX = 1.5
"""The search ends once no motif has moved further than this in a round: what is left is for the fit."""
SEARCH_RATIO = 0.22
"""Radius of the search round a predicted site, in shorter net vectors."""


def search_sites(
    view: View, middle_px: FloatArray | None = None
) -> tuple[NDArray[np.int64], FloatArray, FloatArray, float]:
    """Index, place and score of all sites, and the least score of a motif, at the search scale.

    `middle_px` is the middle of a known example; without one the motif is looked for where most structure is.
    """
    basis = view.basis
    radius = SEARCH_RATIO * view.shortest_px
    origin = middle_px
    if origin is None:
        origin = motif_phase(view.sheet, basis, cell_side_px=cell_side_px(view.cell))
    index = site_indices(view.sheet.share.shape, origin, basis, 0.5 * float(np.hypot(*basis.T).max()))
    place = origin + index @ basis
    weight = np.ones(len(index))
    energy = window_energy(view.sheet.values, view.sheet.window.weight)
    for round_ in range(_N_ROUNDS):
        template = learn_template(view.sheet, place, weight)
        score = score_map(view.sheet.values, template, view.sheet.window.weight, energy)
        least = _least_score(score, place, view.cell, radius, view.sheet.share)
        ideal = ideal_places(index, place, weight, basis) if round_ else origin + index @ basis
        before, (place, value) = place, propagate(score, index, ideal, radius_px=radius, sure=least)
        if round_ and np.hypot(*(place - before)[(weight > 0.0) & (value >= least)].T).max(initial=0.0) <= _STILL_PX:
            break
        weight = np.where(value >= least, np.clip(value, 0.0, 1.0) ** 2, 0.0)
        if weight.sum() <= 0:
            weight = np.clip(value, 0.0, 1.0) ** 4
    return index, place, value, least


def _least_score(score: FloatImage, place: FloatArray, cell: FloatArray, radius: float, share: FloatImage) -> float:
    """The score that the same search hardly ever reaches half-way between the sites."""
    between = [place + step @ cell for step in np.array([[0.5, 0.0], [0.0, 0.5], [0.5, 0.5]])]
    points = np.vstack(between)
    x, y = np.round(points).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < share.shape[1]) & (y < share.shape[0])
    points = points[inside][share[y[inside], x[inside]] > 0]
    if len(points) < 8:
        return 0.35
    values = best_near_each(score, points, 0.7 * radius)
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return float(np.clip(middle + 3.0 * spread, 0.12, 0.6))
