"""Sub-pixel centres: every copy fitted to one shared, band-limited template by Gauss–Newton."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Window, patches
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_BLOCK_PX = 6
_BAND_LIMIT_PX = 0.8


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
        Weighted correlation coefficient of copy and template, in [-1, 1].
    template : (h, w, c) float32 array
    """

    centres_px: FloatArray
    cov_px2: FloatArray
    gain: FloatArray
    score: FloatArray
    template: FloatImage


def fit_copies(
    values: FloatImage,
    centres_px: FloatArray,
    trust: FloatArray,
    window: Window,
    share: FloatImage,
    *,
    furthest_px: float,
) -> Fit:
    """Centres of all copies by least squares on a template learned from them.

    Parameters
    ----------
    values : (h, w, c) float32 array
        Features.
    centres_px : (n, 2) array
        Where to start.
    trust : (n,) array
        Weight of each copy in the template; 0 for those not to learn from.
    window : Window
    share : (h, w) float32 array
        1 where the surface is there and the picture is to be believed, 0 elsewhere.
    furthest_px : float
        A centre does not move further than this from where it started.

    Notes
    -----
    A copy is g·T(x - d) + c + noise with its own gain g and offsets c. With the template's gradient this is linear
    in (g, g d, c): one Gauss–Newton step is a weighted 6 × 6 solution per copy. Places that fit badly in
    patches are weighted down. The covariance is the sandwich of scores summed over blocks larger than the reach
    of the feature filter, pooled over the copies, scaled by each copy's own residual.
    """
    start = np.asarray(centres_px, float)
    centres = start.copy()
    weight = patches(share, centres, window) * window.weight
    template = np.zeros((*window.dx.shape, values.shape[2]), np.float32)
    for round_ in range(3):
        cut = patches(values, centres, window, smooth=True)
        template = _template(cut, weight, trust)
        robust = weight * _robust(cut, template, weight)
        for _ in range(2):
            step, gain, _ = _step(cut, template, robust)
            centres = _held(centres + step, start, furthest_px)
            cut = patches(values, centres, window, smooth=True)
        if round_ == 2:
            break
        weight = patches(share, centres, window) * window.weight
    step, gain, solution = _step(cut, template, robust)
    cov = _covariance(cut, template, robust, solution, trust)
    return Fit(
        centres_px=_held(centres + step, start, furthest_px),
        cov_px2=cov,
        gain=gain,
        score=_scores(cut, template, robust),
        template=template,
    )


def _template(cut: FloatImage, weight: FloatImage, trust: FloatArray) -> FloatImage:
    """Weighted mean of the copies, smoothed to the band that the feature filter lets through."""
    w = weight * np.asarray(trust, np.float32)[:, None, None]
    mean = (cut * w[..., None]).sum(0) / np.maximum(w.sum(0), 1e-6)[..., None]
    return cv2.GaussianBlur(mean, (0, 0), _BAND_LIMIT_PX).reshape(mean.shape)


def _design(template: FloatImage) -> FloatImage:
    """(c, pixels, 3 + c): template, its two derivatives, one offset per channel."""
    channels = template.shape[2]
    design = np.zeros((channels, template[:, :, 0].size, 3 + channels), np.float32)
    for c in range(channels):
        down, across = np.gradient(template[:, :, c])
        design[c, :, 0] = template[:, :, c].ravel()
        design[c, :, 1] = across.ravel()
        design[c, :, 2] = down.ravel()
        design[c, :, 3 + c] = 1.0
    return design


def _step(
    cut: FloatImage, template: FloatImage, weight: FloatImage
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """One Gauss–Newton step (n, 2), the gains, and (solution, inverse normal matrices)."""
    design = _design(template)
    n, size = len(cut), design.shape[2]
    w = weight.reshape(n, -1)
    products = np.einsum("cpa,cpb->pab", design, design).reshape(-1, size * size)
    normal = (w @ products).reshape(n, size, size).astype(float)
    right = np.zeros((n, size))
    for c in range(cut.shape[3]):
        right += (w * cut[..., c].reshape(n, -1)) @ design[c]
    ridge = 1e-6 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-9
    inverse = np.linalg.inv(normal + ridge * np.eye(size))
    solution = np.einsum("nab,nb->na", inverse, right)
    gain = solution[:, 0]
    safe = np.where(gain > 0.05, gain, np.inf)
    return np.clip(-solution[:, 1:3] / safe[:, None], -2.0, 2.0), gain, (solution, inverse)


def _robust(cut: FloatImage, template: FloatImage, weight: FloatImage) -> FloatImage:
    """Weights that fall where a whole patch of a copy disagrees with the template."""
    _, _, (solution, _) = _step(cut, template, weight)
    error = _residuals(cut, template, solution) ** 2
    energy = error.sum(-1)
    smooth = np.stack([cv2.GaussianBlur(e, (0, 0), 2.5) for e in energy]) if len(energy) else energy
    inside = weight > 0.5
    typical = float(np.median(smooth[inside])) if inside.any() else 1.0
    return (1.0 / (1.0 + (smooth / (4.0 * max(typical, 1e-12))) ** 2)).astype(np.float32)


def _residuals(cut: FloatImage, template: FloatImage, solution: FloatArray) -> FloatImage:
    design = _design(template)
    fitted = np.stack([solution.astype(np.float32) @ d.T for d in design], axis=-1)
    return cut - fitted.reshape(cut.shape)


def _covariance(
    cut: FloatImage,
    template: FloatImage,
    weight: FloatImage,
    solution_inverse: tuple[FloatArray, FloatArray],
    trust: FloatArray,
) -> FloatArray:
    """(n, 2, 2) covariance of the centres from the residuals, with their spatial correlation."""
    solution, inverse = solution_inverse
    error = _residuals(cut, template, solution)
    w = weight[..., None]
    channels = cut.shape[3]
    freedom = np.maximum(channels * weight.sum((1, 2)) - 6.0, 1.0)
    variance = (w * error**2).sum((1, 2, 3)) / freedom
    naive = variance[:, None, None] * inverse[:, 1:3, 1:3]
    sandwich = _sandwich(error * w, template, inverse)
    chosen = trust > 0
    ratio = np.trace(sandwich, axis1=1, axis2=2) / np.maximum(np.trace(naive, axis1=1, axis2=2), 1e-30)
    inflation = float(np.median(ratio[chosen])) if chosen.any() else 4.0
    gain = np.maximum(solution[:, 0], 0.05)
    return naive * max(inflation, 1.0) / gain[:, None, None] ** 2


def _sandwich(error: FloatImage, template: FloatImage, inverse: FloatArray) -> FloatArray:
    """Covariance of (g dx, g dy) from scores summed over blocks."""
    n, height, width, channels = error.shape
    design = _design(template).reshape(channels, height, width, -1)
    rows = np.arange(0, height, _BLOCK_PX)
    columns = np.arange(0, width, _BLOCK_PX)
    score = np.zeros((n, len(rows), len(columns), design.shape[-1]))
    for a in range(design.shape[-1]):
        point = np.einsum("nhwc,chw->nhw", error, design[..., a])
        score[..., a] = np.add.reduceat(np.add.reduceat(point, rows, axis=1), columns, axis=2)
    meat = np.einsum("nrca,nrcb->nab", score, score)
    full = inverse @ meat @ inverse
    return full[:, 1:3, 1:3]


def _scores(cut: FloatImage, template: FloatImage, weight: FloatImage) -> FloatArray:
    w = weight[..., None]
    total = np.maximum(w.sum((1, 2)), 1e-9)
    f = cut - ((w * cut).sum((1, 2)) / total)[:, None, None]
    t = template[None] - ((w * template[None]).sum((1, 2)) / total)[:, None, None]
    cross = (w * f * t).sum((1, 2, 3))
    norm = np.sqrt((w * f * f).sum((1, 2, 3)) * (w * t * t).sum((1, 2, 3)))
    return np.clip(np.divide(cross, norm, out=np.zeros_like(cross), where=norm > 1e-12), -1.0, 1.0).astype(
        float
    )


def _held(centres: FloatArray, start: FloatArray, furthest: float) -> FloatArray:
    away = centres - start
    length = np.hypot(*away.T)
    factor = np.minimum(1.0, furthest / np.maximum(length, 1e-9))
    return start + away * factor[:, None]
