"""Readings made on the wall, compared with what the sheets say."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.setting_out.instruments import READING_LIMIT_MM, TAPE_STEP_MM, tape_limits_mm
from fragkit.setting_out.marks import Mark, WallSetting
from fragkit.sketch import sketch_bars
from fragkit.survey import WallReadings

FloatArray = NDArray[np.float64]

WITHIN, UNSURE, OUTSIDE = "within", "cannot be told", "outside"
SHARED_SDS, SHARED_LEAST_MM, SHARED_LEAST_N = 3.0, 1.0, 4
"""A shared offset is spoken of from so many standard errors, millimetres and readings on."""
_SHARES = {0: ("x", "far right", "far left"), 1: ("y", "high", "low")}


@dataclass(frozen=True, eq=False, kw_only=True)
class CheckedReading:
    """One mark measured again.

    Attributes
    ----------
    id, session : str
    expected_mm, read_mm, off_mm, limit_mm : (2,) arrays
        x and y; off is read less expected, limit that of the sheet.
    verdict : str
        "within", "outside", or "cannot be told" when the excess is less than the check itself is worth.
    words : str
        What it looks like, when it is not within.
    """

    id: str
    session: str
    expected_mm: FloatArray
    read_mm: FloatArray
    off_mm: FloatArray
    limit_mm: FloatArray
    verdict: str
    words: str

    def __post_init__(self) -> None:
        for name in ("expected_mm", "read_mm", "off_mm", "limit_mm"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def __repr__(self) -> str:
        x, y = self.off_mm
        return f"CheckedReading({self.id!r}, {x:+.1f}, {y:+.1f} mm, {self.verdict})"


@dataclass(frozen=True, eq=False, kw_only=True)
class ReadingsCheck:
    """All readings of a wall against its sheets.

    Attributes
    ----------
    wall : str
    readings : tuple of CheckedReading
        In the order of the file.
    notes : tuple of str
        What many readings share: a datum or a line that has moved, a tape of the wrong length.
    """

    wall: str
    readings: tuple[CheckedReading, ...]
    notes: tuple[str, ...] = ()

    def n(self, verdict: str) -> int:
        """How many readings have a verdict."""
        return sum(one.verdict == verdict for one in self.readings)

    @property
    def words(self) -> str:
        """The result in words."""
        total = len(self.readings)
        return (
            f"Wall {self.wall}: {self.n(WITHIN)} of {total} marks within their limits, {self.n(OUTSIDE)} outside, "
            f"{self.n(UNSURE)} cannot be told with this check."
        )

    def __repr__(self) -> str:
        return f"ReadingsCheck({self.wall!r}, {self.n(WITHIN)} of {len(self.readings)} within)"

    def _repr_html_(self) -> str:
        odd = [one for one in self.readings if one.verdict != WITHIN]
        lines = [(one.id, f"{one.verdict}: {one.words}") for one in odd]
        verdicts = {verdict: float(self.n(verdict)) for verdict in (WITHIN, OUTSIDE, UNSURE)}
        drawn = sketch_bars("Readings by what the check says of them", verdicts)
        return card(f"Check of {self.wall}", [("Result", self.words), *lines], notes=self.notes, drawing=drawn)


def check_readings(setting: WallSetting, readings: WallReadings) -> ReadingsCheck:
    """Readings of a second person against the figures of the sheets and their limits.

    Parameters
    ----------
    setting : WallSetting
    readings : WallReadings
        As `fragkit.survey.read_wall_readings` gives them.

    Raises
    ------
    ValueError
        If a mark is not one of this wall.

    Notes
    -----
    A reading is "outside" only when it exceeds the limit by more than the check's own limit: that of the
    tape and the hand, added in squares, and the rounding of the expected figure. The rule is the guard band
    of JCGM 106:2012, 8.3. What many share is a straight line of off against length, by least squares.
    """
    marks = {mark.id: mark for mark in setting.rows}
    unknown = [name for name in readings.id if name not in marks]
    if unknown:
        raise ValueError(
            f"{readings.file}: {unknown[0]!r} is no mark of wall {setting.name}; write the names of its sheets."
        )
    chosen = [marks[name] for name in readings.id]
    worth = _check_limit(readings.xy_mm, tape_class=setting.instruments.tape_class)
    checked = tuple(
        _compare(mark, xy, own, session=session)
        for mark, xy, own, session in zip(chosen, readings.xy_mm, worth, readings.session, strict=True)
    )
    return ReadingsCheck(wall=setting.name, readings=checked, notes=(*_shared(checked), *_sessions(checked)))


def _check_limit(xy_mm: FloatArray, *, tape_class: str) -> FloatArray:
    tape = tape_limits_mm(xy_mm, tape_class=tape_class)
    return np.asarray(np.hypot(tape, READING_LIMIT_MM) + 0.5 * TAPE_STEP_MM)


def _compare(mark: Mark, read_mm: FloatArray, own_mm: FloatArray, *, session: str) -> CheckedReading:
    expected = np.array([mark.running_x_mm, mark.running_y_mm])
    limit = np.array([_limit(mark.limit_deviation_x_mm), _limit(mark.limit_deviation_y_mm)])
    excess = np.abs(read_mm - expected) - limit
    verdict = WITHIN if (excess <= 0).all() else OUTSIDE if (excess > own_mm).any() else UNSURE
    words = [
        f"{axis} reads {read:.0f}, {read - want:+.1f} mm from {want:.0f} {text}{_slip(want, read, own + bound)}"
        for axis, read, want, text, over, own, bound in zip(
            "xy",
            read_mm.tolist(),
            expected.tolist(),
            (mark.limit_deviation_x_mm, mark.limit_deviation_y_mm),
            excess.tolist(),
            own_mm.tolist(),
            limit.tolist(),
            strict=True,
        )
        if over > 0
    ]
    return CheckedReading(
        id=mark.id,
        session=session,
        expected_mm=expected,
        read_mm=read_mm,
        off_mm=read_mm - expected,
        limit_mm=limit,
        verdict=verdict,
        words="; ".join(words),
    )


def _limit(text: str) -> float:
    return float(text.removeprefix("±"))


def _slip(expected_mm: float, read_mm: float, near_mm: float) -> str:
    """What a large difference looks like: digits that changed places, or a whole mark of the tape."""
    if abs(read_mm - expected_mm) <= near_mm:
        return ""
    want, got = f"{expected_mm:.0f}", f"{read_mm:.0f}"
    if Counter(want) == Counter(got):
        return ", digits may have changed places"
    for whole in (1000.0, 100.0, 10.0):
        count = round((read_mm - expected_mm) / whole)
        if count and abs(read_mm - expected_mm - count * whole) <= min(near_mm, 0.3 * whole):
            return f", perhaps {abs(count) * whole:.0f} mm misread"
    return ""


def _shared(checked: tuple[CheckedReading, ...]) -> list[str]:
    """What the readings share along each axis: an offset, or a growth with length; slips are left out."""
    notes = []
    for axis, (name, plus, minus) in _SHARES.items():
        off, length = (np.array([getattr(one, field)[axis] for one in checked]) for field in ("off_mm", "expected_mm"))
        kept = np.abs(off - np.median(off)) <= 10.0 if len(off) else np.zeros(0, bool)
        if kept.sum() < SHARED_LEAST_N:
            continue
        growth, growth_sd = _slope(length[kept], off[kept])
        span_m = float(np.ptp(length[kept])) / 1000.0
        if abs(growth) > SHARED_SDS * growth_sd and abs(growth) * span_m > SHARED_LEAST_MM:
            notes.append(
                f"The {name} readings grow away from the sheet by {growth:+.2f} ± {growth_sd:.2f} mm a metre: one "
                "of the tapes is wrong in length, or a line leans."
            )
            continue
        mean, sd = float(off[kept].mean()), float(off[kept].std(ddof=1) / math.sqrt(kept.sum()))
        if abs(mean) > max(SHARED_SDS * sd, SHARED_LEAST_MM):
            notes.append(
                f"All {name} readings stand {abs(mean):.1f} ± {sd:.1f} mm too {plus if mean > 0 else minus}: the "
                "datum line has moved, or was taken elsewhere."
            )
    return notes


def _slope(length_mm: FloatArray, off_mm: FloatArray) -> tuple[float, float]:
    """Growth of the difference, mm a metre, and its standard error."""
    x = (length_mm - length_mm.mean()) / 1000.0
    spread = float(np.sum(x**2))
    if spread < 1e-9 or len(x) < SHARED_LEAST_N:
        return 0.0, math.inf
    slope = float(np.sum(x * off_mm) / spread)
    rest = off_mm - off_mm.mean() - slope * x
    return slope, math.sqrt(float(np.sum(rest**2)) / (len(x) - 2) / spread)


def _sessions(checked: tuple[CheckedReading, ...]) -> list[str]:
    """Sessions whose readings stand off from those before, on either axis."""
    notes = []
    names = list(dict.fromkeys(one.session for one in checked))
    groups = {name: np.array([one.off_mm for one in checked if one.session == name]) for name in names}
    for before, after in pairwise(names):
        first, second = groups[before], groups[after]
        if min(len(first), len(second)) < 2:
            continue
        step = second.mean(axis=0) - first.mean(axis=0)
        sd = np.sqrt(first.var(axis=0, ddof=1) / len(first) + second.var(axis=0, ddof=1) / len(second))
        for axis, (name, *_) in _SHARES.items():
            if abs(step[axis]) > max(SHARED_SDS * sd[axis], SHARED_LEAST_MM):
                notes.append(
                    f"Between session {before} and session {after} the {name} readings move by {step[axis]:+.1f} ± "
                    f"{sd[axis]:.1f} mm: measure the first and the last line again before going on."
                )
    return notes
