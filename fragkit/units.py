"""Units: exact conversion factors, and numbers written to what they are worth."""

from __future__ import annotations

import math
from collections.abc import Sequence

MM_PER_INCH = 25.4
"""Exact: NIST SP 811 (2008), appendix B."""

PT_PER_MM = 72.0 / MM_PER_INCH
"""PDF points per millimetre: ISO 32000-1:2008, 8.3.2.3 (default user space unit 1/72 inch)."""

Z95 = 1.959963984540054
"""Half-width of a 95 % interval in standard deviations of a normal distribution."""


def decimals_for(sd: float) -> int:
    """Decimals worth printing beside a standard deviation: two digits of it if they start with 1 or 2, else one.

    Notes
    -----
    Rounding an uncertainty to at most two significant digits follows JCGM 100:2008, 7.2.6.
    """
    if not (sd > 0 and math.isfinite(sd)):
        return 1
    exponent = math.floor(math.log10(sd))
    first_digit = sd / 10.0**exponent
    return max(0, -exponent + (1 if first_digit < 2.95 else 0))


def with_sd(value: float, sd: float, unit: str = "") -> str:
    """`value ± sd unit`, rounded to what the standard deviation allows."""
    digits = decimals_for(sd)
    return f"{value:.{digits}f} ± {sd:.{digits}f} {unit}".rstrip()


def interval(bounds: Sequence[float], unit: str = "") -> str:
    """`low to high unit`, rounded to a twentieth of the interval's width."""
    low, high = float(bounds[0]), float(bounds[1])
    if high == low:
        return f"{low:g} {unit}".rstrip()
    digits = decimals_for(max(high - low, 1e-12) / 4.0)
    return f"{low:.{digits}f} to {high:.{digits}f} {unit}".rstrip()


def in_percent(ratio: float, *, n_tried: float = 100) -> str:
    """A chance in whole percent, held back from 0 and 100 by what so many trials, or a hundred, can tell."""
    least = max(0.01, 1.0 / n_tried)
    if least <= ratio <= 1.0 - least:
        return f"{100 * ratio:.0f} %"
    return f"under {100 * least:.0f} %" if ratio < least else f"over {100 * (1.0 - least):.0f} %"


def in_fives(ratio: float) -> str:
    """A chance to five in a hundred, for shares that some eighty simulated sets cannot tell better."""
    return f"{5 * round(20.0 * ratio)} %"


def by_chance(p: float) -> str:
    """How often chance alone does as much, for a p-value above 0: `in 18 %`, or below a hundredth `once in 300`."""
    return f"in {100 * p:.0f} %" if p >= 0.01 else f"once in {float(f'{1.0 / p:.1g}'):,.0f}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """`1 leaf`, `3 leaves`: a number and its noun; without `many` an s is put to it."""
    return f"{n} {one if n == 1 else many or one + 's'}"
