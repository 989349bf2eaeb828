"""Every motif of a picture: where it is, how sure that is, and how much of it is left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.motifs.folding import Window, motif_phase, narrowed, patches, site_indices, window_of
from fragkit.motifs.matching import (
    best_near,
    expected_places,
    ideal_places,
    learn_template,
    propagate,
    score_map,
)
from fragkit.motifs.refinement import Fit, fit_copies, fit_to, unexplained
from fragkit.motifs.surface import Surface, colour_agreement, read_surface
from fragkit.net import Net, features
from fragkit.net.features import pixels_and_mask
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_SEARCH_CELL_PX = 56.0
_FINE_CELL_PX = 150.0
_FINE_AREA_PX = 0.9e6
_SEARCH_RATIO = 0.22
"""Radius of the search round a predicted site, in shorter net vectors."""
_NO_GROUND_WEIGHT = 1.0
"""Weight of "this is no ground" beside the gradient features, whose strength is near 1 on a clear edge."""
_SEEN_RATIO = 0.6
_ALIKE = 0.55
"""Correlation of what is no ground with the figure from which a faint copy counts as there."""
STATUS = ("seen", "partly seen", "lost", "not there", "outside")


@dataclass(frozen=True, eq=False, kw_only=True)
class Centres:
    """Every site of a net on a picture.

    Attributes
    ----------
    index : (n, 2) int array
        (i, j) of the site i a + j b; (0, 0) is the site nearest the plane's origin.
    xy_mm : (n, 2) array
        Metal centroid of the motif, x right, y up; a prediction where the motif was not found.
    cov_mm2 : (n, 2, 2) array
        Covariance of `xy_mm`: picture noise, and the plane's where it was given.
    score : (n,) array
        Agreement with the learned motif, -1 to 1.
    visible_ratio : (n,) array
        Visible metal area over the motif's metal area, 0 to 1.
    status : tuple of str
        "seen" (found, 0.6 or more visible), "partly seen", "lost" (surface gone), "not there" (surface there, no
        motif) or "outside" (beyond the picture, or less than half inside).
    net : Net
    """

    index: NDArray[np.int64]
    xy_mm: FloatArray
    cov_mm2: FloatArray
    score: FloatArray
    visible_ratio: FloatArray
    status: tuple[str, ...]
    net: Net
    notes: tuple[str, ...] = ()

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether each site's motif was found (seen or partly seen)."""
        return np.array([s in ("seen", "partly seen") for s in self.status], bool)

    def __repr__(self) -> str:
        return f"Centres({int(self.found.sum())} found of {len(self.status)} sites)"

    def _repr_html_(self) -> str:
        rows = [(name, str(self.status.count(name))) for name in STATUS]
        return card("Motifs", rows, notes=self.notes)


@dataclass(frozen=True, eq=False, kw_only=True)
class _View:
    """A picture at one working scale: pixels, coverage, features, net, and px per full-scale px."""

    pixels: FloatImage
    believed: NDArray[np.bool_]
    values: FloatImage
    share: FloatImage
    a_px: FloatArray
    b_px: FloatArray
    scale: FloatArray
    window: Window


def find_centres(
    picture: Picture,
    net: Net,
    *,
    mask: NDArray[np.bool_] | None = None,
    covariance_mm2: Callable[[FloatArray], FloatArray] | None = None,
) -> Centres:
    """Position, covariance, score, visible share and status of every motif of a picture.

    Parameters
    ----------
    picture : Picture
    net : Net
        The repeat, from `find_nets` or typed in.
    mask : (h, w) bool array, optional
        Where the picture is to be believed; it narrows the picture's coverage.
    covariance_mm2 : callable, optional
        (n, 2) points in mm to their (n, 2, 2) covariance from the rectification.

    Raises
    ------
    EstimationError
        If fewer than three copies of one motif can be told from their surroundings.

    Notes
    -----
    The picture is folded on the net and a first motif learned from it in sign-free features; it is sought within a
    fraction of the cell of where the neighbours put each site, and learned again from the surest copies.
    All copies are then fitted to one shared template. A motif counts as found when its score is
    above what the same search finds half-way between the sites.
    """
    pixels, believed = pixels_and_mask(picture, mask)
    a_px, b_px = (np.array([v[0], -v[1]]) / picture.mm_per_px for v in (net.a_mm, net.b_mm))
    coarse = _view(pixels, believed, a_px, b_px, _SEARCH_CELL_PX, scale_px=1.5)
    index, place, score, least = _search(coarse)
    found = score >= least
    if found.sum() < 3:
        raise EstimationError(
            "The motif could not be told from its surroundings.",
            found=f"{int(found.sum())} copies on {net!r}",
            needed="three or more copies",
        )
    fine = _view(pixels, believed, a_px, b_px, _fine_cell(believed, a_px, b_px), scale_px=1.3)
    start = _to_fine(place, coarse, fine)
    fit, surface, fine = _refine(fine, start, np.where(found, score, 0.0))
    fit, found = _settled(fine, fit, surface, index)
    return _centres(picture, net, index, fine, fit, surface, found, covariance_mm2)


def _fine_cell(believed: NDArray[np.bool_], a: FloatArray, b: FloatArray) -> float:
    """Side of a cell at the fine scale, so that neither the cell nor the picture grows too large, in px."""
    cell = float(np.sqrt(abs(a[0] * b[1] - a[1] * b[0])))
    return min(_FINE_CELL_PX, cell * float(np.sqrt(min(1.0, _FINE_AREA_PX / believed.size))))


def _view(
    pixels: FloatImage,
    believed: NDArray[np.bool_],
    a: FloatArray,
    b: FloatArray,
    cell_px: float,
    *,
    scale_px: float,
) -> _View:
    """The picture reduced until a cell measures `cell_px` (never enlarged)."""
    height, width = believed.shape
    ratio = min(1.0, cell_px / float(np.sqrt(abs(a[0] * b[1] - a[1] * b[0]))))
    size = (max(2, round(width * ratio)), max(2, round(height * ratio)))
    scale = np.array([size[0] / width, size[1] / height])
    if ratio < 1.0:
        share = cv2.resize(believed.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
        believed = share > 0.95
    values = features(pixels, scale_px=scale_px, mask=believed)
    return _View(
        pixels=pixels,
        believed=believed,
        values=values,
        share=believed.astype(np.float32),
        a_px=a * scale,
        b_px=b * scale,
        scale=scale,
        window=window_of(a * scale, b * scale),
    )


def _to_fine(place: FloatArray, coarse: _View, fine: _View) -> FloatArray:
    """Pixel positions of one reduced picture on another; pixel centres lie at whole numbers."""
    return ((place + 0.5) / coarse.scale) * fine.scale - 0.5


def _search(view: _View) -> tuple[NDArray[np.int64], FloatArray, FloatArray, float]:
    """Index, place and score of all sites, and the least score of a motif, at the search scale."""
    basis = np.array([view.a_px, view.b_px])
    radius = _SEARCH_RATIO * float(np.hypot(*basis.T).min())
    origin = motif_phase(view.values[:, :, 0], view.share, view.a_px, view.b_px)
    index = site_indices(view.share.shape, origin, view.a_px, view.b_px, 0.5 * float(np.hypot(*basis.T).max()))
    place = origin + index @ basis
    weight = np.ones(len(index))
    for round_ in range(4):
        template = learn_template(view.values, place, weight, view.window, view.share)
        score = score_map(view.values, template, view.window)
        least = _least_score(score, place, basis, radius, view.share)
        ideal = ideal_places(index, place, weight, basis) if round_ else origin + index @ basis
        place, value = propagate(score, index, ideal, radius_px=radius, sure=least)
        weight = np.where(value >= least, np.clip(value, 0.0, 1.0) ** 2, 0.0)
        if weight.sum() <= 0:
            weight = np.clip(value, 0.0, 1.0) ** 4
    return index, place, value, least


def _least_score(score: FloatImage, place: FloatArray, basis: FloatArray, radius: float, share: FloatImage) -> float:
    """The score that the same search hardly ever reaches half-way between the sites."""
    between = [place + step @ basis for step in np.array([[0.5, 0.0], [0.0, 0.5], [0.5, 0.5]])]
    points = np.vstack(between)
    x, y = np.round(points).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < share.shape[1]) & (y < share.shape[0])
    points = points[inside][share[y[inside], x[inside]] > 0]
    if len(points) < 8:
        return 0.35
    values = np.array([best_near(score, point, 0.7 * radius)[1] for point in points])
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return float(np.clip(middle + 3.0 * spread, 0.12, 0.6))


def _refine(view: _View, start: FloatArray, trust: FloatArray) -> tuple[Fit, Surface, _View]:
    """Sub-pixel fit, then the surface, then the fit again with what is no ground and without what is lost."""
    furthest = 0.1 * float(min(np.hypot(*view.a_px), np.hypot(*view.b_px)))
    first = fit_copies(view.values, start, trust**2, view.window, view.share, furthest_px=furthest, n_rounds=1)
    strength = first.template[:, :, 0]
    rest = unexplained(view.values, first, view.window)
    surface = read_surface(view.pixels, view.believed, first.centres_px, trust, strength, rest, view.window)
    whole = _whole(view, surface)
    near = narrowed(view.window, surface.figure, margin_px=6)
    soft = cv2.GaussianBlur(surface.no_ground, (0, 0), 1.0)
    view = replace(view, values=np.dstack([view.values, _NO_GROUND_WEIGHT * soft]))
    fit = fit_copies(view.values, first.centres_px, trust**2, near, whole, furthest_px=furthest)
    return fit, surface, view


def _settled(view: _View, fit: Fit, surface: Surface, index: NDArray[np.int64]) -> tuple[Fit, NDArray[np.bool_]]:
    """The fit with every site held near where its neighbours put it, and which sites carry a motif.

    Notes
    -----
    A copy of which little is left can lock on to something else. Copies further from the prediction of
    their neighbours than placing scatters are fitted again from there; where nothing fits the
    prediction stays, with the scatter as its uncertainty.
    """
    least = _least_fine_score(view, fit, surface)
    basis = np.array([view.a_px, view.b_px])
    sure = fit.score >= max(least, 0.7 * float(np.median(np.append(fit.score[fit.score >= least], least))))
    expected, scatter = expected_places(index, fit.centres_px, np.where(sure, fit.score, 0.0), basis)
    furthest = max(4.5 * scatter, 0.02 * float(np.hypot(*basis.T).min()))
    astray = np.hypot(*(fit.centres_px - expected).T) > furthest
    centres, cov, score = fit.centres_px.copy(), fit.cov_px2.copy(), np.where(astray, -1.0, fit.score)
    doubtful = np.flatnonzero(astray | (score < 1.5 * least))
    if len(doubtful):
        again = fit_to(
            view.values,
            expected[doubtful],
            fit.template,
            narrowed(view.window, surface.figure, margin_px=6),
            _whole(view, surface),
            furthest_px=furthest,
            inflation=fit.inflation,
        )
        better = again.score > score[doubtful]
        chosen = doubtful[better]
        centres[chosen], cov[chosen] = again.centres_px[better], again.cov_px2[better]
        score[chosen] = again.score[better]
    alike = colour_agreement(surface, view.share, centres, view.window)
    found = (score >= least) | ((alike >= _ALIKE) & (score >= 0.3 * least))
    centres[~found] = expected[~found]
    cov[~found] = np.eye(2) * scatter**2
    return replace(fit, centres_px=centres, cov_px2=cov, score=score), found


def _least_fine_score(view: _View, fit: Fit, surface: Surface) -> float:
    """The fitted score that places half-way between the sites hardly ever reach."""
    basis = np.array([view.a_px, view.b_px])
    steps = [fit.centres_px + step @ basis for step in np.array([[0.5, 0.0], [0.0, 0.5], [0.5, 0.5]])]
    points = np.vstack(steps)
    inside = (points > 0).all(1) & (points < np.array(view.share.shape[::-1]) - 1).all(1)
    points = points[inside][:: max(1, int(inside.sum()) // 150)]
    whole = _whole(view, surface)
    furthest = 0.1 * float(np.hypot(*basis.T).min())
    near = narrowed(view.window, surface.figure, margin_px=6)
    null = fit_to(view.values, points, fit.template, near, whole, furthest_px=furthest, inflation=1.0)
    middle = float(np.median(null.score))
    spread = 1.4826 * float(np.median(np.abs(null.score - middle)))
    return float(np.clip(middle + 3.5 * spread, 0.25, 0.6))


def _whole(view: _View, surface: Surface) -> FloatImage:
    """Where the decorated surface is left, with the rim of the loss, which the edges of what is left need."""
    deep = cv2.erode(surface.lost, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)))
    return np.asarray(view.share * np.clip(1.0 - 1.5 * deep, 0.0, 1.0), np.float32)


def _centres(
    picture: Picture,
    net: Net,
    index: NDArray[np.int64],
    view: _View,
    fit: Fit,
    surface: Surface,
    found: NDArray[np.bool_],
    covariance_mm2: Callable[[FloatArray], FloatArray] | None,
) -> Centres:
    inside, visible, lost = _shares(view, fit.centres_px, surface)
    status = tuple(_status(*row) for row in zip(found, inside, visible, lost, strict=True))
    xy_px = _metal_centroid(surface.metal, view.window) + fit.centres_px
    xy_mm = picture.to_mm((xy_px + 0.5) / view.scale - 0.5)
    flip = np.diag([picture.mm_per_px, -picture.mm_per_px] / view.scale)
    cov = flip @ fit.cov_px2 @ flip
    if covariance_mm2 is not None:
        cov = cov + np.asarray(covariance_mm2(xy_mm), float)
    origin = index[int(np.argmin(np.hypot(*xy_mm.T)))]
    return Centres(
        index=frozen_array(index - origin),
        xy_mm=frozen_array(xy_mm),
        cov_mm2=frozen_array(cov),
        score=frozen_array(fit.score),
        visible_ratio=frozen_array(visible),
        status=status,
        net=net,
    )


def _shares(view: _View, centres: FloatArray, surface: Surface) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of the motif's metal at each site: the share inside the picture, visible, and lost."""
    metal = surface.metal
    total = max(int(metal.sum()), 1)
    within = patches(view.share, centres, view.window)[:, metal]
    gone = patches(surface.lost, centres, view.window)[:, metal] * within
    inside = within.sum(1) / total
    lost = gone.sum(1) / total
    return inside.astype(float), np.clip(inside - lost, 0.0, 1.0).astype(float), lost.astype(float)


def _status(found: bool, inside: float, visible: float, lost: float) -> str:
    if inside < 0.5:
        return "outside"
    if found and visible >= 0.1:
        return "seen" if visible >= _SEEN_RATIO else "partly seen"
    return "lost" if lost >= 0.5 * inside else "not there"


def _metal_centroid(metal: NDArray[np.bool_], window: Window) -> FloatArray:
    return np.array([window.dx[metal].mean(), window.dy[metal].mean()], float)
