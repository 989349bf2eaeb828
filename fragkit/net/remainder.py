"""A second repeat among the peaks that the first does not explain."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.net.lagmap import LagMap, nodes_of, sample
from fragkit.net.search import Candidate, half_maxima, propose
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_N_NODES = 12
_LEAST_PEAKS = 4
_CLEAR_SD = 4.0
_LEAST_EVIDENCE = 14.0


def remainder(lags: LagMap, best: Candidate, shortest_px: float, longest_px: float) -> list[Candidate]:
    """The strongest net on the lag map without what repeats with `best`, or nothing.

    Notes
    -----
    Nets that contain the first one are left out: they are its own sub-peaks, from parts of a motif that resemble
    each other or motifs that alternate.
    """
    rest = _without(lags, best)
    height = rest.weighted
    tops = half_maxima(height[rest.centre[1] :], shortest_px, longest_px, most=_LEAST_PEAKS)
    if len(tops) < _LEAST_PEAKS or sample(height, np.array(tops)).min() < _CLEAR_SD * rest.noise:
        return []
    candidates, _ = propose([rest], shortest_px=shortest_px, longest_px=longest_px)
    apart = [c for c in candidates if c.evidence >= _LEAST_EVIDENCE and not _contains(c, best)]
    return apart[:1]


def _without(lags: LagMap, net: Candidate) -> LagMap:
    """The lag map less its own mean over the nodes of a net: what repeats with the net is gone, sub-peaks and all."""
    nodes = nodes_of(lags, net.a_px, net.b_px, most=_N_NODES).lag_px
    seen = (lags.overlap > 0).astype(np.float32)
    total, share = np.zeros_like(lags.peaks), np.full_like(seen, 1e-3)
    for lag in (*nodes, *-nodes):
        total += _moved(lags.peaks, lag)
        share += _moved(seen, lag)
    rest = np.where(seen > 0, lags.peaks - total / share, np.float32(0.0))
    height = np.abs(rest * np.sqrt(lags.overlap))[seen > 0]
    noise = max(1.4826 * float(np.median(height)), 0.5 * float(np.sqrt(np.mean(height**2))), 1e-6)
    return replace(lags, peaks=rest, noise=noise)


def _moved(image: FloatImage, lag: FloatArray) -> FloatImage:
    """image(· + lag); 0 beyond."""
    matrix = np.array([[1.0, 0.0, lag[0]], [0.0, 1.0, lag[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(image, matrix, image.shape[::-1], flags=flags))


def _contains(candidate: Candidate, net: Candidate) -> bool:
    """Whether the vectors of `net` are whole combinations of those of the candidate, or the other way round."""
    first, second = (np.array([c.a_px, c.b_px]) for c in (candidate, net))
    for inner, outer in ((first, second), (second, first)):
        steps = outer @ np.linalg.inv(inner)
        if np.abs(steps - np.round(steps)).max() < 0.12:
            return True
    return False
