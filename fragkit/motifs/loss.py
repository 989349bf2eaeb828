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
_N_SAMPLE = 8000
_RESERVE = 1e-3


def look_of(colour: FloatImage, unexplained: FloatImage) -> FloatImage:
    """Colour without its pixel noise, and the logarithm of the structure that is no motif; (h, w, c + 1)."""
    smooth = cv2.GaussianBlur(colour, (0, 0), 1.0).reshape(colour.shape)
    texture = np.log(cv2.GaussianBlur(unexplained, (0, 0), 2.5) + 1e-4)
    return np.dstack([smooth, 0.25 * texture])


def strangeness(look: FloatImage, ground: NDArray[np.bool_]) -> tuple[FloatImage, FloatImage]:
    """1 where the look is not that of the ground, 0 where it is, soft between: by all channels, and by colour alone."""
    if ground.sum() < 50:
        nothing = np.zeros(look.shape[:2], np.float32)
        return nothing, nothing
    seen = look[ground]
    seen = seen[:: max(1, len(seen) // _N_SAMPLE)]
    middle = np.array([_mode(column) for column in seen.T])
    spread = 1.4826 * np.median(np.abs(seen - middle), axis=0) + 1e-6
    for _ in range(8):
        near = (((seen - middle) / spread) ** 2).max(1) < 6.25
        middle = np.median(seen[near], axis=0)
        spread = 1.4826 * 1.1 * np.median(np.abs(seen[near] - middle), axis=0) + 1e-6
    planes = zip(cv2.split(look), middle.astype(np.float32), spread.astype(np.float32), strict=True)
    away = [np.abs(np.asarray(plane) - mean) / sd for plane, mean, sd in planes]
    colour = np.maximum.reduce(away[:-1])
    return _soft(np.maximum(colour, away[-1])), _soft(colour)


def _soft(distance: FloatImage) -> FloatImage:
    odds = np.clip(2.0 * (distance - _STRANGE_DISTANCE), -30.0, 30.0, dtype=np.float32)
    return np.asarray(1.0 / (1.0 + cv2.exp(-odds)))


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
    bins = _bin_numbers(look, believed)
    of_loss = _log_density(bins, np.where(ground, strange, np.float32(0.0)))
    log_prior = np.log(prior / (np.float32(1.0) - prior))
    for _ in range(4):
        of_motif = _log_density(bins, np.where(inside, np.float32(1.0) - lost, np.float32(0.0)))
        odds = 2.0 * cv2.GaussianBlur((of_loss - of_motif)[bins], (0, 0), 2.0) + log_prior
        posterior = 1.0 / (1.0 + cv2.exp(-np.clip(odds, -30.0, 30.0)))
        lost = np.where(inside, posterior, np.where(ground, strange, prior))
    return np.where(believed, lost, 0.0).astype(np.float32)


def _bin_numbers(look: FloatImage, believed: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The number of each pixel's box of colour and texture, `_BINS` boxes a channel."""
    seen = look[believed]
    low, high = np.percentile(seen[:: max(1, len(seen) // _N_SAMPLE)], [0.2, 99.8], axis=0).astype(np.float32)
    number = np.zeros(look.shape[:2], np.int32)
    for plane, least, most in zip(cv2.split(look), low, high, strict=True):
        step = np.clip((plane - least) * np.float32(_BINS / max(float(most - least), 1e-9)), 0, _BINS - 1)
        number = number * _BINS + step.astype(np.int32)
    return number


def _log_density(bins: NDArray[np.int32], weight: FloatImage) -> FloatImage:
    """Logarithm, box by box, of the smoothed histogram of colour and texture relative to a uniform one."""
    dimensions = 4 if bins.max(initial=0) >= _BINS**2 else 2
    counts = np.bincount(bins.ravel(), weights=weight.ravel(), minlength=_BINS**dimensions)
    table = ndimage.gaussian_filter(counts.reshape((_BINS,) * dimensions), 0.8)
    total = max(float(table.sum()), 1e-9)
    return np.log(table.ravel() / total * 1000.0 + _RESERVE).astype(np.float32)
