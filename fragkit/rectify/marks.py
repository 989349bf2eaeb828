"""The centre of a cross, dot or corner in a photograph, to a fraction of a pixel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array

FloatArray = NDArray[np.float64]
Kind = Literal["cross", "dot", "corner"]

HALF_WINDOW_PX = 12
"""Half side of the window that is looked at."""

REACH_PX = 7.0
"""A mark farther than this from where it was picked is not taken."""

MIN_EXPLAINED = 0.6
"""Share of the grey-level variance in the window that the model of the mark must explain."""

LEVEL_SD = 1.0 / 255.0 / 12.0**0.5
"""What rounding to 256 levels leaves unknown: a surface without any noise shows no less."""

MIN_CONTRAST_SD = 6.0
"""The mark must stand out by this many sd of what the model leaves over."""

MODEL_SD_PX = 0.02
"""Error of real marks against their model, added to the sd (common practice, no source)."""

MAX_SD_PX = 0.5

SHARPEST_PX = 0.05
"""Blur below which an edge looks the same in pixels."""

_LAGS = 3
"""Left-over grey levels are taken as correlated up to this many pixels apart."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Mark:
    """A mark in a photograph.

    Attributes
    ----------
    kind : str
    xy_px : (2,) array
        Its centre, displayed pixels.
    cov_px2 : (2, 2) array
    contrast : float
        Grey levels (full scale 1) by which it differs from its ground; below 0 if darker.
    explained : float
        Share of the variance in the window that the model explains.
    """

    kind: str
    xy_px: FloatArray
    cov_px2: FloatArray
    contrast: float
    explained: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy_px", frozen_array(self.xy_px, float))
        object.__setattr__(self, "cov_px2", frozen_array(self.cov_px2, float))

    @property
    def sd_px(self) -> float:
        """Standard deviation per coordinate, root mean square of x and y."""
        return float(np.sqrt(np.trace(self.cov_px2) / 2.0))

    def __repr__(self) -> str:
        return f"Mark({self.kind} at ({self.xy_px[0]:.2f}, {self.xy_px[1]:.2f}) ± {self.sd_px:.2f} px)"


def refine_mark(pixels: NDArray[Any], xy_px: ArrayLike, *, kind: Kind) -> Mark:
    """The centre of the mark nearest to where it was picked.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) array of uint8 or uint16
    xy_px : (2,) array
        Where it was picked, within 7 px.
    kind : "cross", "dot" or "corner"
        Two crossing lines; a round spot, seen as an ellipse; the point where up to four even fields meet at
        two straight edges (of a chessboard, or of one sheet).

    Raises
    ------
    EstimationError
        No such mark there, or one that is too weak, too blurred or too near the edge of the picture.
    ValueError
        A kind that does not exist.

    Notes
    -----
    Least squares of a blurred model of the mark on the grey levels; brightness, slope and contrast are
    solved inside (variable projection). The covariance allows for left-over grey levels that are correlated
    between neighbours, and adds 0.02 px for what real marks differ from their model.
    """
    if kind not in _MODELS:
        raise ValueError(f"kind is {kind!r}; a mark is a 'cross', a 'dot' or a 'corner'.")
    window, corner = _window(pixels, np.asarray(xy_px, float))
    start = np.asarray(xy_px, float) - corner
    fit, model = _best_fit(window, start, kind)
    left = _left(model(fit.x), window)
    explained = 1.0 - float(np.square(left).sum() / max(np.square(_left([], window)).sum(), 1e-12))
    contrast = _contrast(model(fit.x), window)
    cov = _covariance(fit.jac, left)[:2, :2] + MODEL_SD_PX**2 * np.eye(2)
    mark = Mark(kind=kind, xy_px=fit.x[:2] + corner, cov_px2=cov, contrast=contrast, explained=explained)
    _refuse_phantoms(mark, np.asarray(xy_px, float), float(left.std()), len(window))
    return mark


def _window(pixels: NDArray[Any], xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Grey levels 0..1 around the pick, and the pixel of their top-left corner."""
    height, width = pixels.shape[:2]
    column, row = (int(v) for v in np.rint(xy))
    half = min(HALF_WINDOW_PX, column, row, width - 1 - column, height - 1 - row)
    if half < HALF_WINDOW_PX // 2:
        raise EstimationError(
            "A mark so near the edge of the picture cannot be refined.",
            found=f"a pick at ({xy[0]:.0f}, {xy[1]:.0f}) px in {width} × {height} px",
            needed=f"{HALF_WINDOW_PX // 2} px or more of picture on every side",
        )
    part = pixels[row - half : row + half + 1, column - half : column + half + 1].astype(float)
    gray = part if part.ndim == 2 else part @ [0.299, 0.587, 0.114]
    return gray / np.iinfo(pixels.dtype).max, np.array([column - half, row - half], float)


def _cross(values: FloatArray, x: FloatArray, y: FloatArray) -> list[FloatArray]:
    cx, cy, first, second, width = values
    lines = []
    for angle in (first, second):
        off = (x - cx) * -np.sin(angle) + (y - cy) * np.cos(angle)
        lines.append(np.exp(-0.5 * np.square(off / width)))
    return [lines[0] + lines[1] - lines[0] * lines[1]]


def _edge(inward_px: FloatArray, log_blur: float) -> FloatArray:
    """Share of each pixel inside a blurred edge that runs `inward_px` from its centre, averaged over the pixel.

    Notes
    -----
    The mean of Φ(t/blur) over a unit of length: without it a perfectly sharp edge, as in a drawn picture, would
    have no slope and so no place.
    """
    blur = np.hypot(SHARPEST_PX, np.exp(log_blur))
    ramps = [
        z * ndtr(z / blur) + blur * np.exp(-0.5 * np.square(z / blur)) / np.sqrt(2.0 * np.pi)
        for z in (inward_px + 0.5, inward_px - 0.5)
    ]
    return np.asarray(ramps[0] - ramps[1])


def _dot(values: FloatArray, x: FloatArray, y: FloatArray) -> list[FloatArray]:
    cx, cy, log_radius, stretch, shear, log_blur = values
    u, v = x - cx, y - cy
    size = np.sqrt(np.square(u) * (1 + stretch) ** 2 + np.square(v + shear * u) + 1e-9)
    return [_edge(np.exp(log_radius) - size, log_blur)]


def _corner(values: FloatArray, x: FloatArray, y: FloatArray) -> list[FloatArray]:
    cx, cy, first, second, log_blur = values
    sides = []
    for angle in (first, second):
        off = (x - cx) * -np.sin(angle) + (y - cy) * np.cos(angle)
        sides.append(2.0 * _edge(off, log_blur) - 1.0)
    return [sides[0], sides[1], sides[0] * sides[1]]


_MODELS: dict[str, Callable[..., list[FloatArray]]] = {"cross": _cross, "dot": _dot, "corner": _corner}


def _starts(kind: str, at: FloatArray) -> list[FloatArray]:
    """Values to start from: angles or sizes all round, at the pick and a little off it."""
    angles = np.radians([0.0, 22.5, 45.0, 67.5])
    offsets = [np.zeros(2), *(3.5 * np.array([np.cos(a), np.sin(a)]) for a in np.radians([45, 135, 225, 315]))]
    if kind == "dot":
        return [np.array([*(at + o), np.log(r), 0.0, 0.0, 0.0]) for o in offsets for r in (2.5, 5.0, 8.0)]
    last = 1.2 if kind == "cross" else 0.0
    return [np.array([*(at + o), a, a + np.pi / 2, last]) for o in offsets for a in angles]


def _best_fit(window: FloatArray, at: FloatArray, kind: str) -> tuple[Any, Callable[..., list[FloatArray]]]:
    """The best of the fits from the three most promising starts."""
    y, x = np.mgrid[0 : window.shape[0], 0 : window.shape[1]].astype(float)

    def model(values: FloatArray) -> list[FloatArray]:
        return _MODELS[kind](values, x, y)

    def left(values: FloatArray) -> FloatArray:
        return _left(model(values), window)

    starts = sorted(_starts(kind, at), key=lambda values: float(np.square(left(values)).sum()))
    fits = [least_squares(left, values, method="lm", max_nfev=300) for values in starts[:3]]
    return min(fits, key=lambda fit: float(fit.cost)), model


def _basis(shapes: list[FloatArray], window: FloatArray) -> FloatArray:
    y, x = np.mgrid[-1 : 1 : window.shape[0] * 1j, -1 : 1 : window.shape[1] * 1j]
    return np.column_stack([a.ravel() for a in (np.ones_like(x), x, y, *shapes)])


def _left(shapes: list[FloatArray], window: FloatArray) -> FloatArray:
    """What (h·w,) the shapes on an even slope leave over."""
    basis = _basis(shapes, window)
    coefficients = np.linalg.lstsq(basis, window.ravel(), rcond=None)[0]
    return np.asarray(window.ravel() - basis @ coefficients)


def _contrast(shapes: list[FloatArray], window: FloatArray) -> float:
    """Range of the fitted mark in grey levels; below 0 for one that is darker than its ground."""
    coefficients = np.linalg.lstsq(_basis(shapes, window), window.ravel(), rcond=None)[0][3:]
    fitted = sum(c * shape for c, shape in zip(coefficients, shapes, strict=True))
    return float(np.ptp(fitted) * (-1.0 if len(shapes) == 1 and coefficients[0] < 0 else 1.0))


def _covariance(jacobian: FloatArray, left: FloatArray) -> FloatArray:
    """Covariance of the unknowns, with the left-over grey levels correlated as they are seen to be."""
    side = round(np.sqrt(len(left)))
    field = left.reshape(side, side)
    spectrum = np.abs(np.fft.rfft2(field, s=(2 * side, 2 * side))) ** 2
    lags = np.fft.irfft2(spectrum, s=(2 * side, 2 * side))
    near = np.concatenate([np.arange(-_LAGS, 0), np.arange(_LAGS + 1)])
    swollen = max(1.0, float(lags[np.ix_(near, near)].sum() / max(lags[0, 0], 1e-300)))
    variance = swollen * float(np.square(left).sum()) / max(len(left) - jacobian.shape[1] - 4, 1)
    size = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-12)
    root = np.linalg.pinv(jacobian / size, rcond=1e-8) / size[:, None]
    return np.asarray(variance * root @ root.T)


def _refuse_phantoms(mark: Mark, picked: FloatArray, noise: float, side: int) -> None:
    away = float(np.hypot(*(mark.xy_px - picked)))
    reasons = [
        (away > min(REACH_PX, side / 2.0), f"the nearest likeness lies {away:.0f} px away"),
        (mark.explained < MIN_EXPLAINED, f"a {mark.kind} explains {100 * mark.explained:.0f} % of the window"),
        (abs(mark.contrast) < MIN_CONTRAST_SD * max(noise, LEVEL_SD), "it hardly stands out from its ground"),
        (mark.sd_px > MAX_SD_PX, f"its centre is uncertain by {mark.sd_px:.1f} px"),
    ]
    found = [text for is_so, text in reasons if is_so]
    if found:
        raise EstimationError(
            f"There is no {mark.kind} where it was picked.",
            found="; ".join(found),
            needed=f"a sharp {mark.kind} within {REACH_PX:.0f} px of the pick, or the pick taken as it is",
        )
