"""From places found roughly to settled ones: fitted, held near their neighbours' prediction, told from chance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.motifs.folding import Sheet, Sites, narrowed, seen_on
from fragkit.motifs.matching import expected_places
from fragkit.motifs.refinement import Fit, fit_copies, fit_to, half_scores, scores_of, unexplained
from fragkit.motifs.surface import Surface, colour_agreement, figure_zone, read_surface, with_rim
from fragkit.motifs.views import View, moved
from fragkit.opencv import cv2
from fragkit.threads import at_once

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_NO_GROUND_WEIGHT = 1.0
"""Weight of "this is no ground" beside the gradient features, whose strength is near 1 on a clear edge."""
_ALIKE = 0.55
"""Correlation of what is no ground with the figure from which a faint copy counts as there."""
_LEAST_HALF_SCORE = 0.25
"""Typical score at sites that the motif was not learned from; in pure noise it stays below 0.1."""
_FURTHEST_RATIO = 0.1
"""How far a fit may move a centre, in shorter net vectors."""


_LEAST_CLEAR = 4
"""Copies that stand out by their form alone, below which a motif is not believed."""
_TONE_BLUR_PX, _TONE_SDS, _LEAST_GAIN = 1.0, 3.0, 0.3
"""Tone is smoothed by so much; it may move a centre so many of its sds; a copy is at least so strong."""
_N_BETWEEN = 90
"""How many places half-way between the sites tell what chance scores."""
_FAINT_SCATTERS = 3.0
"""How far a faint copy may stand from where its neighbours put it, in scatters per coordinate, to be believed."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Settled:
    """Every site of a picture, in px of the fine view.

    Attributes
    ----------
    fit : Fit
        Places, covariances and scores; predictions where nothing was found.
    surface : Surface
    found : (n,) bool array
    """

    fit: Fit
    surface: Surface
    found: NDArray[np.bool_]


def settle_sites(
    coarse: View, fine: View, index: NDArray[np.int64], start_px: FloatArray, trust: FloatArray
) -> Settled:
    """Sites fitted to sub-pixels, without what is lost, and told from chance.

    Parameters
    ----------
    coarse, fine : View
        The same picture at the scale of the search, where loss is first told, and at that of the fit.
    index : (n, 2) int array
    start_px : (n, 2) array
        Places of the first search, in px of the coarse view.
    trust : (n,) array
        Their scores, 0 for sites not found.

    Raises
    ------
    EstimationError
        If a motif learned from half of the sites is not to be seen at the others.
    """
    reach = _FURTHEST_RATIO * coarse.shortest_px
    rough = fit_copies(coarse.sheet, start_px, trust**2, furthest_px=reach, n_steps=2, inflation=1.0)
    zone = figure_zone(rough.template[:, :, 0], coarse.sheet.window)
    first = _surface(coarse, coarse.sheet, rough, trust, zone)
    figure = seen_on(first.figure, coarse.sheet.window, fine.sheet.window, fine.scale / coarse.scale)
    furthest = _FURTHEST_RATIO * fine.shortest_px
    sheet = _sheet_of_motif(fine, first, figure)
    start = moved(rough.centres_px, coarse, fine)
    near = fit_copies(sheet, start, trust**2, furthest_px=furthest, n_steps=2, inflation=1.0)
    surface = _surface(fine, sheet, near, trust, with_rim(figure, fine.sheet.window))
    sheet = _sheet_of_motif(fine, surface, figure)
    fit = fit_copies(sheet, near.centres_px, trust**2, furthest_px=furthest)
    least = _least_score(fine, sheet, fit)
    fit, expected, scatter = _held_near(fine, sheet, fit, index, least)
    fit = _finest(fine, sheet, fit, np.where(fit.score >= least, fit.score, 0.0))
    alike = colour_agreement(surface, fine.sheet.share, fit.centres_px, fine.sheet.window)
    found = (fit.score >= least) | ((alike >= _ALIKE) & (fit.score >= 0.3 * least))
    found &= (fit.score >= 1.5 * least) | (np.hypot(*(fit.centres_px - expected).T) <= _FAINT_SCATTERS * scatter)
    _refuse_chance(sheet, fit, found, least, index.sum(1) % 2 == 0)
    centres = np.where(found[:, None], fit.centres_px, expected)
    cov = np.where(found[:, None, None], fit.cov_px2, np.eye(2) * scatter**2)
    return Settled(fit=replace(fit, centres_px=centres, cov_px2=cov), surface=surface, found=found)


def _surface(view: View, sheet: Sheet, fit: Fit, trust: FloatArray, zone: NDArray[np.bool_]) -> Surface:
    """The surface of a view, given the fit of the copies on a sheet and the zone of the motif on its window."""
    sites = Sites(centres_px=fit.centres_px, trust=trust, window=view.sheet.window)
    return read_surface(view.pixels, view.believed, sites, zone=zone, unexplained=partial(unexplained, sheet, fit))


def _sheet_of_motif(view: View, surface: Surface, figure: NDArray[np.bool_]) -> Sheet:
    """Features and "no ground" where the surface is left, on the window of the figure alone.

    Notes
    -----
    The surface may have been read at another scale. The rim of the loss stays in, because the edges of what is left
    need it.
    """
    size = view.believed.shape[::-1]

    def values() -> FloatImage:
        no_ground = cv2.resize(surface.no_ground, size, interpolation=cv2.INTER_LINEAR)
        return cv2.merge([*cv2.split(view.sheet.values), _NO_GROUND_WEIGHT * cv2.GaussianBlur(no_ground, (0, 0), 1.0)])

    def share() -> FloatImage:
        lost = cv2.resize(surface.lost, size, interpolation=cv2.INTER_LINEAR)
        deep = cv2.erode(lost, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
        return np.asarray(view.sheet.share * np.clip(1.0 - 1.5 * deep, 0.0, 1.0), np.float32)

    both = at_once(values, share)
    return Sheet(values=both[0], share=both[1], window=narrowed(view.sheet.window, figure, margin_px=6))


def _held_near(
    view: View, sheet: Sheet, fit: Fit, index: NDArray[np.int64], least: float
) -> tuple[Fit, FloatArray, float]:
    """The fit with every site held near where its neighbours put it, these places, and their scatter in px.

    Notes
    -----
    A copy of which little is left can lock on to something else. Copies further from the prediction of their
    neighbours than placing scatters, and faint ones, are fitted again from there, and the better fit is kept.
    """
    good = np.append(fit.score[fit.score >= least], least)
    sure = fit.score >= max(least, 0.7 * float(np.median(good)))
    expected, scatter = expected_places(index, fit.centres_px, np.where(sure, fit.score, 0.0), view.basis)
    furthest = max(4.5 * scatter, 0.02 * view.shortest_px)
    astray = np.hypot(*(fit.centres_px - expected).T) > furthest
    centres, cov, score = fit.centres_px.copy(), fit.cov_px2.copy(), np.where(astray, -1.0, fit.score)
    doubtful = np.flatnonzero(astray | (score < 1.5 * least))
    if len(doubtful):
        again = fit_to(sheet, expected[doubtful], fit.template, furthest_px=furthest, inflation=fit.inflation)
        better = again.score > score[doubtful]
        chosen = doubtful[better]
        centres[chosen], cov[chosen] = again.centres_px[better], again.cov_px2[better]
        score[chosen] = again.score[better]
    return replace(fit, centres_px=centres, cov_px2=cov, score=score), expected, scatter


def _finest(view: View, sheet: Sheet, fit: Fit, trust: FloatArray) -> Fit:
    """The fit with the centres that the tone of the pixels gives, where these are the surer ones.

    Notes
    -----
    Features do not mind how a copy has tarnished, but throw away what is linear in the picture: under pixel noise
    tone alone reaches the bound of Cramér and Rao, which features miss by a third. Where tone varies from copy
    to copy its own stated covariance says so, and the features stay.
    """
    sure = trust > 0
    if not sure.any():
        return fit
    channels = view.pixels.shape[2]
    light = cv2.transform(view.pixels, np.full((1, channels), 1.0 / channels))
    tone = cv2.GaussianBlur(light, (0, 0), _TONE_BLUR_PX)
    of_tone = Sheet(values=tone[:, :, None], share=sheet.share, window=sheet.window)
    furthest = _FURTHEST_RATIO * view.shortest_px
    other = fit_copies(of_tone, fit.centres_px[sure], trust[sure] ** 2, furthest_px=furthest)
    own, others = (np.trace(cov, axis1=1, axis2=2) for cov in (fit.cov_px2[sure], other.cov_px2))
    away = ((other.centres_px - fit.centres_px[sure]) ** 2).sum(1)
    if float(np.median(others)) >= float(np.median(own)):
        return fit
    better = (others < own) & (other.gain > _LEAST_GAIN) & (away < _TONE_SDS**2 * own)
    chosen = np.flatnonzero(sure)[better]
    centres, cov = fit.centres_px.copy(), fit.cov_px2.copy()
    centres[chosen], cov[chosen] = other.centres_px[better], other.cov_px2[better]
    return replace(fit, centres_px=centres, cov_px2=cov)


def _refuse_chance(sheet: Sheet, fit: Fit, found: NDArray[np.bool_], least: float, even: NDArray[np.bool_]) -> None:
    """Refuse when fewer than four copies are clear, or a motif learned from every second site is not at the others."""
    left, right = int((found & even).sum()), int((found & ~even).sum())
    n_clear = int((found & (fit.score >= least)).sum())
    if min(left, right) >= 2 and n_clear >= _LEAST_CLEAR:
        typical = float(np.median(half_scores(sheet, fit.centres_px[found], even[found])))
        if typical >= _LEAST_HALF_SCORE:
            return
        seen = f"a motif learned from half of {left + right} sites scores {typical:.2f} at the other half"
    else:
        seen = f"{n_clear} copies"
    raise EstimationError(
        "The motif could not be told from its surroundings.",
        found=seen,
        needed=f"four or more copies that agree, with a score of {_LEAST_HALF_SCORE:.2f}",
    )


def _least_score(view: View, sheet: Sheet, fit: Fit) -> float:
    """The fitted score that places half-way between the sites hardly ever reach."""
    steps = np.array([[0.5, 0.0], [0.0, 0.5], [0.5, 0.5]]) @ view.cell
    points = np.vstack([fit.centres_px + step for step in steps])
    inside = (points > 0).all(1) & (points < np.array(sheet.share.shape[::-1]) - 1).all(1)
    points = points[inside]
    points = points[np.linspace(0, len(points) - 1, min(len(points), _N_BETWEEN)).astype(int)]
    if len(points) < 8:
        return 0.35
    null = scores_of(sheet, points, fit.template, furthest_px=_FURTHEST_RATIO * view.shortest_px)
    middle = float(np.median(null))
    spread = 1.4826 * float(np.median(np.abs(null - middle)))
    return float(np.clip(middle + 3.5 * spread, 0.25, 0.6))
