"""What the surface shows at each site: ground, loss, and the motif's metal told from its shadow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.folding import Window, patches
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_STRANGE_DISTANCE = 5.0
"""Distance from the ground's colour and texture, in its own robust deviations, from which a place is no ground."""
_BINS = 20
_TEXTURE_REACH_PX = 6
_RESERVE = 1e-3


@dataclass(frozen=True, eq=False, kw_only=True)
class Surface:
    """A picture's surface against the motif learned from it.

    Attributes
    ----------
    lost : (h, w) float32 array
        Probability that the decorated surface is gone.
    colour : (h, w, c) float32 array
        Colour less the ground's colour at that place.
    no_ground : (h, w) float32 array
        1 where the surface is there and its colour is not the ground's, be it lighter or darker; 0 elsewhere.
    figure, metal : (m, n) bool arrays
        The motif (metal and shadow) and its metal, on the window of a site.
    """

    lost: FloatImage
    colour: FloatImage
    no_ground: FloatImage
    figure: NDArray[np.bool_]
    metal: NDArray[np.bool_]


def read_surface(
    pixels: FloatImage,
    believed: NDArray[np.bool_],
    centres_px: FloatArray,
    trust: FloatArray,
    strength: FloatImage,
    unexplained: FloatImage,
    window: Window,
) -> Surface:
    """Loss, evened colour, and the masks of figure and metal.

    Parameters
    ----------
    pixels : (h, w, c) float32 array
    believed : (h, w) bool array
    centres_px : (n, 2) array
        Sites, found or predicted.
    trust : (n,) array
        Score of the found ones, 0 for the others.
    strength : (m, n) array
        Gradient strength of the learned motif on the window.
    unexplained : (h, w) array
        Energy of the structure that the learned motif does not explain.
    window : Window

    Notes
    -----
    Ground is what most of the surface away from the motif shows: its colour is a quadratic surface over
    the picture, fitted robustly. What differs there in colour or texture is loss, and teaches what loss looks
    like; the figure at the surest sites teaches what leaf and shadow look like, dark or bright. Both are
    histograms of colour and texture; places are told apart by their ratio and by how much of the ground around is
    gone.
    """
    zone = figure_zone(strength, window)
    near = trust >= np.median(trust[trust > 0])
    for _ in range(2):
        ground = painted(window.weight.astype(bool) & ~zone, centres_px, window, believed.shape) & believed
        inside = painted(zone, centres_px, window, believed.shape) & believed
        sure = ground & painted(window.weight.astype(bool), centres_px[near], window, believed.shape)
        colour = pixels - ground_surface(pixels, sure)
        look = _look(colour, unexplained)
        strange = _strangeness(look, sure)
        lost = _loss(look, strange, ground, inside, believed, window)
        figure, metal = divide_motif(colour, lost, believed, centres_px, trust, zone, window)
        zone = cv2.dilate(figure.astype(np.uint8), _ball(window)).astype(bool) & (window.weight > 0.5)
    no_ground = _strangeness(look[:, :, :-1], sure) * (1.0 - lost)
    return Surface(lost=lost, colour=colour, no_ground=no_ground, figure=figure, metal=metal)


def colour_agreement(surface: Surface, share: FloatImage, centres_px: FloatArray, window: Window) -> FloatArray:
    """Correlation (n,) of what is no ground round each site with the figure, over the surface that is left.

    Notes
    -----
    0 where less than three tenths of the figure are left: too little to tell a figure from a blot.
    """
    left = patches((share * (1.0 - surface.lost)).astype(np.float32), centres_px, window)
    seen = patches(surface.no_ground, centres_px, window)
    weight = (left * window.weight).reshape(len(centres_px), -1).astype(float)
    value, figure = seen.reshape(weight.shape).astype(float), surface.figure.ravel().astype(float)
    total = np.maximum(weight.sum(1), 1e-9)
    mean_v, mean_f = (weight * value).sum(1) / total, weight @ figure / total
    cross = (weight * value) @ figure / total - mean_v * mean_f
    spread_v = (weight * value**2).sum(1) / total - mean_v**2
    spread_f = mean_f * (1.0 - mean_f)
    norm = np.sqrt(np.maximum(spread_v, 0.0) * np.maximum(spread_f, 0.0))
    enough = weight @ figure >= 0.3 * float(figure.sum())
    return np.divide(cross, norm, out=np.zeros(len(total)), where=enough & (norm > 1e-6))


def figure_zone(strength: FloatImage, window: Window) -> NDArray[np.bool_]:
    """The part of the window that the motif takes: strong edges, closed and filled, with a rim."""
    own = window.weight > 0.5
    level = np.where(own, cv2.GaussianBlur(strength.astype(np.float32), (0, 0), 1.0), 0.0)
    low, middle, high = np.percentile(level[own], [20, 40, 98])
    edges = own & (level > low + max(0.12 * (high - low), 4.0 * (middle - low)))
    ball = _ball(window)
    closed = cv2.morphologyEx(edges.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    filled = ndimage.binary_fill_holes(closed)
    labels, count = ndimage.label(filled)
    if count > 1:
        sizes = ndimage.sum_labels(filled, labels, np.arange(1, count + 1))
        filled = np.isin(labels, 1 + np.flatnonzero(sizes >= 0.05 * sizes.max()))
    return cv2.dilate(filled.astype(np.uint8), ball).astype(bool) & own


def _ball(window: Window) -> NDArray[np.uint8]:
    """A disc of a twenty-fifth of the cell, at least as wide as texture reaches."""
    reach = max(_TEXTURE_REACH_PX, round(0.04 * float(np.sqrt(window.weight.sum()))))
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)), np.uint8)


def painted(
    mask: NDArray[np.bool_], centres_px: FloatArray, window: Window, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """The mask stamped on an empty picture at every site."""
    out = np.zeros(shape, bool)
    hx, hy = window.half_px
    for x, y in np.round(centres_px).astype(int):
        x0, y0, x1, y1 = max(x - hx, 0), max(y - hy, 0), min(x + hx + 1, shape[1]), min(y + hy + 1, shape[0])
        if x1 > x0 and y1 > y0:
            out[y0:y1, x0:x1] |= mask[y0 - y + hy : y1 - y + hy, x0 - x + hx : x1 - x + hx]
    return out


def ground_surface(pixels: FloatImage, ground: NDArray[np.bool_]) -> FloatImage:
    """The colour of the ground everywhere: a quadratic surface through the majority of the ground pixels."""
    height, width = ground.shape
    y, x = np.mgrid[:height, :width]
    terms = _quadratic(2.0 * x / max(width - 1, 1) - 1.0, 2.0 * y / max(height - 1, 1) - 1.0)
    rows = np.flatnonzero(ground.ravel())
    if len(rows) < 50:
        return np.zeros_like(pixels) + pixels.reshape(-1, pixels.shape[2]).mean(0)
    rows = rows[:: max(1, len(rows) // 20000)]
    design = np.column_stack([t.ravel()[rows] for t in terms])
    values = pixels.reshape(-1, pixels.shape[2])[rows].astype(float)
    weight = np.ones(len(rows))
    for _ in range(12):
        root = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(design * root, values * root, rcond=None)[0]
        error = values - design @ fit
        spread = 1.4826 * np.median(np.abs(error - np.median(error, axis=0)), axis=0) + 1e-6
        distance = ((error / spread) ** 2).sum(1)
        weight = 1.0 / (1.0 + (distance / 6.0) ** 2)
    surface = sum(t[..., None] * c for t, c in zip(terms, fit, strict=True))
    return np.asarray(surface, np.float32)


def _quadratic(x: FloatArray, y: FloatArray) -> tuple[FloatArray, ...]:
    return np.ones_like(x), x, y, x * x, x * y, y * y


def _look(colour: FloatImage, unexplained: FloatImage) -> FloatImage:
    """Colour without its pixel noise, and the logarithm of the structure that is no motif; (h, w, c + 1)."""
    smooth = cv2.GaussianBlur(colour, (0, 0), 1.0).reshape(colour.shape)
    texture = np.log(cv2.GaussianBlur(unexplained, (0, 0), 2.5) + 1e-4)
    return np.dstack([smooth, 0.25 * texture])


def _strangeness(look: FloatImage, ground: NDArray[np.bool_]) -> FloatImage:
    """1 where colour or texture are not those of the ground, 0 where they are, soft between."""
    if ground.sum() < 50:
        return np.zeros(look.shape[:2], np.float32)
    seen = look[ground]
    seen = seen[:: max(1, len(seen) // 20000)]
    middle = np.array([_mode(column) for column in seen.T])
    spread = 1.4826 * np.median(np.abs(seen - middle), axis=0) + 1e-6
    for _ in range(8):
        near = (((seen - middle) / spread) ** 2).max(1) < 6.25
        middle = np.median(seen[near], axis=0)
        spread = 1.4826 * 1.1 * np.median(np.abs(seen[near] - middle), axis=0) + 1e-6
    distance = np.abs((look - middle) / spread).max(2)
    return (1.0 / (1.0 + np.exp(-2.0 * (distance - _STRANGE_DISTANCE)))).astype(np.float32)


def _mode(values: FloatArray) -> float:
    """Half-sample mode: the middle of the densest part.

    References
    ----------
    Bickel, D. R. and Frühwirth, R. (2006) On a fast, robust estimator of the mode. Comput. Stat. Data Anal. 50, 3500.
    """
    ordered = np.sort(values)
    while len(ordered) > 3:
        half = (len(ordered) + 1) // 2
        start = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
        ordered = ordered[start : start + half]
    return float(ordered.mean())


def _loss(
    look: FloatImage,
    strange: FloatImage,
    ground: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    believed: NDArray[np.bool_],
    window: Window,
) -> FloatImage:
    """Probability of loss: on the ground what is strange there, in the motif by likelihood and surroundings."""
    radius = 0.07 * float(np.sqrt(window.weight.sum()))
    share = cv2.GaussianBlur(ground.astype(np.float32), (0, 0), radius)
    around = cv2.GaussianBlur(strange * ground, (0, 0), radius) / np.maximum(share, 1e-3)
    prior = np.clip(around, 0.002, 0.98)
    lost = np.where(ground, strange, prior).astype(np.float32)
    if not (ground & (strange > 0.5)).sum() > 100:
        return np.where(believed, np.where(ground, strange, 0.0), 0.0).astype(np.float32)
    edges = [np.linspace(*np.percentile(look[believed][:, k], [0.2, 99.8]), _BINS + 1) for k in range(look.shape[2])]
    bins = _bin_numbers(look, edges)
    of_loss = _density(bins, np.where(ground, strange, 0.0))
    for _ in range(4):
        of_motif = _density(bins, np.where(inside, 1.0 - lost, 0.0))
        odds = np.log(of_loss + _RESERVE) - np.log(of_motif + _RESERVE)
        steady = cv2.GaussianBlur(odds, (0, 0), 2.0) * 2.0
        posterior = 1.0 / (1.0 + np.exp(-np.clip(steady + np.log(prior / (1.0 - prior)), -30, 30)))
        lost = np.where(inside, posterior, np.where(ground, strange, prior)).astype(np.float32)
    return np.where(believed, lost, 0.0).astype(np.float32)


def _bin_numbers(look: FloatImage, edges: list[FloatArray]) -> NDArray[np.int64]:
    number = np.zeros(look.shape[:2], np.int64)
    for k, edge in enumerate(edges):
        step = np.clip(np.searchsorted(edge, look[:, :, k]) - 1, 0, _BINS - 1)
        number = number * _BINS + step
    return number


def _density(bins: NDArray[np.int64], weight: FloatImage) -> FloatImage:
    """Smoothed histogram of colour and texture, relative to a uniform one, read at every pixel."""
    dimensions = 4 if bins.max(initial=0) >= _BINS**2 else 2
    counts = np.bincount(bins.ravel(), weights=weight.ravel(), minlength=_BINS**dimensions)
    table = ndimage.gaussian_filter(counts.reshape((_BINS,) * dimensions), 0.8)
    total = max(float(table.sum()), 1e-9)
    return np.asarray(table.ravel()[bins] / total * 1000.0, np.float32)


def divide_motif(
    colour: FloatImage,
    lost: FloatImage,
    believed: NDArray[np.bool_],
    centres_px: FloatArray,
    trust: FloatArray,
    zone: NDArray[np.bool_],
    window: Window,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Masks of the figure (metal and shadow) and of its metal.

    Notes
    -----
    Leaf tarnishes unevenly, a painted shadow does not: where the colour of the surest copies varies together,
    there is metal. Mean colour and that variation divide the figure in two; the part that varies is the metal.
    When neither varies, the shadow is the part that a shift of the other would leave uncovered.
    """
    mean, varied, known = _consensus(colour, lost, believed, centres_px, trust, window)
    own = (window.weight > 0.5) & known
    outside = own & ~zone
    if outside.sum() < 20:
        return zone, zone
    away = mean - np.median(mean[outside], axis=0)
    size = np.sqrt((away**2).sum(2))
    figure = zone & ((size > _limit(size[outside])) | (varied > _limit(varied[outside])))
    figure = cv2.morphologyEx(figure.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(bool)
    figure = _without_specks(ndimage.binary_fill_holes(figure))
    if figure.sum() < 20:
        return zone, zone
    return figure, _metal(away, varied, figure)


def _consensus(
    colour: FloatImage,
    lost: FloatImage,
    believed: NDArray[np.bool_],
    centres_px: FloatArray,
    trust: FloatArray,
    window: Window,
) -> tuple[FloatImage, FloatImage, NDArray[np.bool_]]:
    """Mean colour of the surest copies, the size of their common variation, and where enough of them are left."""
    chosen = np.argsort(-trust, kind="stable")[: max(8, int(0.6 * (trust > 0).sum()))]
    chosen = chosen[trust[chosen] > 0]
    cut = patches(colour, centres_px[chosen], window)
    weight = patches(np.where(believed, 1.0 - lost, 0.0).astype(np.float32), centres_px[chosen], window)
    weight = np.where(weight > 0.6, weight, 0.0)
    total = weight.sum(0)
    known = total > 0.15 * max(float(total.max(initial=0.0)), 1e-6)
    mean, waves, spread = _factors(_tamed(cut, weight), weight)
    varied = np.sqrt((waves**2 * spread[:, None, None, None]).sum((0, 3)))
    return mean, cv2.GaussianBlur(varied.astype(np.float32), (0, 0), 0.7), known


def _tamed(cut: FloatImage, weight: FloatImage) -> FloatImage:
    """Copies with what a single one has alone, such as a crack, cut back to the spread of the others."""
    seen = np.where(weight[..., None] > 0, cut, np.nan)
    seen[:, (weight > 0).sum(0) == 0] = 0.0
    middle = np.nanmedian(seen, axis=0)
    spread = 1.4826 * np.nanmedian(np.abs(seen - middle), axis=0)
    least = float(np.median(spread)) + 1e-6
    limit = 3.0 * np.maximum(spread, least)
    return np.asarray(np.clip(cut, middle - limit, middle + limit), np.float32)


def _factors(cut: FloatImage, weight: FloatImage) -> tuple[FloatImage, FloatImage, FloatArray]:
    """Mean of the copies, the two ways in which they vary together, and the variances of the copies along these.

    Notes
    -----
    Copy i is mean + Σ_k u_ik wave_k where it is left. Alternating weighted least squares, so that a copy that is
    partly lost neither shifts the mean nor makes steps where it ends.
    """
    n, shape = len(cut), cut.shape[1:]
    n_factors = min(2, n - 2)
    values, w = cut.reshape(n, -1, shape[-1]), weight.reshape(n, -1)
    total = np.maximum(w.sum(0), 1e-6)
    mean = np.einsum("np,npc->pc", w, values) / total[:, None]
    off = ((values - mean) * w[..., None]).reshape(n, -1)
    score = np.linalg.eigh(off @ off.T)[1][:, -n_factors:] * np.sqrt(n)
    for _ in range(3):
        design = np.column_stack([np.ones(n), score])
        normal = np.einsum("np,na,nb->pab", w, design, design, optimize=True)
        right = np.einsum("np,na,npc->pac", w, design, values, optimize=True)
        maps = np.linalg.solve(normal + np.diag([1e-6, *[0.5] * n_factors]), right)
        wave = maps[:, 1:]
        left = np.einsum("np,pac,pbc->nab", w, wave, wave, optimize=True)
        gain = np.einsum("np,pac,npc->na", w, wave, values - maps[None, :, 0], optimize=True)
        score = np.linalg.solve(left + 1e-6 * np.eye(n_factors), gain[..., None])[..., 0]
        score = (score - score.mean(0)) / np.maximum(score.std(0), 1e-6)
    mean_image = maps[:, 0].reshape(shape)
    waves = np.moveaxis(wave, 1, 0).reshape(n_factors, *shape)
    return np.asarray(mean_image, np.float32), waves, score.var(axis=0)


def _limit(values: FloatArray) -> float:
    middle = float(np.median(values))
    return middle + 5.0 * 1.4826 * float(np.median(np.abs(values - middle))) + 1e-6


def _metal(away: FloatImage, varied: FloatImage, figure: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The part of the figure that is metal."""
    spread = float(np.sqrt((away[figure] ** 2).sum(1).mean())) + 1e-6
    level = float(np.percentile(varied[figure], 90)) + 1e-6
    points = np.column_stack([away[figure] / spread, 1.5 * varied[figure] / level]).astype(np.float32)
    first = (varied[figure] > 0.5 * level).astype(np.int32)[:, None]
    if first.min() == first.max():
        return figure
    _, labels, _ = cv2.kmeans(
        points,
        2,
        first,
        (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-4),
        1,
        cv2.KMEANS_USE_INITIAL_LABELS,
    )
    part = np.zeros(figure.shape, bool)
    part[figure] = labels[:, 0] == 1
    other = figure & ~part
    if varied[part].mean() < varied[other].mean():
        part, other = other, part
    if min(part.sum(), other.sum()) < 0.05 * figure.sum() and part.sum() > other.sum():
        return figure
    if float(np.median(varied[part])) > 2.0 * float(np.median(varied[other])):
        part = _to_half_height(varied, part)
    smooth = cv2.medianBlur(part.astype(np.uint8), 3).astype(bool)
    return _without_specks(smooth & figure)


def _to_half_height(varied: FloatImage, part: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The part with its border where the variation is half of what it is inside nearby."""
    small = np.ones((3, 3), np.uint8)
    core = cv2.erode(part.astype(np.uint8), small).astype(np.float32)
    core = core if core.any() else part.astype(np.float32)
    share = cv2.GaussianBlur(core, (0, 0), 4.0)
    inside = cv2.GaussianBlur(varied * core, (0, 0), 4.0) / np.maximum(share, 1e-4)
    near = cv2.dilate(part.astype(np.uint8), small, iterations=2).astype(bool)
    return near & (share > 1e-4) & (varied > 0.5 * inside)


def _without_specks(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The mask without parts smaller than a twenty-fifth of its largest."""
    labels, count = ndimage.label(mask)
    if count < 2:
        return np.asarray(mask)
    sizes = ndimage.sum_labels(mask, labels, np.arange(1, count + 1))
    return np.isin(labels, 1 + np.flatnonzero(sizes >= 0.04 * sizes.max()))
