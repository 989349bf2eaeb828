"""Loss of the decorated surface: what is not ground, and what is neither ground nor motif."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.folding import Window
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_STRANGE_DISTANCE = 5.0
"""Distance from the ground's colour and texture, in its own robust deviations, from which a place is no ground."""
_BINS = 20
_RESERVE = 1e-3


def look_of(colour: FloatImage, unexplained: FloatImage) -> FloatImage:
    """Colour without its pixel noise, and the logarithm of the structure that is no motif; (h, w, c + 1)."""
    smooth = cv2.GaussianBlur(colour, (0, 0), 1.0).reshape(colour.shape)
    texture = np.log(cv2.GaussianBlur(unexplained, (0, 0), 2.5) + 1e-4)
    return np.dstack([smooth, 0.25 * texture])


def strangeness(look: FloatImage, ground: NDArray[np.bool_]) -> FloatImage:
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


def loss_of(
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
    edges = [_edges(look[believed][:, k]) for k in range(look.shape[2])]
    bins = _bin_numbers(look, edges)
    of_loss = _density(bins, np.where(ground, strange, 0.0))
    for _ in range(4):
        of_motif = _density(bins, np.where(inside, 1.0 - lost, 0.0))
        odds = np.log(of_loss + _RESERVE) - np.log(of_motif + _RESERVE)
        steady = cv2.GaussianBlur(odds, (0, 0), 2.0) * 2.0
        posterior = 1.0 / (1.0 + np.exp(-np.clip(steady + np.log(prior / (1.0 - prior)), -30, 30)))
        lost = np.where(inside, posterior, np.where(ground, strange, prior)).astype(np.float32)
    return np.where(believed, lost, 0.0).astype(np.float32)


def _edges(values: FloatImage) -> FloatArray:
    low, high = np.percentile(values, [0.2, 99.8])
    return np.linspace(low, high, _BINS + 1)


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
