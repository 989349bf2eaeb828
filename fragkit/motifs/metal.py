"""The motif divided: its metal told from its painted shadow by the way the copies vary."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.folding import Sites, patches
from fragkit.opencv import cv2
from fragkit.threads import by_rows

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]


def divide_motif(
    colour: FloatImage,
    lost: FloatImage,
    sites: Sites,
    zone: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Masks of the figure (metal and shadow) and of its metal.

    Notes
    -----
    Leaf tarnishes unevenly, a painted shadow does not: where the colour of the surest copies varies together,
    there is metal. Mean colour and that variation divide the figure in two; the part that varies is the metal.
    When neither varies, the shadow is the part that a shift of the other would leave uncovered.
    """
    mean, varied, known = _consensus(colour, lost, sites)
    own = (sites.window.weight > 0.5) & known
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
    sites: Sites,
) -> tuple[FloatImage, FloatImage, NDArray[np.bool_]]:
    """Mean colour of the surest copies, the size of their common variation, and where enough of them are left."""
    trust, window = sites.trust, sites.window
    chosen = np.argsort(-trust, kind="stable")[: max(8, int(0.6 * (trust > 0).sum()))]
    chosen = chosen[trust[chosen] > 0]
    cut = patches(colour, sites.centres_px[chosen], window)
    weight = patches((1.0 - lost).astype(np.float32), sites.centres_px[chosen], window)
    weight = np.where(weight > 0.6, weight, 0.0)
    total = weight.sum(0)
    known = total > 0.15 * max(float(total.max(initial=0.0)), 1e-6)
    mean, waves, spread = _factors(_tamed(cut, weight), weight)
    varied = np.sqrt((waves**2 * spread[:, None, None, None]).sum((0, 3)))
    return mean, cv2.GaussianBlur(varied.astype(np.float32), (0, 0), 0.7), known


def _tamed(cut: FloatImage, weight: FloatImage) -> FloatImage:
    """Copies with what a single one has alone, such as a crack, cut back to the spread of the others."""
    unseen = np.broadcast_to((weight <= 0)[..., None], cut.shape)
    middle = _median_of_seen(cut, unseen)
    spread = np.float32(1.4826) * _median_of_seen(np.abs(cut - middle), unseen)
    limit = np.float32(3.0) * np.maximum(spread, np.median(spread) + np.float32(1e-6))
    return np.clip(cut, middle - limit, middle + limit)


def _median_of_seen(stack: FloatImage, unseen: NDArray[np.bool_]) -> FloatImage:
    """Median over the first axis of what is seen; 0 where nothing is."""
    n_seen = len(stack) - unseen.sum(0)
    middle = np.empty(stack.shape[1:], np.float32)

    def sort(rows: slice) -> None:
        ordered = np.sort(np.where(unseen[:, rows], np.float32(np.inf), stack[:, rows]), axis=0)
        places = np.maximum(n_seen[rows] - 1, 0) // 2, n_seen[rows] // 2
        low, high = (np.take_along_axis(ordered, k[None], axis=0)[0] for k in places)
        middle[rows] = np.where(n_seen[rows] > 0, (low + high) / np.float32(2.0), np.float32(0.0))

    by_rows(sort, stack.shape[1], size=8)
    return middle


def _factors(cut: FloatImage, weight: FloatImage) -> tuple[FloatImage, FloatImage, FloatArray]:
    """Mean of the copies, the two ways in which they vary together, and the variances of the copies along these.

    Notes
    -----
    Copy i is mean + Σ_k u_ik wave_k where it is left. Alternating weighted least squares, so that a copy that is
    partly lost neither shifts the mean nor makes steps where it ends.
    """
    n, shape = len(cut), cut.shape[1:]
    n_factors = min(2, n - 2)
    w = np.ascontiguousarray(weight.reshape(n, -1), np.float32)
    planes = [w * cut[..., c].reshape(n, -1) for c in range(shape[-1])]
    total = np.maximum(w.sum(0), 1e-6)
    off = np.hstack([plane - w * (plane.sum(0) / total) for plane in planes])
    score = np.linalg.eigh((off @ off.T).astype(float))[1][:, -n_factors:] * np.sqrt(n)
    for _ in range(3):
        maps = _maps(planes, w, np.column_stack([np.ones(n), score]))
        wave = maps[:, 1:]
        score = _copies_scores(planes, w, maps)
        score = (score - score.mean(0)) / np.maximum(score.std(0), 1e-6)
    mean_image = maps[:, 0].reshape(shape)
    waves = np.moveaxis(wave, 1, 0).reshape(n_factors, *shape)
    return np.asarray(mean_image, np.float32), waves, score.var(axis=0)


def _maps(planes: list[FloatImage], w: FloatImage, design: FloatArray) -> FloatArray:
    """The mean and the waves (pixels, 1 + factors, channels) by weighted least squares over the copies."""
    n, size = design.shape
    columns = design.astype(np.float32)
    pairs = (columns[:, :, None] * columns[:, None, :]).reshape(n, -1)
    normal = (w.T @ pairs).reshape(-1, size, size).astype(float)
    right = np.stack([plane.T @ columns for plane in planes], axis=-1).astype(float)
    return np.linalg.solve(normal + np.diag([1e-6, *[0.5] * (size - 1)]), right)


def _copies_scores(planes: list[FloatImage], w: FloatImage, maps: FloatArray) -> FloatArray:
    """How far each copy (n, factors) goes along each wave, by weighted least squares over the pixels."""
    waves = maps[:, 1:].astype(np.float32)
    n_factors = waves.shape[1]
    left = (w @ np.einsum("pac,pbc->pab", waves, waves).reshape(len(waves), -1)).reshape(-1, n_factors, n_factors)
    gain = -w @ np.einsum("pac,pc->pa", waves, maps[:, 0].astype(np.float32))
    for c, plane in enumerate(planes):
        gain += plane @ waves[:, :, c]
    return np.linalg.solve(left.astype(float) + 1e-6 * np.eye(n_factors), gain.astype(float)[..., None])[..., 0]


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
