"""What the eye can see of a fit: stretch of intervals, and steps at joins at a viewing distance."""

from __future__ import annotations

import math

MAX_QUIET_STRETCH_RATIO = 0.02
"""An interval longer or shorter than the measured repeat by more than this can be seen: lengths are told apart
by eye to about 1 part in 50 (an older textbook)."""
MAX_QUIET_CHANGE_RATIO = 0.01
"""Neighbouring intervals that differ by more than this can be seen; half of the above, an assumption."""
KEEN_EYE_ARCSEC = 20.0
"""Separation of two close lines that a practised eye sees (published: below 20 seconds of arc); lines that meet end
to end are told apart at 3 to 5 seconds."""

_ROUNDING = 1e-9


def is_quiet(*, stretch_ratio: float, change_ratio: float) -> bool:
    """Whether a fit may claim to be invisible: no interval and no change between neighbours beyond the limits."""
    return stretch_ratio <= MAX_QUIET_STRETCH_RATIO + _ROUNDING and change_ratio <= MAX_QUIET_CHANGE_RATIO + _ROUNDING


def arcsec(step_mm: float, *, viewing_mm: float) -> float:
    """The angle in seconds of arc under which a step is seen."""
    return math.degrees(math.atan2(step_mm, viewing_mm)) * 3600.0


def arcsec_words(seconds: float) -> str:
    """An angle to two figures; below one second it is no more than that."""
    return "< 1" if seconds < 1.0 else f"{float(f'{seconds:.2g}'):g}"
