"""How each copy is bent against the typical one: smooth displacements, fitted to the copy's own tones.

A hand sets a line of half a millimetre half a millimetre beside its place, turns a motif by a degree or two, and draws
it a little larger. The mean of such copies closes their lines; the mean of copies cut along their bends keeps them, and
a line is then known where a copy itself shows it badly. Displacements are read from tones, not from shares: where
leaf has just the tone of the ground a copy says nothing, and its neighbourhood and the other copies speak.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.copies import TALLEST_PX, Grid, places_of, tall
from fragkit.motifs.shares import CLEAR_SD, Consensus, Paints, beneath_metal, dot, left_of, paint_of
from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

NODE_MM = 2.4
"""Evidence is summed over squares of this side."""
PLACE_MM, SLOPE_RATIO, BEND_MM, BEND_REACH_MM = 0.2, 0.025, 0.35, 9.0
"""How far (sd) a copy is out of place; how much it is turned and sized; how far it is bent, and over what reach."""
N_MODES = 45
N_STEPS = 3
NOISE_SHARE = 0.12
"""Noise of a share, with what the leaf varies (sd)."""
CORRELATED_MM = 0.9
"""Tones nearer to each other than this do not speak independently."""
ROBUST_SHARE = 0.4
"""A difference of shares from which damage is likelier than a displacement."""
OWN_COPIES = 8.0
"""How many copies the spread that is assumed weighs against the one that is seen."""


@dataclass(frozen=True, eq=False)
class Modes:
    """Shapes of bending, the likeliest first, at unit standard deviation.

    Attributes
    ----------
    fields : (k, h, w) float32 array
        Displacement along either axis, in px.
    at_nodes : (k, rows, columns) array
        The same at the squares over which evidence is summed.
    step_px : int
        Side of such a square.
    """

    fields: Float32Array
    at_nodes: FloatArray
    step_px: int

    @cached_property
    def products(self) -> Float32Array:
        """Products (pairs, nodes) at the squares of each two modes, the first not after the second."""
        flat = self.at_nodes.reshape(len(self.at_nodes), -1).astype(np.float32)
        one, other = np.triu_indices(len(flat))
        return np.asarray(flat[one] * flat[other])

    @cached_property
    def numbers(self) -> NDArray[np.int64]:
        """Number (k, k) of each pair of modes among `products`."""
        k = len(self.at_nodes)
        table = np.zeros((k, k), np.int64)
        table[np.triu_indices(k)] = np.arange(k * (k + 1) // 2)
        return np.maximum(table, table.T)

    def of(self, weights: FloatArray) -> Float32Array:
        """Fields (n, 2, h, w) in px of weights (n, 2, k), from a place of the straight motif to that of the copy."""
        return np.asarray(np.tensordot(weights.astype(np.float32), self.fields, 1), np.float32)


def modes_over(grid: Grid) -> Modes:
    """The modes of a Gaussian process over a grid: place, slope and bending, as a hand may vary them.

    References
    ----------
    Rasmussen, C. E., Williams, C. K. I. (2006) Gaussian Processes for Machine Learning, sections 2.7, 4.2, 4.3.
    """
    step = max(1, round(NODE_MM / grid.mm_per_px))
    rows, columns = (-(-side // step) for side in grid.shape)
    y, x = (np.indices((rows, columns)).reshape(2, -1) + 0.5) * step - 0.5
    x, y = (x - grid.centre_px[0]) * grid.mm_per_px, (y - grid.centre_px[1]) * grid.mm_per_px
    apart2 = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    kernel = BEND_MM**2 * np.exp(-0.5 * apart2 / BEND_REACH_MM**2)
    kernel += PLACE_MM**2 + SLOPE_RATIO**2 * (np.outer(x, x) + np.outer(y, y))
    spread, shapes = np.linalg.eigh(kernel)
    top = slice(None, -min(N_MODES, len(spread)) - 1, -1)
    nodes = (shapes[:, top] * np.sqrt(np.maximum(spread[top], 0.0))).T.reshape(-1, rows, columns) / grid.mm_per_px
    size = (columns * step, rows * step)
    full = [cv2.resize(node, size, interpolation=cv2.INTER_CUBIC)[: grid.shape[0], : grid.shape[1]] for node in nodes]
    return Modes(np.asarray(full, np.float32), nodes, step)


@dataclass(frozen=True, eq=False)
class Straight:
    """What copies are bent onto: the shares of all, the paints, the modes of bending and their spreads (k,)."""

    both: Consensus
    paints: Paints
    modes: Modes
    spreads: FloatArray
    mm_per_px: float


def bend_further(
    weights: FloatArray, tones: Float32Array, seen: Float32Array, leaf: Float32Array, straight: Straight
) -> FloatArray:
    """Weights (n, 2, k) of the modes after one step of least squares, drawn to none by their spreads.

    Parameters
    ----------
    weights : (n, 2, k) array
        Along which the tones were cut.
    tones, leaf : (3, n, h, w) arrays
    seen : (n, h, w) array

    Notes
    -----
    A copy out of place by δ differs from leaf × metal + paint × shadow by -∇(leaf × metal + paint × shadow)·δ. Each
    place counts by the square of the contrast there, up to what the leaf's own unevenness allows, and little where it
    differs by more than a displacement explains.

    References
    ----------
    Baker, S., Matthews, I. (2004) Lucas-Kanade 20 years on. IJCV 56, 221-255 (the inverse step).
    """
    both, paint = straight.both, paint_of(straight.paints)[:, None, None, None]
    base = beneath_metal(both, straight.mm_per_px) * paint
    slopes = (*np.gradient(both.metal), *np.gradient(both.shadow))
    noise2 = NOISE_SHARE**2 * max(1.0, (CORRELATED_MM / straight.mm_per_px) ** 2)
    known = dot(leaf, leaf) > 0.0
    rest = left_of(tones, leaf, both.metal, both.shadow * paint)
    rest *= known
    contrast = leaf - base
    odd2 = dot(rest, rest) / np.float32(ROBUST_SHARE**2)
    weight = np.asarray(seen * known / (dot(contrast, contrast) + np.float32(CLEAR_SD**2) + odd2), np.float32)
    weight /= np.float32(noise2)
    sums = [_summed(layer, weight, straight.modes) for layer in _products(slopes, leaf, paint, rest)]
    return _solved(weights, sums, straight)


def _products(
    slopes: Sequence[Float32Array], leaf: Float32Array, paint: Float32Array, rest: Float32Array
) -> Iterator[Float32Array]:
    """Products (n, h, w) of the model's slopes xx, xy, yy, and of the slopes x, y with what the model leaves."""
    my, mx, sy, sx = slopes
    of_leaf, of_paint = dot(leaf, rest), dot(paint, rest)
    both, one, other = dot(paint, leaf), dot(leaf, leaf), np.float32((paint**2).sum())
    yield mx * mx * one + 2.0 * mx * sx * both + sx * sx * other
    yield mx * my * one + (mx * sy + my * sx) * both + sx * sy * other
    yield my * my * one + 2.0 * my * sy * both + sy * sy * other
    yield -(mx * of_leaf + sx * of_paint)
    yield -(my * of_leaf + sy * of_paint)


def _summed(layers: Float32Array, weight: Float32Array, modes: Modes) -> Float32Array:
    """Sums (n, nodes) of weighted layers (n, h, w) over the squares of the modes."""
    (n, height, width), (rows, columns), step = layers.shape, modes.at_nodes.shape[1:], modes.step_px
    full = np.zeros((n, rows * step, columns * step), np.float32)
    np.multiply(layers, weight, out=full[:, :height, :width])
    tall = full.reshape(n * rows * step, columns * step)
    means = cv2.resize(tall, (columns, n * rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means.reshape(n, rows * columns) * np.float32(step**2))


def _solved(start: FloatArray, sums: Sequence[Float32Array], straight: Straight) -> FloatArray:
    """Weights (n, 2, k) of least squares, drawn to 0 by their spreads."""
    modes, (n, _, k) = straight.modes, start.shape
    flat = modes.at_nodes.reshape(k, -1)
    xx, xy, yy, bx, by = sums
    a, b, c = np.moveaxis((modes.products @ np.concatenate([xx, xy, yy]).T)[modes.numbers], 2, 0).reshape(3, n, k, k)
    matrix = np.empty((n, 2 * k, 2 * k))
    matrix[:, :k, :k], matrix[:, :k, k:], matrix[:, k:, :k], matrix[:, k:, k:] = a, b, b, c
    pulled = np.concatenate([bx @ flat.T, by @ flat.T], axis=1)[..., None] + matrix @ start.reshape(n, -1, 1)
    diagonal = np.arange(2 * k)
    matrix[:, diagonal, diagonal] += np.tile(1.0 / straight.spreads**2, 2)
    return np.asarray(np.linalg.solve(matrix, pulled).reshape(start.shape))


def inverses_of(fields: Float32Array) -> Float32Array:
    """The fields (n, 2, h, w) in px that lead back."""
    both = np.asarray(cv2.merge([tall(fields[:, 0]), tall(fields[:, 1])]), np.float32)
    back = -fields
    for _ in range(3):
        led = each_warped(both, back[:, 0], back[:, 1], fields.shape[2:])
        back = -np.moveaxis(led.reshape(len(fields), *fields.shape[2:], 2), 3, 1)
    return np.ascontiguousarray(back)


def each_warped(layers: Float32Array, across: Float32Array, down: Float32Array, shape: tuple[int, ...]) -> Float32Array:
    """Layers of a shape (h, w) one below the other (n × h, w[, k]), each as seen at its places displaced by so many px
    (n × h, w) to the right and down."""
    n, most = len(layers) // shape[0], max(1, TALLEST_PX // shape[0])
    if n > most:
        parts = [slice(k * shape[0], (k + most) * shape[0]) for k in range(0, n, most)]
        across, down = (k.reshape(len(layers), -1) for k in (across, down))
        return np.concatenate([each_warped(layers[k], across[k], down[k], shape) for k in parts])
    rows, columns = places_of((shape[0], shape[1]))
    x, y = (np.empty((n, *shape), np.float32) for _ in range(2))
    np.add(columns, across.reshape(x.shape), out=x)
    np.add(rows, down.reshape(y.shape), out=y)
    np.clip(y, 0.0, shape[0] - 1.0, out=y)
    y += (np.arange(n, dtype=np.float32) * np.float32(shape[0]))[:, None, None]
    return np.asarray(cv2.remap(layers, tall(x), tall(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
