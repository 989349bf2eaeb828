"""Loss of the decorated surface: what is not ground, and what is neither ground nor motif."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.folding import Window
from fragkit.motifs.tones import smoothed
from fragkit.opencv import cv2
from fragkit.threads import at_once, by_rows, groups_of, side_by_side

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_STRANGE_DISTANCE = 5.0
"""Distance from the ground's colour and texture, in its own robust deviations, from which a place is no ground."""
_BINS, _SMOOTH_BINS = 20, 0.8
"""Boxes of colour and of texture, and the width (sd) in boxes over which densities are smoothed."""
_N_SAMPLE = 8000
_RESERVE = np.float32(1e-3)
_N_PARTS = 2
"""Parts of a picture in which loss is told side by side."""
_N_ROUNDS = 4
_BLUR_PX, _BLUR_REACH_PX = 2.0, 8
"""Width (sd) over which likelihoods are averaged, and the reach of that filter."""


def look_of(colour: FloatImage, unexplained: FloatImage) -> list[FloatImage]:
    """Planes (h, w) of colour without its pixel noise, and of the logarithm of the structure that is no motif."""
    smooth, rough = at_once(
        lambda: cv2.split(cv2.GaussianBlur(colour, (0, 0), 1.0)), lambda: cv2.GaussianBlur(unexplained, (0, 0), 2.5)
    )

    def level(rows: slice) -> None:
        part = rough[rows]
        np.multiply(np.log(part + np.float32(1e-4)), np.float32(0.25), out=part)

    by_rows(level, len(rough))
    return [*smooth, rough]


def strangeness(look: Sequence[FloatImage], ground: NDArray[np.bool_]) -> tuple[FloatImage, FloatImage]:
    """1 where the look is not that of the ground, 0 where it is, soft between: by all channels, and by colour alone."""
    both, by_colour = np.zeros((2, *ground.shape), np.float32)
    if ground.sum() < 50:
        return both, by_colour
    seen = _sample(look, ground)
    middle = np.array([_mode(column) for column in seen.T])
    spread = 1.4826 * np.median(np.abs(seen - middle), axis=0) + 1e-6
    for _ in range(8):
        near = (((seen - middle) / spread) ** 2).max(1) < 6.25
        middle = np.median(seen[near], axis=0)
        spread = 1.4826 * 1.1 * np.median(np.abs(seen[near] - middle), axis=0) + 1e-6
    middles, widths = middle.astype(np.float32), (1.0 / spread).astype(np.float32)

    def judge(rows: slice) -> None:
        away = [np.abs(plane[rows] - mean) * width for plane, mean, width in zip(look, middles, widths, strict=True)]
        colour = np.maximum.reduce(away[:-1])
        by_colour[rows], both[rows] = _soft(colour), _soft(np.maximum(colour, away[-1]))

    by_rows(judge, len(ground))
    return both, by_colour


def _sample(look: Sequence[FloatImage], where: NDArray[np.bool_]) -> FloatArray:
    """The look (n, channels) of about `_N_SAMPLE` places."""
    places = np.flatnonzero(where)
    places = places[:: max(1, len(places) // _N_SAMPLE)]
    return np.column_stack([plane.ravel()[places] for plane in look])


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
    bins: NDArray[np.intp],
    strange: FloatImage,
    ground: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    believed: NDArray[np.bool_],
    window: Window,
) -> FloatImage:
    """Probability of loss: on the ground what is strange there, in the motif by likelihood and surroundings; `bins`
    come from `bin_numbers`."""
    radius = 0.07 * float(np.sqrt(window.weight.sum()))
    here = strange * ground
    share, around = at_once(
        lambda: cv2.GaussianBlur(ground.astype(np.float32), (0, 0), radius),
        lambda: cv2.GaussianBlur(here, (0, 0), radius),
    )
    if not (here > 0.5).sum() > 100:
        return here * believed
    prior = np.clip(around / np.maximum(share, 1e-3), 0.002, 0.98)
    lost = np.where(ground, strange, prior)
    _tell_loss(lost, inside, bins, here, np.log(prior / (np.float32(1.0) - prior)))
    return lost * believed


def _tell_loss(
    lost: FloatImage, inside: NDArray[np.bool_], bins: NDArray[np.intp], here: FloatImage, log_prior: FloatImage
) -> None:
    """Loss in the motif, told from it by likelihood and surroundings, put into `lost` (h, w)."""
    parts = groups_of(len(lost), size=-(-len(lost) // _N_PARTS))
    inner = [bins[rows][inside[rows]] for rows in parts]
    of_loss = _log_density([bins[rows].ravel() for rows in parts], [here[rows].ravel() for rows in parts])
    for _ in range(_N_ROUNDS):
        of_motif = _log_density(inner, [np.float32(1.0) - lost[rows][inside[rows]] for rows in parts])
        ratio = of_loss - of_motif

        def judge(rows: slice, ratio: FloatImage = ratio) -> None:
            first = max(rows.start - _BLUR_REACH_PX, 0)
            around = ratio[bins[first : rows.stop + _BLUR_REACH_PX]]
            odds = cv2.GaussianBlur(around, (0, 0), _BLUR_PX)[rows.start - first :][: rows.stop - rows.start]
            odds = np.clip(2.0 * odds + log_prior[rows], -30.0, 30.0)
            np.copyto(lost[rows], 1.0 / (1.0 + cv2.exp(-odds)), where=inside[rows])

        side_by_side(judge, parts)


def bin_numbers(look: Sequence[FloatImage], believed: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The number of each pixel's box of colour and texture, `_BINS` boxes a channel."""
    low, high = np.percentile(_sample(look, believed), [0.2, 99.8], axis=0).astype(np.float32)
    number = np.zeros(believed.shape, np.intp)

    def count(rows: slice) -> None:
        for plane, least, most in zip(look, low, high, strict=True):
            step = (plane[rows] - least) * np.float32(_BINS / max(float(most - least), 1e-9))
            number[rows] = number[rows] * _BINS + np.clip(step, 0, _BINS - 1).astype(np.int32)

    by_rows(count, len(number))
    return number


def _log_density(bins: Sequence[NDArray[np.intp]], weights: Sequence[FloatImage]) -> FloatImage:
    """Logarithm, box by box, of the smoothed histogram of colour and texture relative to a uniform one."""
    dimensions = 4 if max(part.max(initial=0) for part in bins) >= _BINS**2 else 2
    parts = side_by_side(lambda part, w: np.bincount(part, w, _BINS**dimensions), bins, weights)
    counts = np.sum(parts, axis=0).reshape((_BINS,) * dimensions)
    table = smoothed(counts / max(float(counts.sum()), 1e-9), (_SMOOTH_BINS,) * dimensions)
    return np.log(np.float32(1000.0) * table + _RESERVE).ravel()
