"""Lengths in historic units beside millimetres: a remark, with the chance that a round one fits by accident."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from fragkit.units import MM_PER_INCH, decimals_for

LIGNE_MM = 1000.0 / 443.296
"""French line: the metre was fixed as 443.296 lignes by the law of 19 frimaire an VIII (10 December 1799)."""

UNITS_MM: Mapping[str, float] = MappingProxyType(
    {
        "inch": MM_PER_INCH,
        "pouce (France)": 12.0 * LIGNE_MM,
        "Zoll (Prussia)": 139.13 * LIGNE_MM / 12.0,
    }
)
"""Inch: exact by definition since 1959. Pouce: 12 lignes. Zoll: a twelfth of the Prussian foot of 139.13 lignes
(ordinance of 16 May 1816; from memory)."""

STEPS = (1.0, 0.5, 0.25)
"""Whole, half and quarter units are round."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RoundLength:
    """A round length in a historic unit inside an interval.

    Attributes
    ----------
    unit : str
    n_units, length_mm : float
        The round length in the unit and in mm.
    chance : float
        Chance that an interval of this width, laid anywhere, covers a length as round in at least one of the units
        tried.
    text : str
        The remark in words.
    """

    unit: str
    n_units: float
    length_mm: float
    chance: float
    text: str

    def __repr__(self) -> str:
        return f"<RoundLength {self.text}>"


def round_lengths(
    interval_mm: tuple[float, float], *, units_mm: Mapping[str, float] = UNITS_MM
) -> tuple[RoundLength, ...]:
    """The roundest length of each historic unit that an interval covers, roundest first.

    Parameters
    ----------
    interval_mm : (float, float)
        95 % interval of a length.
    units_mm : mapping of str to float
        Name and length of each unit; regions differ, add the one of the place.

    Notes
    -----
    An interval of width w covers a multiple of a step s with chance min(1, w/s); the units are taken as
    independent, so at least one of them fits with chance 1 − Π(1 − min(1, w/sₖ)). From a half on the remark is
    left out: it would say nothing.
    """
    low, high = (float(bound) for bound in interval_mm)
    if not 0.0 < low < high:
        raise ValueError(f"interval_mm is ({low:g}, {high:g}); it must rise and lie above 0")
    found: list[RoundLength] = []
    for step in STEPS:
        misses = [1.0 - min(1.0, (high - low) / (step * size)) for size in units_mm.values()]
        chance = 1.0 - float(np.prod(misses))
        for unit, size in units_mm.items():
            n_units = step * np.round(0.5 * (low + high) / (step * size))
            known = any(one.unit == unit for one in found)
            if chance < 0.5 and not known and n_units > 0 and low <= n_units * size <= high:
                found.append(_remark(unit, float(n_units), float(n_units * size), chance, high - low))
    return tuple(found)


def _remark(unit: str, n_units: float, length_mm: float, chance: float, width_mm: float) -> RoundLength:
    digits = decimals_for(width_mm / 4.0)
    text = (
        f"the interval covers {n_units:g} {unit} ({length_mm:.{digits}f} mm); one of the units tried would be as round "
        f"by accident in {100.0 * chance:.0f} of 100 cases"
    )
    return RoundLength(unit=unit, n_units=n_units, length_mm=length_mm, chance=chance, text=text)
