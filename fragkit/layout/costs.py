"""What a fit costs, in the user's own terms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.fits import Fit, Span

FloatArray = NDArray[np.float64]

COST_WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "surviving motifs missed": 4.0,  # for each fragment, per (miss ÷ sd)² of its place and of its repeat
        "strain beyond the measured spread": 6.0,  # once, and again for each half-interval beyond
        "strain within the measured spread": 0.3,  # at the end of the interval
        "axis missed": 4.0,  # per half line between the axis and what should stand on it
        "axis not as asked": 3.0,  # a gap where a motif was asked for, or the other way round
        "unequal margins": 4.0,  # per repeat of difference
        "margins unlike half a repeat": 2.0,  # per repeat of difference
        "motifs eased at edges": 30.0,  # × share of the wall's motifs
        "motifs left out": 300.0,  # × share of the wall's motifs
        "rows step at a corner": 10.0,  # per half repeat: one datum level runs round the room
        "columns step at a corner": 10.0,  # per half repeat, where the corner is to be carried on
    }
)
"""Weights of the cost: assumptions, changeable; each comment says what one unit is."""


def price_fit(fit: Fit, span: Span, weights: Mapping[str, float]) -> Fit:
    """The fit with the terms that hold for either direction: strain and margins."""
    low, high = span.bounds_mm
    beyond = max(low - fit.repeat_mm, fit.repeat_mm - high, 0.0) / span.half_width_mm
    within = min(abs(fit.repeat_mm - span.repeat_mm) / span.half_width_mm, 1.0)
    ideal = max(0.5 * fit.line_mm, span.reach_mm)
    off = abs(fit.low_margin_mm - ideal) + abs(fit.high_margin_mm - ideal)
    terms = {
        "strain beyond the measured spread": 0.0 if fit.within else 1.0 + beyond,
        "strain within the measured spread": within**2,
        "unequal margins": abs(fit.low_margin_mm - fit.high_margin_mm) / fit.repeat_mm,
        "margins unlike half a repeat": 0.5 * off / fit.repeat_mm,
    }
    return _with_terms(fit, terms, weights)


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


def price_misses(fit: Fit, *, missed_mm: FloatArray, sd_mm: FloatArray, weights: Mapping[str, float]) -> Fit:
    """The fit with the term of the surviving motifs: squared misses, each in its own sd."""
    return _with_terms(fit, {"surviving motifs missed": float(np.sum((missed_mm / sd_mm) ** 2))}, weights)


def weighted(terms: Mapping[str, float], weights: Mapping[str, float]) -> dict[str, float]:
    """Terms times their weights, names kept."""
    return {name: weights[name] * float(value) for name, value in terms.items()}


def _with_terms(fit: Fit, terms: Mapping[str, float], weights: Mapping[str, float]) -> Fit:
    return replace(fit, terms={**fit.terms, **weighted(terms, weights)})
