"""A figure of marked points out of taped distances: free network, readings checked, flexing refused."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import erfc

from fragkit.errors import EstimationError
from fragkit.rectify.plane import Observations
from fragkit.survey import TapeControl

FloatArray = NDArray[np.float64]

N_RIGID = 3
"""Motions that no distance tells: two shifts and one turn."""

MIN_STIFFNESS = 0.01
"""A figure with a motion that changes its distances by less than this share of that motion can flex."""

SUSPECT_RATE, REFUSE_RATE = 0.01, 1e-5
"""Share of clean figures in which a reading is called doubtful, and in which one is refused."""

MIN_SPARE = 0.02
"""A reading of which the others check less than this share counts as unchecked."""


@dataclass(frozen=True, eq=False, kw_only=True)
class TapedFigure:
    """Points adjusted to the distances between them.

    Attributes
    ----------
    xy_mm : (n, 2) array
    joint_mm2 : (2n, 2n) array
        Covariance by inner constraints: the figure's shape, without an error of where it lies.
    misfits_mm : (m,) array
        Adjusted distances minus readings.
    w : (m,) array
        Misfits in their own standard deviations; 0 where a reading is not checked.
    notes : tuple of str
    """

    xy_mm: FloatArray
    joint_mm2: FloatArray
    misfits_mm: FloatArray
    w: FloatArray
    notes: tuple[str, ...]


def observe_tape(control: TapeControl) -> Observations:
    """Control points out of taped distances; see `adjust_figure`."""
    figure = adjust_figure(control)
    n = len(control.names)
    blocks = figure.joint_mm2.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n), :]
    return Observations(
        names=control.names,
        xy_px=np.asarray(control.xy_px, float),
        xy_mm=figure.xy_mm,
        cov_mm2=blocks,
        sd_px=control.sd_px,
        joint_mm2=figure.joint_mm2,
        notes=figure.notes,
    )


def adjust_figure(control: TapeControl) -> TapedFigure:
    """The figure that taped distances make, with its covariance and each reading's misfit.

    Parameters
    ----------
    control : TapeControl

    Raises
    ------
    EstimationError
        A figure that can flex (with the braces to measure), or a reading that does not fit (named).
    ValueError
        Readings that are no distances between two of the points.

    Notes
    -----
    Least squares on the distances, started from the photograph turned upright, so that the figure is not
    found as its mirror image. Datum by inner constraints (pseudo-inverse of the normal matrix). The frame:
    the first point is (0, 0), and x runs from the first named level point to the second; without a level
    line, from the first point to the second.

    References
    ----------
    Baarda, W. (1968) A Testing Procedure for Use in Geodetic Networks (the w-test). Mikhail, E. M. (1976)
    Observations and Least Squares, chapter 13 (free networks).
    """
    _check(control)
    start = _start(control)
    _refuse_flexing(control, start)
    xy_mm = _fit(control, start)
    _refuse_flexing(control, xy_mm)
    slopes = _slopes(xy_mm, control.pairs) / control.sd_mm[:, None]
    joint = _inner_inverse(slopes)
    misfits = _lengths(xy_mm, control.pairs) - control.distance_mm
    spare = 1.0 - np.einsum("mi,ij,mj->m", slopes, joint, slopes)
    is_checked = spare > MIN_SPARE
    w = np.where(is_checked, misfits / control.sd_mm / np.sqrt(np.where(is_checked, spare, 1.0)), 0.0)
    doubts = _refuse_readings(control, misfits, w)
    xy_mm, joint = _in_frame(control, xy_mm, joint)
    notes = (*_notes(control, misfits, is_checked), *doubts)
    return TapedFigure(xy_mm=xy_mm, joint_mm2=joint, misfits_mm=misfits, w=w, notes=notes)


def _check(control: TapeControl) -> None:
    n, pairs = len(control.names), np.asarray(control.pairs)
    if n < 4:
        raise EstimationError(
            "A plane in perspective needs at least four control points.",
            found=f"{n} points",
            needed="4 points and the 6 distances between them, better 6 points",
        )
    if pairs.ndim != 2 or pairs.shape[1:] != (2,) or (pairs < 0).any() or (pairs >= n).any():
        raise ValueError("pairs must be (m, 2) indices of the points named; correct the table of distances.")
    for k, (i, j) in enumerate(pairs):
        if i == j or not (control.distance_mm[k] > 0 and control.sd_mm[k] > 0):
            raise ValueError(
                f"Reading {control.names[i]}–{control.names[j]} of {control.distance_mm[k]:g} mm ± "
                f"{control.sd_mm[k]:g} mm is no distance between two points; correct it or leave it out."
            )


def _start(control: TapeControl) -> FloatArray:
    """The picked pixels, y up, at the scale that suits the readings."""
    xy = np.asarray(control.xy_px, float) * [1.0, -1.0]
    scale = np.median(control.distance_mm / np.maximum(_lengths(xy, control.pairs), 1e-9))
    return np.asarray((xy - xy.mean(axis=0)) * scale)


def _lengths(xy: FloatArray, pairs: NDArray[np.int64]) -> FloatArray:
    return np.asarray(np.hypot(*(xy[pairs[:, 1]] - xy[pairs[:, 0]]).T))


def _slopes(xy: FloatArray, pairs: NDArray[np.int64]) -> FloatArray:
    """Slopes (m, 2n) of the distances by the coordinates: the rigidity matrix, rows of unit directions."""
    apart = xy[pairs[:, 1]] - xy[pairs[:, 0]]
    along = apart / np.maximum(np.hypot(*apart.T), 1e-12)[:, None]
    slopes = np.zeros((len(pairs), len(xy), 2))
    rows = np.arange(len(pairs))
    slopes[rows, pairs[:, 0]] = -along
    slopes[rows, pairs[:, 1]] = along
    return slopes.reshape(len(pairs), -1)


def _fit(control: TapeControl, start: FloatArray) -> FloatArray:
    def misfit(values: FloatArray) -> FloatArray:
        return (_lengths(values.reshape(-1, 2), control.pairs) - control.distance_mm) / control.sd_mm

    def slope(values: FloatArray) -> FloatArray:
        return _slopes(values.reshape(-1, 2), control.pairs) / control.sd_mm[:, None]

    return np.asarray(least_squares(misfit, start.ravel(), slope, xtol=1e-12, ftol=1e-12).x.reshape(-1, 2))


def _inner_inverse(slopes: FloatArray) -> FloatArray:
    """Pseudo-inverse of the normal matrix with its three free motions left out."""
    _, singular, right = np.linalg.svd(slopes)
    keep = slopes.shape[1] - N_RIGID
    return np.asarray(right[:keep].T @ np.diag(singular[:keep] ** -2.0) @ right[:keep])


def _refuse_flexing(control: TapeControl, xy: FloatArray) -> None:
    braces = _missing_braces(xy, control.pairs)
    if not braces:
        return
    named = ", ".join(f"{control.names[i]}–{control.names[j]}" for i, j in braces)
    raise EstimationError(
        f"The taped figure can flex: {len(control.pairs)} distances do not hold "
        f"{len(control.names)} points. Measure also {named}.",
        found=f"{len(control.pairs)} distances that leave {len(braces)} motion{'s' if len(braces) > 1 else ''} free",
        needed="braces across every quadrilateral, and one distance or more beyond to check the others",
    )


def _missing_braces(xy: FloatArray, pairs: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Pairs to measure until no motion is left free: each time the one that the freest motion changes most."""
    every = np.array(list(combinations(range(len(xy)), 2)))
    braces: list[tuple[int, int]] = []
    candidates = _slopes(xy, every)
    measured = pairs
    while len(braces) <= 2 * len(xy):
        slopes = _slopes(xy, measured)
        _, singular, right = np.linalg.svd(slopes)
        needed = 2 * len(xy) - N_RIGID
        stiffness = np.concatenate([singular, np.zeros(2 * len(xy))])[:needed]
        loose = np.flatnonzero(stiffness < MIN_STIFFNESS * singular[0])
        if not len(loose):
            break
        freedom = right[np.concatenate([loose, np.arange(needed, 2 * len(xy))])]
        change = np.linalg.norm(candidates @ freedom.T, axis=1)
        best = every[int(np.argmax(change))]
        braces.append((int(best[0]), int(best[1])))
        measured = np.vstack([measured, best])
    return braces


def _refuse_readings(control: TapeControl, misfits: FloatArray, w: FloatArray) -> list[str]:
    """Refuse a reading that the others contradict; name one that is merely doubtful."""
    chance = erfc(np.abs(w) / np.sqrt(2.0)) * len(w)
    worst = int(np.argmax(np.abs(w)))
    rivals = np.flatnonzero(np.square(w) > w[worst] ** 2 - 2.0 * np.log(20.0))
    text = " or ".join(
        f"{control.names[control.pairs[k, 0]]}–{control.names[control.pairs[k, 1]]} ({control.distance_mm[k]:.1f} mm)"
        for k in rivals[np.argsort(-np.abs(w[rivals]))]
    )
    if chance[worst] < REFUSE_RATE:
        raise EstimationError(
            f"The tape reading {text} does not fit the others; the figure fits without it.",
            found=f"a misfit of {abs(misfits[worst]):.1f} mm after adjustment, {abs(w[worst]):.0f} sd",
            needed="that distance taped again, or left out if the figure still holds without it",
        )
    return [f"The tape reading {text} fits worse than chance allows; tape it again."] * bool(
        chance[worst] < SUSPECT_RATE
    )


def _in_frame(control: TapeControl, xy: FloatArray, joint: FloatArray) -> tuple[FloatArray, FloatArray]:
    first, second = control.level or control.names[:2]
    for name in (first, second):
        if name not in control.names:
            raise ValueError(f"level names {name!r}; it must be one of {', '.join(control.names)}.")
    along = xy[control.names.index(second)] - xy[control.names.index(first)]
    c, s = along / np.hypot(*along)
    turn = np.array([[c, s], [-s, c]])
    both = np.kron(np.eye(len(xy)), turn)
    return (xy - xy[0]) @ turn.T, both @ joint @ both.T


def _notes(control: TapeControl, misfits: FloatArray, is_checked: NDArray[np.bool_]) -> list[str]:
    first, second = control.level or control.names[:2]
    n_spare = len(misfits) - 2 * len(control.names) + N_RIGID
    notes = [
        f"Taped figure: {control.names[0]} is (0, 0) and x runs from {first} to {second}"
        f"{'' if control.level else ', which need not be level'}; {n_spare} readings to spare, "
        f"rms misfit {np.sqrt(np.square(misfits).mean()):.2g} mm."
    ]
    if not is_checked.all():
        named = ", ".join(f"{control.names[i]}–{control.names[j]}" for i, j in control.pairs[~is_checked][:8])
        notes.append(f"Readings that no other checks: {named}; tape one more distance across them.")
    return notes
