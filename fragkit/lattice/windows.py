"""The local step of a net seen by the picture itself: autocorrelation in windows of a few motifs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from fragkit.lattice.rows import describe_repeat, maker_columns
from fragkit.net import features
from fragkit.opencv import cv2
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

PX_PER_REPEAT = 44
"""Pixels to a repeat in the reduced picture."""

FEATURE_PX = 1.0
"""Radius of the features in reduced pixels: fine ones have a sharp peak, which worn motifs and losses move less."""

REACH_RATIO = 0.06
"""How far from the mean step a local one is looked for, as a share of the repeat."""

LEAST_HEIGHT = 0.03
"""Height of a peak above the median of its surroundings from which on it is one."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Axis:
    """One axis of a net in the fragment's frame: its step, its direction, and cells about the sites.

    Attributes
    ----------
    step_mm, direction : (2,) array
        Mean step to the next site, and the unit vector along which a spacing is measured.
    origin_mm, basis : (2,) and (2, 2) array
        Place of site (0, 0), and the row vector and the step to the row above.
    which : {0, 1}
        0 along the rows, 1 along the columns.
    lines : (l,) int array
        Numbers of the columns (or rows), without a gap.
    across : (r,) int array
        Numbers of the rows (or columns).
    """

    step_mm: FloatArray
    direction: FloatArray
    origin_mm: FloatArray
    basis: FloatArray
    which: int
    lines: IntArray
    across: IntArray


@dataclass(frozen=True, eq=False, kw_only=True)
class _Cells:
    """Sums over the cells of a picture for every lag: products, and energies of both members, (lags, l, r)."""

    lags_mm: FloatArray
    shape: tuple[int, int]
    products: FloatArray
    first: FloatArray
    second: FloatArray


def steps_in_picture(picture: Picture, axis: Axis, *, window: int) -> tuple[FloatArray, FloatArray]:
    """Local spacing in mm by windows along an axis: of all lines across it, then with each of them left out.

    Parameters
    ----------
    picture : Picture
        In the fragment's frame.
    axis : Axis
    window : int
        Columns (or rows) to a window; its pairs are one step apart and both in it.

    Returns
    -------
    (1 + r, m) array
        Not a number where the picture has no peak; r lines across, m windows.
    (m,) array
        How much of the picture each window rests on.

    Notes
    -----
    Features without the sign of contrast are multiplied with themselves one step away, for every lag near the mean
    step, and summed over the cell of each site. A window is a sum of cells; its correlation, normalised by the
    energy of both members, has its peak at the local step (two-dimensional quadratic through 3 × 3 lags).
    """
    cells = _cell_sums(picture, axis)
    n_windows, n_across = len(axis.lines) - window + 1, len(axis.across)
    kept = np.vstack([np.ones(n_across), 1.0 - np.eye(n_across)])
    spacing = np.full((len(kept), n_windows), np.nan)
    for start in range(n_windows):
        pairs = slice(start, start + window - 1)
        sums = [part[:, pairs].sum(axis=1) @ kept.T for part in (cells.products, cells.first, cells.second)]
        scale = np.sqrt(sums[1] * sums[2])
        correlation = np.divide(sums[0], scale, out=np.zeros_like(scale), where=scale > 0)
        for row in range(len(kept)):
            spacing[row, start] = _peak(correlation[:, row], cells) @ axis.direction
    energy = cells.first.mean(axis=0).sum(axis=1)
    return spacing, np.array([energy[k : k + window - 1].sum() for k in range(n_windows)])


def _cell_sums(picture: Picture, axis: Axis) -> _Cells:
    repeat = min(np.hypot(*vector) for vector in axis.basis)
    reduction = max(1, int(repeat / PX_PER_REPEAT / picture.mm_per_px))
    px_mm = reduction * picture.mm_per_px
    height, width = (size // reduction for size in picture.coverage.shape)
    cut = np.s_[: height * reduction, : width * reduction]
    pixels = cv2.resize(np.ascontiguousarray(picture.pixels[cut]), (width, height), interpolation=cv2.INTER_AREA)
    blocks = picture.coverage[cut].reshape(height, reduction, width, reduction)
    mask = np.asarray(blocks.all(axis=(1, 3)), bool)
    believed = mask.astype(np.float32)
    values = features(pixels, scale_px=FEATURE_PX, mask=mask)
    values = values - values[mask].mean(axis=0) * believed[:, :, None]
    label = _labels(picture, axis, (height, width), reduction)
    lags = _lags(axis, px_mm, REACH_RATIO * repeat)
    n_cells = len(axis.lines) * len(axis.across)
    sums = _sums_at(values, believed, label, lags.reshape(-1, 2), n_cells)
    shape = (-1, len(axis.lines), len(axis.across))
    return _Cells(
        lags_mm=lags.reshape(-1, 2) * [px_mm, -px_mm],
        shape=lags.shape[:2],
        products=sums[0].reshape(shape),
        first=sums[1].reshape(shape),
        second=sums[2].reshape(shape),
    )


def _labels(picture: Picture, axis: Axis, size: tuple[int, int], reduction: int) -> IntArray:
    """Number (h, w) of the cell in which a pixel of the reduced picture lies, −1 outside all."""
    y, x = np.indices(size)
    middle = 0.5 * (reduction - 1.0)
    xy_mm = picture.to_mm(np.column_stack([x.ravel() * reduction + middle, y.ravel() * reduction + middle]))
    place = (xy_mm - axis.origin_mm) @ np.linalg.inv(axis.basis)
    row = np.rint(place[:, 1]).astype(int)
    offset = describe_repeat(axis.basis)[2]
    column = maker_columns(np.rint(place[:, 0] + (place[:, 1] - row) * offset).astype(int), row, offset)
    line, across = (column, row) if axis.which == 0 else (row, column)
    i, j = line - axis.lines[0], across - axis.across[0]
    inside = (i >= 0) & (i < len(axis.lines)) & (j >= 0) & (j < len(axis.across))
    return np.where(inside, i * len(axis.across) + j, -1).reshape(size)


def _lags(axis: Axis, px_mm: float, reach_mm: float) -> IntArray:
    """Whole-pixel lags (k, k, 2), x right and y down, about the mean step."""
    middle = np.rint(axis.step_mm / [px_mm, -px_mm]).astype(int)
    reach = max(2, int(np.ceil(reach_mm / px_mm)))
    offset = np.arange(-reach, reach + 1)
    return np.stack(np.meshgrid(middle[0] + offset, middle[1] + offset, indexing="ij"), axis=-1)


def _sums_at(
    values: NDArray[Any], believed: NDArray[Any], label: IntArray, lags_px: IntArray, n_cells: int
) -> FloatArray:
    """Over each cell (3, lags, cells): Σ f(x) f(x + lag), and Σ f(x)² and Σ f(x + lag)² where both are believed.

    Notes
    -----
    A lag is the picture beside itself moved, with a margin of nothing round it as wide as the longest lag; the sums
    over all cells are one product with a sparse matrix.
    """
    inside = np.flatnonzero(label >= 0)
    ones = np.ones(len(inside), np.float32)
    over_cells = sparse.csr_array((ones, (label.ravel()[inside], inside)), shape=(n_cells, label.size))
    reach, (height, width) = int(np.abs(lags_px).max()), label.shape
    *planes, believed = (np.pad(plane, reach) for plane in (*np.moveaxis(values, -1, 0), believed))
    energy = np.sum([plane**2 for plane in planes], axis=0)
    here = np.s_[reach : reach + height, reach : reach + width]
    out = np.empty((3, len(lags_px), n_cells))
    for number, (right, down) in enumerate(lags_px + reach):
        there = np.s_[down : down + height, right : right + width]
        product = planes[0][here] * planes[0][there]
        for plane in planes[1:]:
            product += plane[here] * plane[there]
        both = (product, energy[here] * believed[there], energy[there] * believed[here])
        for total, layer in zip(out, both, strict=True):
            total[number] = over_cells @ layer.ravel()
    return out


def _peak(correlation: FloatArray, cells: _Cells) -> FloatArray:
    """Lag (2,) in mm of the highest correlation, between pixels; not a number at the border or where there is none."""
    table = correlation.reshape(cells.shape)
    i, j = np.unravel_index(int(table.argmax()), table.shape)
    at_rim = i in (0, table.shape[0] - 1) or j in (0, table.shape[1] - 1)
    if at_rim or table[i, j] - np.median(table) < LEAST_HEIGHT:
        return np.full(2, np.nan)
    x, y = (grid.ravel() for grid in np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0], indexing="ij"))
    design = np.column_stack([np.ones(9), x, y, x**2, x * y, y**2])
    fit = np.linalg.lstsq(design, table[i - 1 : i + 2, j - 1 : j + 2].ravel(), rcond=None)[0]
    shift = -np.linalg.solve([[2.0 * fit[3], fit[4]], [fit[4], 2.0 * fit[5]]], fit[1:3])
    lags = cells.lags_mm.reshape(*cells.shape, 2)
    px_mm = np.array([lags[1, 0, 0] - lags[0, 0, 0], lags[0, 1, 1] - lags[0, 0, 1]])
    return np.asarray(lags[i, j] + np.clip(shift, -1.0, 1.0) * px_mm)
