"""The light on a wall out of a photograph of it: smooth, while every material keeps one colour of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial.legendre import legval
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.opencv import cv2
from fragkit.rectify.light import linear_light

FloatArray = NDArray[np.float64]

WORK_PX = 240
"""The light is found in a copy of this longer side."""

DEGREES, FINER_DEGREES = (3, 1, 1), (4, 2, 2)
"""Degrees of the polynomials: log level, log red over green, log blue over green.

The light is that of the first; by how much the second would have it otherwise is part of its uncertainty."""

REACH = np.array([0.25, 0.12, 0.12])
"""What differs more than this from the colour of every material has no say; log level, log colour ratios."""

BIN = np.array([0.04, 0.02, 0.02])
SMOOTH_BINS = 1.7
MIN_SHARE = 0.03
"""A colour is a material when this share of the picture shows it."""

N_ROUNDS = 8
STEP_PX = 3
BLOCKS_ACROSS = 6
"""Residuals are taken as independent from block to block, not from pixel to pixel."""

WIDER = 1.5
"""Blocks beside one another are not wholly independent: by this the variance is too small on simulated walls."""

OPEN_RATIO = 1e-13
"""Of the largest eigenvalue of normal equations: what lies below is not told by the readings."""

DARK, CLIPPED_RATIO = 0.003, 0.985
TO_RATIOS = np.array([[1 / 3, 1 / 3, 1 / 3], [1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])
"""Log red, green, blue to level and colour ratios."""


@dataclass(frozen=True, eq=False, kw_only=True)
class WallLight:
    """Logarithm of the light on a wall, by channel, up to a constant.

    Attributes
    ----------
    size_px : (int, int)
        Width and height of the photograph.
    coefficients : (n,) array
        Of Legendre products: first those of the level, then those of the two colour ratios.
    finer : (n,) array
        The same of a polynomial of higher degree.
    cov : (n, n) array
        Of `coefficients`.
    n_materials : int
    sd_ratio : float
        Scatter of the wall about its light, robust, as a share of its lightness.
    """

    size_px: tuple[int, int]
    coefficients: FloatArray
    finer: FloatArray
    cov: FloatArray
    n_materials: int
    sd_ratio: float

    def __post_init__(self) -> None:
        for name in ("coefficients", "finer", "cov"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    def log_light(self, xy_px: FloatArray) -> FloatArray:
        """Log light (n, 3) at photograph pixels (n, 2)."""
        return np.einsum("nck,k->nc", self._design(np.asarray(xy_px, float)), self.coefficients)

    def contrast_cov(self, at_px: FloatArray, over_px: FloatArray) -> FloatArray:
        """Covariance (3, 3) of the log light at one place (1, 2) less its mean over others (n, 2)."""
        lever = self._design(np.asarray(at_px, float))[0] - self._design(np.asarray(over_px, float)).mean(axis=0)
        other = lever @ (self.finer - self.coefficients)
        return np.asarray(lever @ self.cov @ lever.T + np.outer(other, other))

    def __repr__(self) -> str:
        return f"WallLight({self.n_materials} materials, scatter {100.0 * self.sd_ratio:.1f} %)"

    def _design(self, xy_px: FloatArray) -> FloatArray:
        """(n, 3 channels, coefficients)."""
        back, at = np.linalg.inv(TO_RATIOS), 0
        bases = _bases(_unit(xy_px, self.size_px), FINER_DEGREES)
        design = np.zeros((len(xy_px), 3, len(self.coefficients)))
        for part, basis in enumerate(bases):
            design[:, :, at : at + basis.shape[1]] = back[None, :, part, None] * basis[:, None, :]
            at += basis.shape[1]
        return design


def find_wall_light(pixels: NDArray[Any], *, hidden_px: FloatArray | None = None) -> WallLight:
    """The light over a photograph of a wall on which a few materials lie about.

    Parameters
    ----------
    pixels : (h, w, 3) array of uint8 or uint16
    hidden_px : (2, 2) array, optional
        Two opposite corners of a box that shows no wall, such as a chart.

    Raises
    ------
    EstimationError
        Nearly all of the photograph is black or clipped.

    Notes
    -----
    Log pixel = log light(x, y) + log colour of its material. The light is a polynomial, of third degree in
    level and linear in hue. It starts from the slopes, where edges of materials are outliers; then materials
    are the peaks of the histogram of what the light leaves, and the light and their colours are fitted
    together, with Tukey weights, until they settle. A ground beside a darker surround is thus not mistaken for
    a ground in better light. Slow changes of the ground itself are taken for light.
    """
    height, width = pixels.shape[:2]
    values, xy, grid = _readings(pixels, hidden_px)
    is_read = grid[0]
    if is_read.mean() < MIN_SHARE:
        raise EstimationError(
            "The light on the wall cannot be found.",
            found=f"{100.0 * is_read.mean():.0f} % of the photograph neither black nor clipped",
            needed=f"{100.0 * MIN_SHARE:.0f} % or more",
        )
    everywhere = _bases(_unit(xy, (width, height)), DEGREES)
    light = [_slopes(values[:, j], everywhere[j], is_read) for j in range(3)]
    values, xy = values[is_read.ravel()], xy[is_read.ravel()]
    bases, finer = (_bases(_unit(xy, (width, height)), degrees) for degrees in (DEGREES, FINER_DEGREES))
    for _ in range(N_ROUNDS):
        member, weight = _materials(values - _sum(bases, light))
        light, classes = _refit(values, bases, member, weight)
    left = values - _sum(bases, light) - classes[member]
    places = _places(bases, finer)
    coefficients, cov = (
        np.zeros(sum(basis.shape[1] for basis in finer)),
        _cov(values, bases, member, weight, _blocks(xy)),
    )
    coefficients[places] = np.concatenate(light)
    return WallLight(
        size_px=(width, height),
        coefficients=coefficients,
        finer=np.concatenate(_refit(values, finer, member, weight)[0]),
        cov=_spread_out(cov, places, len(coefficients)),
        n_materials=len(classes),
        sd_ratio=float(1.4826 * np.median(np.abs(left[weight > 0.0, 0]))),
    )


def _places(bases: list[FloatArray], finer: list[FloatArray]) -> NDArray[np.int64]:
    """Where the coefficients of the lower degrees stand among those of the higher."""
    starts = np.cumsum([0, *(basis.shape[1] for basis in finer)])
    return np.concatenate([start + np.arange(basis.shape[1]) for start, basis in zip(starts, bases, strict=False)])


def _spread_out(cov: FloatArray, places: NDArray[np.int64], n: int) -> FloatArray:
    full = np.zeros((n, n))
    full[np.ix_(places, places)] = cov
    return full


def _readings(pixels: NDArray[Any], hidden_px: FloatArray | None) -> tuple[FloatArray, FloatArray, tuple[Any, ...]]:
    """Log level and ratios (n, 3) of a small copy, their places (n, 2) in the photograph, and what is usable."""
    height, width = pixels.shape[:2]
    ratio = min(1.0, WORK_PX / max(height, width))
    size = (max(1, round(width * ratio)), max(1, round(height * ratio)))
    linear = cv2.resize(linear_light(pixels), size, interpolation=cv2.INTER_AREA).astype(float)
    red, green, blue = cv2.split(pixels)
    top = cv2.resize(cv2.max(cv2.max(red, green), blue), size, interpolation=cv2.INTER_AREA)
    x = (np.arange(size[0]) + 0.5) * width / size[0] - 0.5
    y = (np.arange(size[1]) + 0.5) * height / size[1] - 0.5
    xy = np.stack(np.meshgrid(x, y), axis=-1)
    usable = (linear > DARK).all(axis=2) & (top < CLIPPED_RATIO * np.iinfo(pixels.dtype).max)
    if hidden_px is not None:
        low, high = np.min(hidden_px, axis=0), np.max(hidden_px, axis=0)
        usable &= ~((xy >= low) & (xy <= high)).all(axis=2)
    values = np.log(np.maximum(linear, DARK)) @ TO_RATIOS.T
    return values.reshape(-1, 3), xy.reshape(-1, 2), (usable,)


def _unit(xy_px: FloatArray, size_px: tuple[int, int]) -> FloatArray:
    size = np.array(size_px, float)
    return np.asarray((xy_px - (size - 1.0) / 2.0) / (size.max() / 2.0))


def _bases(unit: FloatArray, degrees: tuple[int, ...]) -> list[FloatArray]:
    """Legendre products (n, k) by rising degree, without the constant, for level and the two ratios."""
    rise = max(degrees) + 1
    by_axis = [[legval(unit[:, axis], np.eye(rise)[k]) for k in range(rise)] for axis in (0, 1)]
    return [
        np.column_stack([by_axis[0][i] * by_axis[1][k - i] for k in range(1, degree + 1) for i in range(k + 1)])
        for degree in degrees
    ]


def _sum(bases: list[FloatArray], light: list[FloatArray]) -> FloatArray:
    return np.column_stack([basis @ own for basis, own in zip(bases, light, strict=True)])


def _slopes(values: FloatArray, basis: FloatArray, usable: NDArray[np.bool_]) -> FloatArray:
    """Polynomial whose slopes are those of most of the picture."""
    shape = usable.shape
    grid, parts = values.reshape(shape), basis.reshape(*shape, -1)
    rises, rows = [], []
    for axis in (0, 1):
        ahead, behind = [slice(None)] * 2, [slice(None)] * 2
        ahead[axis], behind[axis] = slice(STEP_PX, None), slice(None, -STEP_PX)
        both = usable[tuple(ahead)] & usable[tuple(behind)]
        rises.append((grid[tuple(ahead)] - grid[tuple(behind)])[both])
        rows.append((parts[tuple(ahead)] - parts[tuple(behind)])[both])
    rise, row = np.concatenate(rises), np.concatenate(rows)
    weight = np.ones(len(rise))
    for _ in range(N_ROUNDS):
        light = _least_squares(row, rise, weight)
        left = rise - row @ light
        weight = _tukey(left / (4.0 * 1.4826 * np.median(np.abs(left)) + 1e-9))
    return np.asarray(light)


def _least_squares(design: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted least squares by the normal equations, which for these bases lose no more than a few digits; the
    shortest solution where they leave one open."""
    weighted = design * weight[:, None]
    return np.asarray(np.linalg.pinv(weighted.T @ design, rcond=OPEN_RATIO, hermitian=True) @ (weighted.T @ values))


def _tukey(distance: FloatArray) -> FloatArray:
    return np.asarray((1.0 - np.minimum(np.abs(distance), 1.0) ** 2) ** 2)


def _materials(left: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """The material of each reading, and how much it is one: peaks of the smoothed histogram."""
    low = left.min(axis=0) - 4.0 * BIN
    cells = np.floor((left - low) / BIN).astype(int)
    count = np.zeros(cells.max(axis=0) + 6)
    np.add.at(count, tuple(cells.T), 1.0)
    smooth = gaussian_filter(count, SMOOTH_BINS, mode="constant")
    peaks = np.argwhere((smooth == maximum_filter(smooth, 5)) & (smooth > MIN_SHARE * smooth.max()))
    nearest, away = _nearest(left / REACH, ((peaks + 0.5) * BIN + low) / REACH)
    weight = _tukey(away)
    share = np.bincount(nearest, weight, minlength=len(peaks)) / len(left)
    kept = np.flatnonzero(share >= min(MIN_SHARE, share.max()))
    renumbered = np.full(len(peaks), -1)
    renumbered[kept] = np.arange(len(kept))
    member = renumbered[nearest]
    return np.maximum(member, 0), np.where(member >= 0, weight, 0.0)


def _nearest(points: FloatArray, middles: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Number of the middle (m, 3) that is nearest to each point (n, 3), and how far it is."""
    columns = np.ascontiguousarray(points.T)
    away2 = np.array([sum((column - at) ** 2 for column, at in zip(columns, one, strict=True)) for one in middles])
    return away2.argmin(axis=0), np.sqrt(away2.min(axis=0))


def _refit(
    values: FloatArray, bases: list[FloatArray], member: NDArray[np.int64], weight: FloatArray
) -> tuple[list[FloatArray], FloatArray]:
    """Light, and colours (m, 3) of the materials, by weighted least squares."""
    own = np.eye(member.max() + 1)[member]
    light: list[FloatArray] = []
    classes: list[FloatArray] = []
    for j, basis in enumerate(bases):
        solved = _least_squares(np.column_stack([basis, own]), values[:, j], weight)
        light.append(np.asarray(solved[: basis.shape[1]], float))
        classes.append(np.asarray(solved[basis.shape[1] :], float))
    return light, np.column_stack(classes).astype(float)


def _blocks(xy: FloatArray) -> NDArray[np.int64]:
    side = np.ptp(xy, axis=0).max() / BLOCKS_ACROSS
    column, row = ((xy - xy.min(axis=0)) // side).astype(np.int64).T
    return np.unique(row * (BLOCKS_ACROSS + 1) + column, return_inverse=True)[1]


def _cov(
    values: FloatArray,
    bases: list[FloatArray],
    member: NDArray[np.int64],
    weight: FloatArray,
    block: NDArray[np.int64],
) -> FloatArray:
    """Covariance of the light by leaving out one block after the other."""
    own, moved = np.eye(member.max() + 1)[member], []
    groups = [np.flatnonzero(block == b) for b in range(block.max() + 1)]
    for j, basis in enumerate(bases):
        design = np.column_stack([basis, own])
        heavy = design * weight[:, None]
        normal = np.array([heavy[g].T @ design[g] for g in groups])
        right = np.array([heavy[g].T @ values[g, j] for g in groups])
        without = np.linalg.pinv(normal.sum(axis=0) - normal, hermitian=True)
        moved.append(np.einsum("bij,bj->bi", without, right.sum(axis=0) - right)[:, : basis.shape[1]])
    spread = np.column_stack(moved)
    spread -= spread.mean(axis=0)
    return np.asarray(WIDER * spread.T @ spread * (len(groups) - 1) / len(groups))
