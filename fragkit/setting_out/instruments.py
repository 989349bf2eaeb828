"""What tapes and lasers can do: their limits, and how errors add up along a wall."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

TAPE_STEP_MM = 1.0
"""Running dimensions are rounded to this, each by itself, so that rounding never adds up."""

TAPE_LIMITS_MM: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
)
"""Limits ±(a + b·L) mm of tape classes, L in metres rounded up: Directive 2014/32/EU, annex X (MI-008)."""

LASER_LIMIT_MM_PER_M = 0.3
"""A cross-line laser's stated limit, from makers' data sheets; check it on two walls before use."""

READING_LIMIT_MM = 0.5
"""A mark made by hand against a tape: half a pencil line; common practice, no source."""

DISTANCE_METER_LIMIT_MM = 1.5
"""A hand-held laser distance meter's usual claim, from makers' data sheets (test method: ISO 16331-1:2017)."""

GRAVITY_M_PER_S2 = 9.81

STEEL_EXPANSION_PER_K = 11.5e-6
"""Steel tapes are right at 20 °C."""


@dataclass(frozen=True, kw_only=True)
class Instruments:
    """Tape and laser that a setting-out assumes.

    Attributes
    ----------
    tape_class : str
        "I", "II" or "III".
    laser_mm_per_m : float
        Limit of the laser's lines.
    stated : bool
        False when the study names no instruments and the usual ones are assumed.
    """

    tape_class: str = "II"
    laser_mm_per_m: float = LASER_LIMIT_MM_PER_M
    stated: bool = False

    @property
    def words(self) -> str:
        """The instruments in words."""
        a, b = TAPE_LIMITS_MM[self.tape_class]
        assumed = "" if self.stated else " (assumed: the study names none)"
        return (
            f"steel tape of class {self.tape_class}, limit ±({a} + {b} L) mm with L in metres rounded up; "
            f"cross-line laser, limit ±{self.laser_mm_per_m} mm per metre{assumed}"
        )


def read_instruments(names: Sequence[str]) -> Instruments:
    """Instruments from what a study calls them, such as "tape class II" or "laser 0.2 mm/m".

    Raises
    ------
    ValueError
        If a tape's class is not I, II or III.
    """
    tape, laser = "II", LASER_LIMIT_MM_PER_M
    for name in names:
        found = re.search(r"class\s+(\w+)", name, re.IGNORECASE)
        if found:
            tape = found.group(1).upper()
            if tape not in TAPE_LIMITS_MM:
                raise ValueError(f"{name!r} names tape class {tape}; the classes are I, II and III.")
        rate = re.search(r"(\d+(?:\.\d+)?)\s*mm\s*(?:/|per)\s*m", name, re.IGNORECASE)
        if rate and "laser" in name.lower():
            laser = float(rate.group(1))
    return Instruments(tape_class=tape, laser_mm_per_m=laser, stated=bool(names))


def tape_limit_mm(length_mm: float, *, tape_class: str = "II") -> float:
    """Limit of error of a tape reading.

    Parameters
    ----------
    length_mm : float
        Distance from the tape's zero; the sign does not matter.

    Notes
    -----
    a + b·L with L in metres, rounded up to the next whole metre. The limit holds for one reading from one
    zero; all readings of one tape share most of it.
    """
    if tape_class not in TAPE_LIMITS_MM:
        raise ValueError(f"The tape class is {tape_class!r}; it must be I, II or III.")
    a, b = TAPE_LIMITS_MM[tape_class]
    return a + b * math.ceil(round(abs(length_mm) / 1000.0, 9))


def tape_limits_mm(lengths_mm: FloatArray, *, tape_class: str = "II") -> FloatArray:
    """`tape_limit_mm` of every entry of an array."""
    whole_m = np.ceil(np.round(np.abs(np.asarray(lengths_mm, float)) / 1000.0, 9)).astype(int)
    table = [tape_limit_mm(1000.0 * metres, tape_class=tape_class) for metres in range(whole_m.max(initial=0) + 1)]
    return np.asarray(np.array(table)[whole_m])


def rounded(values_mm: FloatArray) -> FloatArray:
    """Values to the nearest tape step; halves go up."""
    return np.asarray(np.floor(np.round(np.asarray(values_mm, float) / TAPE_STEP_MM, 6) + 0.5) * TAPE_STEP_MM)


def chained_error_mm(n_steps: int, *, random_mm: float = 0.0, systematic_mm: float = 0.0) -> tuple[float, float]:
    """Error after `n_steps` stepped one from the next: the random part (one sd) and the systematic part.

    Notes
    -----
    Random steps add as √n, a wrong step adds as n.
    """
    return random_mm * math.sqrt(n_steps), systematic_mm * n_steps


def facing_walls_limit_mm(distance_m: float, *, laser_mm_per_m: float = LASER_LIMIT_MM_PER_M) -> float:
    """Largest distance between two marks of a good laser, made from near either of two facing walls."""
    return 2.0 * distance_m * laser_mm_per_m


def heat_error_mm(length_mm: float, *, over_20_deg_c: float) -> float:
    """How much too short a steel tape reads when it is warmer than 20 °C."""
    return length_mm * STEEL_EXPANSION_PER_K * over_20_deg_c


def plumb_bob_period_s(length_m: float) -> float:
    """Time of one full swing of a plumb bob: wait several before you mark.

    Notes
    -----
    2π√(L/g), for small swings.
    """
    return 2.0 * math.pi * math.sqrt(length_m / GRAVITY_M_PER_S2)
