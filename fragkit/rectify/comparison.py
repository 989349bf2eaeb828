"""Two photographs of one area: by how much they disagree, beside what their budgets allow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincc

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.opencv import cv2
from fragkit.rectify.picture import Picture
from fragkit.rectify.rectified import Rectified
from fragkit.sketch import sketch

FloatArray = NDArray[np.float64]

ENLARGED = 100
TILE_PX = 96
"""Side of the tiles that are matched."""

MAX_TILES = 14
"""Tiles along the longer side of the overlap."""

REACH_RATIO = 0.25
"""A tile is looked for within this share of its side."""

MIN_SCORE = 0.6
"""Correlation below which a tile counts as not matched."""

MATCH_SD_PX = 0.05
"""Error of matching a tile, per coordinate (0.02 in simulated pairs without noise)."""

MIN_TILES = 6

DISAGREE_RATE = 0.01
"""Share of sound pairs that are said to disagree more than their budgets allow."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison:
    """How far two rectified photographs of one area agree.

    Attributes
    ----------
    xy_mm, apart_mm : (n, 2) arrays
        Places on the plane, and the second photograph minus the first there.
    rms_mm, allowed_mm : float
        Root mean square difference per coordinate, as found and as the two budgets let expect.
    chance : float
        Probability of so large a disagreement if both budgets hold.
    agree : bool
    notes : tuple of str
    """

    xy_mm: FloatArray
    apart_mm: FloatArray
    rms_mm: float
    allowed_mm: float
    chance: float
    agree: bool
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy_mm", frozen_array(self.xy_mm, float))
        object.__setattr__(self, "apart_mm", frozen_array(self.apart_mm, float))

    def __repr__(self) -> str:
        return f"Comparison({self.rms_mm:.2g} mm apart at {len(self.xy_mm)} places, {self.allowed_mm:.2g} mm allowed)"

    def _repr_html_(self) -> str:
        rows = [
            ("apart", f"{self.rms_mm:.2g} mm per coordinate at {len(self.xy_mm)} places"),
            ("their budgets allow", f"{self.allowed_mm:.2g} mm"),
            ("so", "they agree" if self.agree else "they disagree"),
        ]
        enlarged = ENLARGED * self.apart_mm
        lines = [np.array([at, at + off]) for at, off in zip(self.xy_mm, enlarged, strict=True)]
        label = f"Where the second photograph puts what the first shows, differences enlarged {ENLARGED} times"
        drawn = sketch(label, dots_mm=self.xy_mm, lines_mm=lines)
        return card("Two photographs of one area", rows, notes=self.notes, drawing=drawn)


def compare_photographs(
    first: Rectified, second: Rectified, *, points_px: tuple[ArrayLike, ArrayLike] | None = None
) -> Comparison:
    """Disagreement of two photographs of one area, beside what their budgets allow.

    Parameters
    ----------
    first, second : Rectified
        In one frame.
    points_px : ((n, 2), (n, 2)) arrays, optional
        The same points picked in the first and in the second photograph, in photograph pixels. Without them
        tiles of the overlap are matched.

    Raises
    ------
    EstimationError
        No overlap, or too little in it that can be matched.

    Notes
    -----
    With the joint covariance C of the differences d (a wrong plane moves all places together; relief and
    matching come on top), dᵀd / tr C is judged as chi-square over its degrees of freedom,
    (tr C)² / tr C², by Satterthwaite's rule.

    References
    ----------
    Satterthwaite, F. E. (1946) An approximate distribution of estimates of variance components, Biometrics
    Bulletin 2(6), 110–114.
    """
    if points_px is None:
        xy_mm, apart_mm = _matched(first.picture, second.picture)
        match_mm = MATCH_SD_PX * max(first.picture.mm_per_px, second.picture.mm_per_px)
    else:
        xy_mm = first.to_mm(points_px[0])
        apart_mm, match_mm = second.to_mm(points_px[1]) - xy_mm, 0.0
    cov = _expected(first, second, xy_mm) + match_mm**2 * np.eye(2 * len(xy_mm))
    rms_mm = float(np.sqrt(np.square(apart_mm).mean()))
    allowed_mm = float(np.sqrt(np.trace(cov) / len(cov)))
    n_free = float(np.trace(cov) ** 2 / np.square(cov).sum())
    chance = float(gammaincc(n_free / 2.0, n_free * (rms_mm / allowed_mm) ** 2 / 2.0))
    agree = chance > DISAGREE_RATE
    return Comparison(
        xy_mm=xy_mm,
        apart_mm=apart_mm,
        rms_mm=rms_mm,
        allowed_mm=allowed_mm,
        chance=chance,
        agree=agree,
        notes=_notes(apart_mm, rms_mm, allowed_mm, agree),
    )


def _expected(first: Rectified, second: Rectified, xy_mm: FloatArray) -> FloatArray:
    total = np.zeros((2 * len(xy_mm), 2 * len(xy_mm)))
    rows = np.arange(len(xy_mm))
    for one in (first, second):
        total += one.joint_covariance_mm2(xy_mm)
        if one.flatness_mm > 0:
            relief = one.relief_covariance_mm2(xy_mm, flatness_mm=one.flatness_mm)
            for i in range(2):
                for j in range(2):
                    total[2 * rows + i, 2 * rows + j] += relief[:, i, j]
    return total


def _matched(first: Picture, second: Picture) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and differences (n, 2) in mm of matched tiles of the overlap."""
    mm_per_px, origin, size = _overlap(first, second)
    own, covered = _on_grid(first, mm_per_px, origin, size)
    other, covered_too = _on_grid(second, mm_per_px, origin, size)
    both = covered & covered_too
    reach = int(REACH_RATIO * TILE_PX)
    step = max(TILE_PX // 2, max(size) // MAX_TILES)
    places, shifts = [], []
    for top in range(reach, size[1] - TILE_PX - reach, step):
        for left in range(reach, size[0] - TILE_PX - reach, step):
            if not both[top - reach : top + TILE_PX + reach, left - reach : left + TILE_PX + reach].all():
                continue
            shift = _shift(own, other, left, top, reach)
            if shift is not None:
                places.append([left + TILE_PX / 2 - 0.5, top + TILE_PX / 2 - 0.5])
                shifts.append(shift)
    if len(places) < MIN_TILES:
        raise EstimationError(
            "The two photographs cannot be compared: too little of their overlap matches.",
            found=f"{len(places)} matched tiles of {TILE_PX * mm_per_px:.0f} mm",
            needed=f"{MIN_TILES} or more, or the same points picked in both (points_px)",
        )
    return origin + np.array(places) * [mm_per_px, -mm_per_px], np.array(shifts) * [mm_per_px, -mm_per_px]


def _overlap(first: Picture, second: Picture) -> tuple[float, FloatArray, tuple[int, int]]:
    """Sampling, centre of the top-left pixel, and size in px of the area that both pictures show."""
    lows, highs = [], []
    for picture in (first, second):
        height, width = picture.coverage.shape
        corners = picture.to_mm(np.array([[0.0, 0.0], [width - 1.0, height - 1.0]]))
        lows.append(corners.min(axis=0))
        highs.append(corners.max(axis=0))
    low, high = np.max(lows, axis=0), np.min(highs, axis=0)
    mm_per_px = max(first.mm_per_px, second.mm_per_px)
    if not (high - low > TILE_PX * mm_per_px).all():
        raise EstimationError(
            "The two photographs do not overlap enough to be compared.",
            found=f"an overlap of {max(high[0] - low[0], 0):.0f} × {max(high[1] - low[1], 0):.0f} mm",
            needed=f"{TILE_PX * mm_per_px:.0f} mm each way, in one frame",
        )
    width, height = ((high - low) / mm_per_px).astype(int) + 1
    return mm_per_px, np.array([low[0], high[1]]), (int(width), int(height))


def _on_grid(
    picture: Picture, mm_per_px: float, origin: FloatArray, size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Grey levels, free of slow shading, and coverage of a picture on another grid."""
    step = mm_per_px / picture.mm_per_px
    x, y = picture.to_px(origin[None])[0]
    to_own = np.array([[step, 0.0, x], [0.0, step, y]])
    top = np.float32(np.iinfo(picture.pixels.dtype).max)
    gray = cv2.cvtColor(picture.pixels.astype(np.float32) / top, cv2.COLOR_RGB2GRAY)
    if step > 1.0:
        gray = cv2.GaussianBlur(gray, (0, 0), 0.4 * step)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    shown = cv2.warpAffine(gray, to_own, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.warpAffine(picture.coverage.astype(np.float32), to_own, size, flags=cv2.WARP_INVERSE_MAP)
    return shown - cv2.GaussianBlur(shown, (0, 0), TILE_PX / 6), mask > 0.999


def _shift(
    first: NDArray[np.float32], second: NDArray[np.float32], left: int, top: int, reach: int
) -> FloatArray | None:
    """Shift (2,) in px of a tile of the first picture in the second; None if it is not found surely."""
    tile = np.ascontiguousarray(first[top : top + TILE_PX, left : left + TILE_PX])
    field = np.ascontiguousarray(second[top - reach : top + TILE_PX + reach, left - reach : left + TILE_PX + reach])
    if tile.std() < 1e-3:
        return None
    scores = cv2.matchTemplate(field, tile, cv2.TM_CCOEFF_NORMED)
    scores = np.nan_to_num(scores, nan=-1.0, posinf=-1.0, neginf=-1.0)
    row, column = np.unravel_index(int(scores.argmax()), scores.shape)
    inside = 0 < row < scores.shape[0] - 1 and 0 < column < scores.shape[1] - 1
    if scores[row, column] < MIN_SCORE or not inside:
        return None
    across, down = scores[row, column - 1 : column + 2], scores[row - 1 : row + 2, column]
    return np.array([column - reach + _vertex(across), row - reach + _vertex(down)])


def _vertex(three: NDArray[Any]) -> float:
    """Place of the top of the parabola through three values at −1, 0 and 1."""
    bend = float(three[0] - 2.0 * three[1] + three[2])
    return 0.5 * float(three[0] - three[2]) / bend if bend < 0 else 0.0


def _notes(apart_mm: FloatArray, rms_mm: float, allowed_mm: float, agree: bool) -> tuple[str, ...]:
    x, y = apart_mm.mean(axis=0)
    verdict = (
        "which their budgets allow"
        if agree
        else "which is more than chance leaves to their budgets: the control of one of them, a surface out of "
        "its plane, or its lens is worse than stated"
    )
    return (
        f"The photographs differ by {rms_mm:.2g} mm per coordinate, {allowed_mm:.2g} mm expected, {verdict}.",
        f"On average the second lies {x:+.2f} mm in x and {y:+.2f} mm in y of the first.",
    )
