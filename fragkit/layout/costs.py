"""What a fit costs, in the user's own terms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.evidence import Pull
from fragkit.layout.fits import Fit, Span, line_ends
from fragkit.layout.visibility import MAX_QUIET_STRETCH_RATIO

FloatArray = NDArray[np.float64]

COST_WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "surviving motifs missed": 4.0,  # for each fragment, per (miss ÷ sd)² of its place and of its repeat;
        # beyond one sd of its place 25 times as much, since surviving motifs come before everything else
        "strain beyond the measured spread": 6.0,  # once, and again for each half-interval beyond
        "strain within the measured spread": 0.3,  # at the end of the interval
        "stretch in the chosen panels": 1.0,  # at 2 % a repeat
        "axis missed": 4.0,  # per half line between the axis and what should stand on it
        "axis not as asked": 3.0,  # a gap where a motif was asked for, or the other way round
        "unequal margins": 4.0,  # per repeat of difference
        "margins unlike half a repeat": 2.0,  # per repeat of difference
        "motifs eased at edges": 30.0,  # × share of the wall's motifs
        "motifs left out": 300.0,  # × share of the wall's motifs
        "motifs eased at eye level": 30.0,  # × share of the wall's motifs, where the eye level is stated
        "lines out of true": 6.0,  # per repeat by which rows leave the level, or columns the plumb line
        "lines out of line with a visible edge": 4.0,  # per repeat, the worst of the four edges
        "rows step at a corner": 60.0,  # per half repeat: one datum level runs round the room
        "columns step at a corner": 60.0,  # per half repeat, where the corner is to be carried on
    }
)
"""Weights of the cost: assumptions, changeable; each comment says what one unit is."""

FIRST_RIGHT = 25.0
"""How much more a miss counts beyond one standard deviation of the place of surviving motifs."""


def cost_weights(*changes: Mapping[str, float]) -> Mapping[str, float]:
    """The usual weights with some of them changed.

    Raises
    ------
    ValueError
        If a name is none of `COST_WEIGHTS`.
    """
    weights = dict(COST_WEIGHTS)
    for change in changes:
        unknown = sorted(set(change) - set(COST_WEIGHTS))
        if unknown:
            raise ValueError(f"{unknown[0]!r} is no part of the cost; its parts are {', '.join(COST_WEIGHTS)}.")
        weights |= change
    return weights


def direction_terms(span: Span, *, repeat_mm: Any, low_mm: Any, high_mm: Any) -> dict[str, Any]:
    """Strain and margins of fits, unweighted; numbers or arrays.

    Parameters
    ----------
    low_mm, high_mm : float or array
        Margins at either end.
    """
    low, high = span.bounds_mm
    beyond = np.maximum(np.maximum(low - repeat_mm, repeat_mm - high), 0.0) / span.half_width_mm
    inside = np.minimum(np.abs(repeat_mm - span.repeat_mm) / span.half_width_mm, 1.0)
    ideal = np.maximum(0.5 * repeat_mm / span.lines_per_repeat, span.reach_mm)
    return {
        "strain beyond the measured spread": np.where(beyond * span.half_width_mm > 1e-6, 1.0 + beyond, 0.0),
        "strain within the measured spread": inside**2,
        "unequal margins": np.abs(low_mm - high_mm) / repeat_mm,
        "margins unlike half a repeat": 0.5 * (np.abs(low_mm - ideal) + np.abs(high_mm - ideal)) / repeat_mm,
    }


def price_fit(fit: Fit, span: Span, weights: Mapping[str, float]) -> Fit:
    """The fit with the terms that hold for either direction: strain and margins."""
    terms = direction_terms(span, repeat_mm=fit.repeat_mm, low_mm=fit.low_margin_mm, high_mm=fit.high_margin_mm)
    if fit.knots is not None:
        terms["stretch in the chosen panels"] = (fit.stretch_ratio / MAX_QUIET_STRETCH_RATIO) ** 2
    return _with_terms(fit, terms, weights)


def price_many(span: Span, start_mm: FloatArray, repeat_mm: FloatArray, weights: Mapping[str, float]) -> FloatArray:
    """What strain and margins of fits (n,) cost; infinite where no line has room."""
    first, last = line_ends(span, start_mm, repeat_mm)
    line = repeat_mm / span.lines_per_repeat
    terms = direction_terms(
        span,
        repeat_mm=repeat_mm,
        low_mm=start_mm + first * line - span.low_mm,
        high_mm=span.high_mm - start_mm - last * line,
    )
    total = np.sum([weights[name] * value for name, value in terms.items()], axis=0)
    return np.where(last < first, np.inf, total)


def price_axis(fit: Fit, *, axis_mm: float, asked: str, weights: Mapping[str, float]) -> Fit:
    """The fit with the terms of the axis: how far the asked feature is from it, and whether it is asked.

    Notes
    -----
    In a half-drop a motif of one row and a gap of the next stand on the same line, so the asked feature is
    any line.
    """
    lines_per_repeat = round(fit.repeat_mm / fit.line_mm)
    phase = (axis_mm - fit.start_mm) / fit.line_mm - (0.5 if asked == "gap" and lines_per_repeat == 1 else 0.0)
    terms = {"axis missed": 2.0 * abs(phase - np.rint(phase))}
    if fit.anchor.kind in ("motif", "gap"):
        terms["axis not as asked"] = float(fit.anchor.kind != asked)
        if fit.anchor.kind != asked:
            terms["axis missed"] = 0.0 if _stands_on(fit, axis_mm) else terms["axis missed"]
    return _with_terms(fit, terms, weights)


def _stands_on(fit: Fit, axis_mm: float) -> bool:
    return abs(fit.anchor.at_mm - axis_mm) < 1e-6


def price_misses(fit: Fit, marks: Pull, weights: Mapping[str, float]) -> Fit:
    """The fit with the term of the surviving motifs: squared misses of places and repeats, each in its own sd."""
    place, repeat = marks.misses(fit.start_mm, fit.repeat_mm)
    beyond = np.sum(np.maximum(place**2 - 1.0, 0.0))
    missed = float(np.sum(place**2) + np.sum(repeat**2) + FIRST_RIGHT * beyond)
    return _with_terms(fit, {"surviving motifs missed": missed}, weights)


def weighted(terms: Mapping[str, float], weights: Mapping[str, float]) -> dict[str, float]:
    """Terms times their weights, names kept."""
    return {name: weights[name] * float(value) for name, value in terms.items()}


def _with_terms(fit: Fit, terms: Mapping[str, float], weights: Mapping[str, float]) -> Fit:
    return replace(fit, terms={**fit.terms, **weighted(terms, weights)})
