"""Points of a wall out of what was read on it: sides, diagonals, running measures, heights, plumb readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.survey.entries import FloatArray, IntArray, MeasuredPoints

READING_KINDS = ("distance", "running", "plumb", "height", "level")
"""Tape straight between two points; x of the second less x of the first, along a level line or off a plumb
line; y of the second less y of the first, up a plumb line or off a level line. All in mm."""

SUSPECT_RATE = 0.01
"""Share of faultless walls in which some reading is called doubtful."""
MIN_SPARE = 0.02
"""A reading of which the others check less than this share counts as unchecked."""
RIVAL_RATIO = 0.97
"""Readings whose closure error is nearly as striking as the worst one's are named with it."""
MIN_STIFFNESS = 1e-4
"""A point that may move while the readings change by less than this share is not fixed by them."""

_X_KINDS, _Y_KINDS = ("running", "plumb"), ("height", "level")


@dataclass(frozen=True, eq=False, kw_only=True)
class Readings:
    """Readings between named points.

    Attributes
    ----------
    names : tuple of str
        The points; the first lies at (0, 0).
    pairs : (m, 2) int array
        From and to, as places in `names`.
    kind : tuple of str
        One of `READING_KINDS` each.
    value_mm, sd_mm : (m,) arrays
    """

    names: tuple[str, ...]
    pairs: IntArray
    kind: tuple[str, ...]
    value_mm: FloatArray
    sd_mm: FloatArray

    def words(self, k: int) -> str:
        """Reading k as a person would call it."""
        start, end = (self.names[p] for p in self.pairs[k])
        return f"{self.kind[k]} {start} to {end} ({self.value_mm[k]:.0f} mm)"

    def all_words(self) -> set[str]:
        """All readings as a person would call them."""
        return {self.words(k) for k in range(len(self.kind))}

    def without(self, dropped: Sequence[int]) -> Readings:
        """The readings less some of them."""
        keep = [k for k in range(len(self.kind)) if k not in set(dropped)]
        return replace(
            self,
            pairs=self.pairs[keep],
            kind=tuple(self.kind[k] for k in keep),
            value_mm=self.value_mm[keep],
            sd_mm=self.sd_mm[keep],
        )


def adjust_points(readings: Readings) -> MeasuredPoints:
    """The points that fit all readings best, with their closure error and the readings to take again.

    Parameters
    ----------
    readings : Readings

    Raises
    ------
    EstimationError
        If the readings do not fix every point.

    Notes
    -----
    Weighted least squares. Where no reading refers to the level or the plumb line, the line from the first to
    the second point is taken as level. A reading is doubtful when its residual, in its own standard deviation
    after adjustment, exceeds the normal limit at which 1 in 100 faultless walls has such a reading; if it stands
    alone and the rest is still checked without it, it is left out and the rest adjusted again.

    References
    ----------
    W. Baarda, A testing procedure for use in geodetic networks, Delft 1968 (from memory).
    """
    kept, again = readings, list[str]()
    first = fit = _adjust(kept)
    while (doubtful := _doubtful(kept, fit)) and not again:
        if len(doubtful) == 1 and fit.n_spare > 1:
            kept = kept.without(doubtful)
            fit = _adjust(kept, near_mm=fit.xy_mm)
        else:
            again = [kept.words(k) for k in doubtful]
    return _result(readings, first, kept, fit, again)


@dataclass(frozen=True, eq=False)
class _Fit:
    xy_mm: FloatArray
    cov_mm2: FloatArray
    residual_mm: FloatArray
    spare: FloatArray
    n_spare: int
    assumed_level: bool

    def closures_mm(self) -> FloatArray:
        """Reading less what the others say of it; 0 where they say nothing."""
        checked = self.spare > MIN_SPARE
        return np.divide(self.residual_mm, self.spare, out=np.zeros_like(self.spare), where=checked)

    def striking(self, sd_mm: FloatArray) -> FloatArray:
        """Residuals in their own standard deviations; 0 where the others say nothing."""
        checked = self.spare > MIN_SPARE
        own = sd_mm * np.sqrt(np.maximum(self.spare, MIN_SPARE))
        return np.where(checked, np.abs(self.residual_mm) / own, 0.0)


def _adjust(readings: Readings, *, near_mm: FloatArray | None = None) -> _Fit:
    level_needed = not any(kind != "distance" for kind in readings.kind)
    free = np.ones(2 * len(readings.names), bool)
    free[:2] = False
    free[3] = not level_needed

    def points(values: FloatArray) -> FloatArray:
        xy = np.zeros(len(free))
        xy[free] = values
        return xy.reshape(-1, 2)

    def misfit(values: FloatArray) -> FloatArray:
        return (_predict(readings, points(values)) - readings.value_mm) / readings.sd_mm

    def slopes(values: FloatArray) -> FloatArray:
        return _slopes(readings, points(values))[:, free] / readings.sd_mm[:, None]

    starts = _starts(readings) if near_mm is None else [near_mm]
    fits = [
        scipy.optimize.least_squares(misfit, start.ravel()[free], jac=slopes, method="trf", x_scale="jac")
        for start in starts
    ]
    best = min(fits, key=lambda found: found.cost)
    _check_fixed(readings, best.jac, free)
    cov = np.zeros((len(free), len(free)))
    normal = np.linalg.inv(best.jac.T @ best.jac)
    cov[np.ix_(free, free)] = normal
    xy = np.zeros(len(free))
    xy[free] = best.x
    hat = np.einsum("ij,jk,ik->i", best.jac, normal, best.jac)
    return _Fit(
        xy_mm=xy.reshape(-1, 2),
        cov_mm2=cov,
        residual_mm=-best.fun * readings.sd_mm,
        spare=np.clip(1.0 - hat, 0.0, 1.0),
        n_spare=len(readings.kind) - int(free.sum()),
        assumed_level=level_needed,
    )


def _predict(readings: Readings, xy_mm: FloatArray) -> FloatArray:
    """What the readings (m,) would be between points (n, 2)."""
    step = xy_mm[readings.pairs[:, 1]] - xy_mm[readings.pairs[:, 0]]
    kind = np.array(readings.kind)
    return np.select([np.isin(kind, _X_KINDS), np.isin(kind, _Y_KINDS)], [step[:, 0], step[:, 1]], np.hypot(*step.T))


def _slopes(readings: Readings, xy_mm: FloatArray) -> FloatArray:
    """Change (m, 2n) of what the readings would be with each coordinate."""
    start, end = readings.pairs.T
    step = xy_mm[end] - xy_mm[start]
    length = np.maximum(np.hypot(*step.T), 1e-9)
    kind, rows = np.array(readings.kind), np.arange(len(start))
    across = np.select([np.isin(kind, _X_KINDS), np.isin(kind, _Y_KINDS)], [1.0, 0.0], step[:, 0] / length)
    up = np.select([np.isin(kind, _X_KINDS), np.isin(kind, _Y_KINDS)], [0.0, 1.0], step[:, 1] / length)
    out = np.zeros((len(start), 2 * len(xy_mm)))
    for axis, value in ((0, across), (1, up)):
        out[rows, 2 * start + axis] -= value
        out[rows, 2 * end + axis] += value
    return out


def _starts(readings: Readings) -> list[FloatArray]:
    """First guesses (n, 2): points round a rectangle in their order, wide and tall, seen from either side."""
    n = len(readings.names)
    size = float(np.abs(readings.value_mm).max())
    angle = 2.0 * np.pi * np.arange(n) / n - 0.75 * np.pi
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    guesses = [ring * [wide * size, tall * size] for wide in (0.7, 0.35) for tall in (0.35, 0.7)]
    if any(kind in _Y_KINDS for kind in readings.kind):
        guesses += [guess * [1.0, -1.0] for guess in guesses[:2]]
    return [_with_offsets(readings, guess - guess[0]) for guess in guesses]


def _with_offsets(readings: Readings, xy_mm: FloatArray) -> FloatArray:
    """The guess with the coordinates that running measures and heights give directly."""
    out = np.array(xy_mm)
    for axis, kinds in ((0, _X_KINDS), (1, _Y_KINDS)):
        known = {0}
        for _ in readings.names:
            for (a, b), kind, value in zip(readings.pairs.tolist(), readings.kind, readings.value_mm, strict=True):
                if kind in kinds and (a in known) != (b in known):
                    old, new, sign = (a, b, 1.0) if a in known else (b, a, -1.0)
                    out[new, axis] = out[old, axis] + sign * value
                    known.add(new)
    return out


def _check_fixed(readings: Readings, jacobian: FloatArray, free: np.ndarray) -> None:
    columns = np.linalg.norm(jacobian, axis=0)
    idle = columns == 0
    stiffness = np.linalg.svd(jacobian / np.where(idle, 1.0, columns), compute_uv=True)
    values, modes = stiffness[1], stiffness[2]
    short = len(readings.kind) < int(free.sum())
    if not short and not idle.any() and values.min() > MIN_STIFFNESS * values.max():
        return
    loosest = modes[-1] if not idle.any() else idle.astype(float)
    point = readings.names[int(np.flatnonzero(free)[int(np.argmax(np.abs(loosest)))]) // 2]
    raise EstimationError(
        f"The readings do not fix point {point}.",
        found=f"{len(readings.kind)} readings for {int(free.sum())} unknown coordinates",
        needed="a diagonal, a running measure or a height more that reaches it",
    )


def _doubtful(readings: Readings, fit: _Fit) -> list[int]:
    """Readings that contradict the others, the worst and those that cannot be told from it."""
    striking = fit.striking(readings.sd_mm)
    limit = float(scipy.special.ndtri(1.0 - SUSPECT_RATE / (2.0 * len(striking))))
    if striking.max(initial=0.0) <= limit:
        return []
    return [int(k) for k in np.flatnonzero(striking >= RIVAL_RATIO * striking.max())]


def _result(readings: Readings, first: _Fit, kept: Readings, fit: _Fit, again: list[str]) -> MeasuredPoints:
    worst = int(np.argmax(first.striking(readings.sd_mm)))
    misfit = float(np.sum((fit.residual_mm / kept.sd_mm) ** 2)) / max(fit.n_spare, 1)
    variance = np.diag(fit.cov_mm2) * max(1.0, misfit)
    left = [readings.words(k) for k in range(len(readings.kind)) if readings.words(k) not in kept.all_words()]
    closure = float(abs(first.closures_mm()[worst])) if first.n_spare else None
    bare = MeasuredPoints(
        names=kept.names,
        xy_mm=frozen_array(fit.xy_mm),
        sd_mm=frozen_array(np.sqrt(np.maximum(variance, 0.0)).reshape(-1, 2)),
        n_spare=first.n_spare,
        closure_mm=closure,
        worst=readings.words(worst) if first.n_spare else "",
        again=(*left, *again),
        left_out=tuple(left),
        notes=(),
    )
    return replace(bare, notes=tuple(_notes(bare, readings, first)))


def _notes(found: MeasuredPoints, readings: Readings, first: _Fit) -> list[str]:
    notes = []
    if found.closure_mm is None:
        notes.append("No reading checks another: a slip would not show. One more diagonal would close the figure.")
    else:
        notes.append(
            f"Closure error {found.closure_mm:.1f} mm: {found.worst} against what the other "
            f"{len(readings.kind) - 1} readings say of it ({first.n_spare} spare)."
        )
    left = found.left_out
    notes += [f"Measure again: {words}. It was left out, since the others agree without it." for words in left]
    again = [words for words in found.again if words not in left]
    if again:
        notes.append(f"Measure again: {' or '.join(again)}. They contradict each other; none was left out.")
    unchecked = [readings.words(int(k)) for k in np.flatnonzero(first.spare <= MIN_SPARE)] if first.n_spare else []
    if unchecked:
        notes.append(f"Unchecked by any other reading: {', '.join(unchecked)}.")
    if first.assumed_level:
        level = " to ".join(readings.names[:2])
        notes.append(f"No reading refers to level or plumb: {level} is taken as level.")
    return notes
