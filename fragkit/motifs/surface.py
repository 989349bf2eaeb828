"""What the surface shows at each site: ground, loss, and the motif."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from fragkit.motifs.folding import Sites, Window, patches
from fragkit.motifs.loss import bin_numbers, look_of, loss_of, strangeness
from fragkit.motifs.metal import divide_motif
from fragkit.opencv import cv2
from fragkit.threads import at_once

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_TEXTURE_REACH_PX = 6
_N_SAMPLE = 8000
"""Pixels of the ground through which its colour is fitted."""
_N_ROUNDS, _SETTLED = 12, 1e-3
"""Rounds of that fit at most, and how little its weights change when no more are needed."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Surface:
    """A picture's surface against the motif learned from it.

    Attributes
    ----------
    lost : (h, w) float32 array
        Probability that the decorated surface is gone.
    no_ground : (h, w) float32 array
        1 where the surface is there and its colour is not the ground's, be it lighter or darker; 0 elsewhere.
    figure, metal : (m, n) bool arrays
        The motif (metal and shadow) and its metal, on the window of a site.
    """

    lost: FloatImage
    no_ground: FloatImage
    figure: NDArray[np.bool_]
    metal: NDArray[np.bool_]


def read_surface(
    pixels: FloatImage,
    believed: NDArray[np.bool_],
    sites: Sites,
    *,
    zone: NDArray[np.bool_],
    unexplained: Callable[[], FloatImage],
) -> Surface:
    """Loss, evened colour, and the masks of figure and metal.

    Parameters
    ----------
    pixels : (h, w, c) float32 array
    believed : (h, w) bool array
    sites : Sites
    zone : (m, n) bool array
        Where on the window of a site the motif lies, with a rim.
    unexplained : callable
        Gives the energy (h, w) of the structure that the learned motif does not explain.

    Notes
    -----
    Ground is what most of the surface away from the motif shows: its colour is a quadratic surface over
    the picture, fitted robustly. What differs there in colour or texture is loss, and teaches what loss looks
    like; the figure at the surest sites teaches what leaf and shadow look like, dark or bright. Both are
    histograms of colour and texture; places are told apart by their ratio and by how much of the ground around is
    gone.
    """
    window, centres_px = sites.window, sites.centres_px
    near = sites.trust >= np.median(sites.trust[sites.trust > 0])
    ground = painted(window.weight.astype(bool) & ~zone, centres_px, window, believed.shape) & believed
    inside = painted(zone, centres_px, window, believed.shape) & believed
    sure = ground & painted(window.weight.astype(bool), centres_px[near], window, believed.shape)
    colour, rest = at_once(lambda: pixels - ground_surface(pixels, sure), unexplained)
    look = look_of(colour, rest)
    (strange, strange_colour), bins = at_once(lambda: strangeness(look, sure), lambda: bin_numbers(look, believed))
    lost = loss_of(bins, strange, ground, inside, believed, window)
    figure, metal = divide_motif(colour, np.where(believed, lost, 1.0), sites, zone)
    return Surface(lost=lost, no_ground=strange_colour * (1.0 - lost), figure=figure, metal=metal)


def colour_agreement(surface: Surface, share: FloatImage, centres_px: FloatArray, window: Window) -> FloatArray:
    """Correlation (n,) of what is no ground round each site with the figure, over the surface that is left.

    Notes
    -----
    0 where less than three tenths of the figure are left: too little to tell a figure from a blot.
    """
    left = patches((share * (1.0 - surface.lost)).astype(np.float32), centres_px, window)
    seen = patches(surface.no_ground, centres_px, window)
    weight, value = (left * window.weight).reshape(len(left), -1), seen.reshape(len(left), -1)
    figure = surface.figure.ravel().astype(np.float32)
    total = np.maximum(weight.sum(1, dtype=float), 1e-9)
    shown = weight * value
    mean_v, mean_f = shown.sum(1, dtype=float) / total, (weight @ figure) / total
    cross = (shown @ figure) / total - mean_v * mean_f
    shown *= value
    spread_v = shown.sum(1, dtype=float) / total - mean_v**2
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
    closed = cv2.morphologyEx(edges.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    filled = ndimage.binary_fill_holes(closed)
    labels, count = ndimage.label(filled)
    if count > 1:
        sizes = ndimage.sum_labels(filled, labels, np.arange(1, count + 1))
        filled = np.isin(labels, 1 + np.flatnonzero(sizes >= 0.05 * sizes.max()))
    return with_rim(filled, window)


def with_rim(figure: NDArray[np.bool_], window: Window) -> NDArray[np.bool_]:
    """The figure and a rim of a twenty-fifth of the cell, at least as wide as texture reaches."""
    reach = max(_TEXTURE_REACH_PX, round(0.04 * float(np.sqrt(window.weight.sum()))))
    ball = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(figure.astype(np.uint8), ball).astype(bool) & (window.weight > 0.5))


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
    y, x = np.nonzero(ground)
    if len(x) < 50:
        return np.zeros_like(pixels) + pixels.reshape(-1, pixels.shape[2]).mean(0)
    step = max(1, len(x) // _N_SAMPLE)
    x, y = x[::step], y[::step]
    design = np.column_stack(_quadratic(2.0 * x / max(width - 1, 1) - 1.0, 2.0 * y / max(height - 1, 1) - 1.0))
    values = pixels[y, x].astype(float)
    weight = np.ones(len(x))
    for _ in range(_N_ROUNDS):
        weighted = design * weight[:, None]
        fit = np.linalg.solve(weighted.T @ design + 1e-9 * np.eye(6), weighted.T @ values)
        error = values - design @ fit
        spread = 1.4826 * np.median(np.abs(error - np.median(error, axis=0)), axis=0) + 1e-6
        distance = ((error / spread) ** 2).sum(1)
        weight, before = 1.0 / (1.0 + (distance / 6.0) ** 2), weight
        if np.abs(weight - before).max() < _SETTLED:
            break
    return _everywhere(fit, height, width)


def _everywhere(fit: FloatArray, height: int, width: int) -> FloatImage:
    """The quadratic surface (6, c) over a whole picture, as a polynomial in x for every row."""
    x, y = np.linspace(-1.0, 1.0, width), np.linspace(-1.0, 1.0, height)[:, None]
    powers = np.column_stack([np.ones(width), x, x * x])
    one, of_x, of_y, xx, xy, yy = (row[None] for row in fit)
    rows = np.stack([one + y * of_y + y * y * yy, of_x + y * xy, np.broadcast_to(xx, (height, len(fit[0])))], axis=1)
    return np.asarray(powers.astype(np.float32) @ rows.astype(np.float32))


def _quadratic(x: FloatArray, y: FloatArray) -> tuple[FloatArray, ...]:
    return np.ones_like(x), x, y, x * x, x * y, y * y
