"""Sub-pixel centres: every copy fitted to one shared, band-limited template by Gauss–Newton."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Sheet, patches
from fragkit.opencv import cv2
from fragkit.threads import at_once, by_rows, groups_of, in_groups, side_by_side

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_BLOCK_PX = 14
_BAND_LIMIT_PX = 0.8
_LEAST_VARIED = 8
_VARIATION_RATIO = 0.5
"""Variance of the centre in variances of the quarters' shifts."""
_LEAST_QUARTER = 0.01
"""Structure of a quarter of a copy, as a share of the template's, below which it tells nothing of a shift."""
_LEAST_SD_PX = 0.012
"""Sd that interpolation and the template's own error leave in the best of copies, on simulated scenes."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Fit:
    """Copies fitted to the shared template.

    Attributes
    ----------
    centres_px : (n, 2) array
    cov_px2 : (n, 2, 2) array
    gain : (n,) array
        Strength of each copy against the template.
    score : (n,) array
        Correlation of copy and template, in [-1, 1]; what is lost counts as disagreement.
    inflation : float
        Ratio of the variance of the centres to that of white noise, from blocks of residuals.
    variation_px2 : float
        Variance per coordinate that comes from forms that differ from copy to copy; it is part of `cov_px2`.
    template : (h, w, c) float32 array
    """

    centres_px: FloatArray
    cov_px2: FloatArray
    gain: FloatArray
    score: FloatArray
    inflation: float
    variation_px2: float
    template: FloatImage


def fit_copies(
    sheet: Sheet,
    centres_px: FloatArray,
    trust: FloatArray,
    *,
    furthest_px: float,
    n_steps: int = 3,
    inflation: float | None = None,
) -> Fit:
    """Centres of all copies by least squares on a template learned from them.

    Parameters
    ----------
    sheet : Sheet
    centres_px : (n, 2) array
        Where to start.
    trust : (n,) array
        Weight of each copy in the template; 0 for those not to learn from.
    furthest_px : float
        A centre does not move further than this from where it started.
    n_steps : int
    inflation : float, optional
        Known ratio of the variance of the centres to that of white noise. Default: it is measured, and so is how much
        the copies differ in form.

    Notes
    -----
    A copy is g·T(x - d) + c + noise with its own gain g and offsets c. With the template's gradient this is linear
    in (g, g d, c): one Gauss–Newton step is a weighted 6 × 6 solution per copy. Places that fit badly in
    patches are weighted down. The covariance is the sandwich of scores summed over blocks larger than the reach
    of the feature filter, pooled over the copies, scaled by each copy's own residual.
    """
    start = np.asarray(centres_px, float)
    cut, weight = _cut_out(sheet, start)
    model = _Model(_template(cut, weight, trust))
    step = _step(start, cut, weight, model)
    for _ in range(n_steps - 1):
        step = _towards(sheet, step.within(start, furthest_px), model)
    return _fit(step, start, furthest_px, sheet, model, inflation)


def fit_to(
    sheet: Sheet,
    centres_px: FloatArray,
    template: FloatImage,
    *,
    furthest_px: float,
    inflation: float | None = 1.0,
) -> Fit:
    """Centres of copies after two steps of least squares on a given template; see `fit_copies`.

    Notes
    -----
    `inflation` is the known ratio of variance to that of white noise; None measures it from these copies.
    """
    start, model = np.asarray(centres_px, float), _Model(template)
    first = _towards(sheet, start, model).within(start, furthest_px)
    return _fit(_towards(sheet, first, model), start, furthest_px, sheet, model, inflation)


def _fit(
    step: _Step, start: FloatArray, furthest_px: float, sheet: Sheet, model: _Model, inflation: float | None
) -> Fit:
    """The last step of a fit, with what it says about its own errors."""

    def errors() -> tuple[FloatArray, float, float]:
        white, measured = _covariance(step, model, known=inflation)
        return white, measured, _variation(step, model, white * measured) if inflation is None else 0.0

    whole = sheet.window.weight
    (white, measured, variation), score = at_once(
        errors, lambda: _scores(step.cut, step.weight, template=model.template, whole=whole)
    )
    return Fit(
        centres_px=step.within(start, furthest_px),
        cov_px2=white * measured + (variation + _LEAST_SD_PX**2) * np.eye(2),
        inflation=measured,
        variation_px2=variation,
        gain=step.solution[:, 0],
        score=score,
        template=model.template,
    )


def scores_of(sheet: Sheet, centres_px: FloatArray, template: FloatImage, *, furthest_px: float) -> FloatArray:
    """Scores (n,) of copies fitted as by `fit_to`, without their covariances."""
    start = np.asarray(centres_px, float)
    end = _towards(sheet, start, _Model(template)).within(start, furthest_px)
    return _scores(*_cut_out(sheet, end), template=template, whole=sheet.window.weight)


@dataclass(frozen=True, eq=False)
class _Model:
    """A template and what its least squares need, worked out once.

    Attributes
    ----------
    design : (c × pixels, 3 + c) array
        Template, its two derivatives, one offset per channel.
    products : (pixels, (3 + c)²) array
        Of the columns of the design with each other, summed over the channels.
    """

    template: FloatImage

    @cached_property
    def design(self) -> FloatImage:
        channels = self.template.shape[2]
        design = np.zeros((channels, self.template[:, :, 0].size, 3 + channels), np.float32)
        for c in range(channels):
            down, across = np.gradient(self.template[:, :, c])
            design[c, :, 0] = self.template[:, :, c].ravel()
            design[c, :, 1] = across.ravel()
            design[c, :, 2] = down.ravel()
            design[c, :, 3 + c] = 1.0
        return design.reshape(-1, 3 + channels)

    @cached_property
    def products(self) -> FloatImage:
        size = self.design.shape[1]
        design = self.design.reshape(self.template.shape[2], -1, size)
        return np.einsum("cpa,cpb->pab", design, design).reshape(-1, size * size)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Step:
    """One Gauss–Newton step of n copies: what was cut out, its weights, the solutions and what they move to.

    Attributes
    ----------
    cut : (n, c, h, w) array
    weight, robust : (n, h, w) arrays
        Where the surface is left; the same less where the copy disagrees.
    solution, inverse : (n, k) and (n, k, k) arrays
        Gain, gain times shift and offsets; inverse normal matrices.
    end_px : (n, 2) array
    """

    cut: FloatImage
    weight: FloatImage
    robust: FloatImage
    solution: FloatArray
    inverse: FloatArray
    end_px: FloatArray

    def within(self, start: FloatArray, furthest: float) -> FloatArray:
        """The ends, no further than a distance from where the copies started."""
        away = self.end_px - start
        factor = np.minimum(1.0, furthest / np.maximum(np.hypot(*away.T), 1e-9))
        return np.asarray(start + away * factor[:, None])


def _towards(sheet: Sheet, centres: FloatArray, model: _Model) -> _Step:
    return _step(centres, *_cut_out(sheet, centres), model)


def _cut_out(sheet: Sheet, centres: FloatArray) -> tuple[FloatImage, FloatImage]:
    """Copies (n, c, h, w) and where each is to be believed (n, h, w)."""
    cut = patches(sheet.values, centres, sheet.window, smooth=True, in_planes=True)
    return cut, patches(sheet.share, centres, sheet.window) * sheet.window.weight


def _step(centres: FloatArray, cut: FloatImage, weight: FloatImage, model: _Model) -> _Step:
    robust = _robust(cut, weight, model)
    solution, inverse = _solved(cut, robust, model)
    gain = solution[:, 0]
    shift = -solution[:, 1:3] / np.where(gain > 0.05, gain, np.inf)[:, None]
    return _Step(
        cut=cut,
        weight=weight,
        robust=robust,
        solution=solution,
        inverse=inverse,
        end_px=centres + np.clip(shift, -2.0, 2.0),
    )


def half_scores(sheet: Sheet, centres_px: FloatArray, half: NDArray[np.bool_]) -> FloatArray:
    """Scores (n,) of copies against a template learned from the other half of them.

    Parameters
    ----------
    sheet : Sheet
    centres_px : (n, 2) array
    half : (n,) bool array
        Which half a copy belongs to.

    Notes
    -----
    A template learned from noise resembles the very places it was learned from; those it was not learned from
    it does not.
    """
    cut, weight = _cut_out(sheet, centres_px)
    score = np.zeros(len(cut))
    for own in (half, ~half):
        template = _template(cut, weight, (~own).astype(float))
        score[own] = _scores(cut[own], weight[own], template=template, whole=sheet.window.weight)
    return score


def unexplained(sheet: Sheet, fit: Fit) -> FloatImage:
    """Energy (h, w) of the gradient features, the first three channels, that the fitted copies do not explain."""
    values, window = sheet.values, sheet.window
    height, width = values.shape[:2]
    model, rest = np.zeros((height, width, 3), np.float32), np.empty((height, width), np.float32)
    hx, hy = window.half_px
    faded = fit.template[:, :, :3] * window.weight[..., None]
    gains = np.where(fit.score > 0.15, np.clip(fit.gain, 0.0, 1.5), 0.0)
    corners = np.round(fit.centres_px).astype(int) - (hx, hy)
    for (x0, y0), moved in zip(corners, _moved(faded, fit.centres_px, gains), strict=True):
        xs, ys = max(x0, 0), max(y0, 0)
        xe, ye = min(x0 + faded.shape[1], width), min(y0 + faded.shape[0], height)
        if xe > xs and ye > ys:
            model[ys:ye, xs:xe] += moved[ys - y0 : ye - y0, xs - x0 : xe - x0]

    def take_off(rows: slice) -> None:
        error = values[rows, :, :3] - model[rows]
        np.einsum("hwc,hwc->hw", error, error, out=rest[rows])

    by_rows(take_off, height)
    return rest


def _moved(image: FloatImage, places_px: FloatArray, gains: FloatArray) -> FloatImage:
    """Images (n, h, w, c) moved by the fractions of a pixel that places have, times their gains."""
    shift = places_px - np.round(places_px)
    taps = np.stack([np.maximum(shift, 0.0), 1.0 - np.abs(shift), np.maximum(-shift, 0.0)], axis=-1)
    out = np.empty((len(shift), *image.shape), np.float32)

    def move(k: int) -> None:
        across, down = taps[k, 0], taps[k, 1] * gains[k]
        cv2.sepFilter2D(image, cv2.CV_32F, across, down, dst=out[k], borderType=cv2.BORDER_CONSTANT)

    in_groups(move, len(out))
    return out


def _template(cut: FloatImage, weight: FloatImage, trust: FloatArray) -> FloatImage:
    """Weighted mean (h, w, c) of the copies, smoothed to the band that the feature filter lets through."""
    w = weight * np.asarray(trust, np.float32)[:, None, None]
    parts = side_by_side(lambda k: np.einsum("nchw,nhw->hwc", cut[k], w[k]), groups_of(len(cut)))
    mean = sum(parts, np.zeros((*w.shape[1:], cut.shape[1]), np.float32)) / np.maximum(w.sum(0), 1e-6)[..., None]
    return cv2.GaussianBlur(mean, (0, 0), _BAND_LIMIT_PX).reshape(mean.shape)


def _solved(cut: FloatImage, weight: FloatImage, model: _Model) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares of every copy: solutions (n, k) and inverse normal matrices (n, k, k)."""
    n, size = len(cut), model.design.shape[1]
    normal, right = np.zeros((n, size * size), np.float32), np.zeros((n, size), np.float32)

    def sums(k: slice) -> None:
        w = weight[k]
        np.matmul(w.reshape(len(w), -1), model.products, out=normal[k])
        np.matmul((cut[k] * w[:, None]).reshape(len(w), -1), model.design, out=right[k])

    side_by_side(sums, groups_of(n))
    matrices = normal.reshape(n, size, size).astype(float)
    ridge = 1e-6 * np.trace(matrices, axis1=1, axis2=2)[:, None, None] + 1e-9
    inverse = np.linalg.inv(matrices + ridge * np.eye(size))
    return np.einsum("nab,nb->na", inverse, right.astype(float)), inverse


def _robust(cut: FloatImage, weight: FloatImage, model: _Model) -> FloatImage:
    """Weights (n, h, w), less where a whole patch of a copy disagrees with the template."""
    solution, smooth = _solved(cut, weight, model)[0], np.empty_like(weight)

    def disagreement(k: slice) -> None:
        error = _residuals(cut[k], solution[k], model)
        smooth[k] = _each_blurred(np.einsum("nchw,nchw->nhw", error, error), 2.5)

    def weigh(k: slice) -> None:
        part = smooth[k]
        part *= scale
        part *= part
        part += np.float32(1.0)
        np.divide(weight[k], part, out=part)

    side_by_side(disagreement, groups_of(len(cut)))
    every = np.s_[:, ::3, ::3]
    inside = weight[every] > 0.5
    typical = float(np.median(smooth[every][inside])) if inside.any() else 1.0
    scale = np.float32(1.0 / (4.0 * max(typical, 1e-12)))
    side_by_side(weigh, groups_of(len(cut)))
    return smooth


def _each_blurred(stack: FloatImage, radius_px: float) -> FloatImage:
    """Images (n, h, w), each blurred by itself: all in one, with empty rows between them."""
    n, height, width = stack.shape
    gap = int(np.ceil(3.0 * radius_px))
    tall = np.zeros((n, height + gap, width), np.float32)
    tall[:, :height] = stack
    blurred = cv2.GaussianBlur(tall.reshape(-1, width), (2 * gap + 1,) * 2, radius_px, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(blurred.reshape(tall.shape)[:, :height]) if n else stack


def _residuals(cut: FloatImage, solution: FloatArray, model: _Model) -> FloatImage:
    """What each copy (n, c, h, w) has and the fitted template has not."""
    fitted = solution.astype(np.float32) @ model.design.T
    return np.asarray(np.subtract(cut, fitted.reshape(cut.shape), out=fitted.reshape(cut.shape)))


def _covariance(step: _Step, model: _Model, *, known: float | None) -> tuple[FloatArray, float]:
    """(n, 2, 2) covariance of the centres under white noise, and the inflation for correlated noise."""
    weight, inverse = step.robust, step.inverse
    n, size = step.solution.shape
    square, scores = np.empty(n), np.empty((n, size, size))

    def spread(k: slice) -> None:
        error = _residuals(step.cut[k], step.solution[k], model)
        weighted = error * weight[k, None]
        square[k] = np.einsum("nchw,nchw->n", weighted, error)
        if known is None:
            scores[k] = _scatter_of_scores(weighted, model)

    side_by_side(spread, groups_of(n))
    size_px = weight.sum((1, 2))
    variance = square / np.maximum(step.cut.shape[1] * size_px - 6.0, 1.0)
    white = variance[:, None, None] * inverse[:, 1:3, 1:3]
    gain = np.maximum(step.solution[:, 0], 0.05)[:, None, None]
    if known is not None:
        return white / gain**2, known
    sandwich = (inverse @ scores @ inverse)[:, 1:3, 1:3]
    ratio = np.trace(sandwich, axis1=1, axis2=2) / np.maximum(np.trace(white, axis1=1, axis2=2), 1e-30)
    chosen = size_px > 0.5 * float(size_px.max(initial=0.0))
    return white / gain**2, max(float(np.median(ratio[chosen])), 1.0) if chosen.any() else 4.0


def _variation(step: _Step, model: _Model, noise: FloatArray) -> float:
    """Variance per coordinate, in px², by which the quarters of the copies are shifted against each other.

    Notes
    -----
    A copy that is bent, turned or fuller than the template pulls its quarters apart; its own centre is then uncertain
    by as much. The shifts of the quarters are fitted one by one, over the copies that are left to the most part; what
    noise explains of them is taken off. A quarter without structure in some copy is left out.
    """
    left = step.weight.sum((1, 2))
    chosen = (left > 0.8 * float(left.max(initial=0.0))) & (step.solution[:, 0] > 0.3)
    if chosen.sum() < _LEAST_VARIED:
        return 0.0
    error = _residuals(step.cut[chosen], step.solution[chosen], model)
    gain, weight = step.solution[chosen, 0], step.robust[chosen]
    slopes = np.stack(list(np.gradient(model.template, axis=(1, 0))))
    height, width = model.template.shape[:2]
    largest = float((slopes**2).sum())
    excess = []
    for rows in (slice(0, height // 2), slice(height // 2, height)):
        for columns in (slice(0, width // 2), slice(width // 2, width)):
            part = np.s_[:, rows, columns]
            w, slope = weight[part], slopes[(slice(None), rows, columns)]
            normal = np.einsum("nhw,ahwc,bhwc->nab", w, slope, slope, optimize=True)
            size = np.trace(normal, axis1=1, axis2=2)
            if float(size.min()) < _LEAST_QUARTER * largest:
                continue
            pull = np.einsum("nhw,ahwc,nchw->na", w, slope, error[:, :, rows, columns], optimize=True)
            inverse = np.linalg.inv(normal + 1e-6 * size[:, None, None] * np.eye(2))
            shift = np.einsum("nab,nb->na", inverse, pull) / gain[:, None]
            excess.append((shift**2).mean(1) - 4.0 * 0.5 * np.trace(noise[chosen], axis1=1, axis2=2))
    return max(_VARIATION_RATIO * float(np.median(np.mean(excess, axis=0))), 0.0) if excess else 0.0


def _scatter_of_scores(error: FloatImage, model: _Model) -> FloatArray:
    """Products (n, k, k) of the scores of weighted errors (n, c, h, w), summed over blocks."""
    n, channels, height, width = error.shape
    design = model.design.reshape(channels, height, width, -1)
    rows = np.arange(0, height, _BLOCK_PX)
    columns = np.arange(0, width, _BLOCK_PX)
    score = np.zeros((n, len(rows), len(columns), design.shape[-1]))
    for a in range(design.shape[-1]):
        point = np.einsum("nchw,chw->nhw", error, design[..., a])
        score[..., a] = np.add.reduceat(np.add.reduceat(point, rows, axis=1), columns, axis=2)
    return np.asarray(np.einsum("nrca,nrcb->nab", score, score))


def _scores(cut: FloatImage, weight: FloatImage, *, template: FloatImage, whole: FloatImage) -> FloatArray:
    """Correlation of each copy with the template, all channels, times the root of the template's share that is left."""
    t = np.moveaxis(template, 2, 0).reshape(template.shape[2], -1)
    all_of_it = whole.ravel()
    of_whole = float((t**2 @ all_of_it - (t @ all_of_it) ** 2 / all_of_it.sum()).sum())
    cross, of_copy = np.empty((2, len(cut)))

    def correlate(k: slice) -> None:
        w = weight[k].reshape(len(weight[k]), -1)
        f = cut[k].reshape(len(w), len(t), -1)
        total, wf = np.maximum(w.sum(1, dtype=float), 1e-9), f * w[:, None]
        mean_f, mean_t = wf.sum(2, dtype=float) / total[:, None], w @ t.T / total[:, None]
        cross[k] = np.einsum("ncp,cp->n", wf, t) - total * (mean_f * mean_t).sum(1)
        of_copy[k] = np.einsum("ncp,ncp->n", wf, f) - total * (mean_f**2).sum(1)

    side_by_side(correlate, groups_of(len(cut)))
    norm = np.sqrt(np.maximum(of_copy, 0.0) * max(of_whole, 1e-12))
    return np.clip(np.divide(cross, norm, out=np.zeros(len(cut)), where=norm > 1e-9), -1.0, 1.0)
