"""Ways to fit a repeat between two edges: every whole count near the evidence, for every useful phase."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_TINY = 1e-9


@dataclass(frozen=True, kw_only=True)
class Span:
    """What a repeat is to be fitted into, in one direction.

    Attributes
    ----------
    low_mm, high_mm : float
        The straightened edges.
    reach_mm : float
        Least distance of a motif's centre from an edge.
    repeat_mm : float
        The pooled repeat in this direction.
    bounds_mm : (float, float)
        Its interval for a new wall.
    lines_per_repeat : int
        Plumb lines per repeat: 2 for a half-drop; 1 for rows.
    """

    low_mm: float
    high_mm: float
    reach_mm: float
    repeat_mm: float
    bounds_mm: tuple[float, float]
    lines_per_repeat: int = 1

    @property
    def half_width_mm(self) -> float:
        """Half the width of the interval, and at least 0.1 % of the repeat."""
        return max(0.5 * (self.bounds_mm[1] - self.bounds_mm[0]), 1e-3 * self.repeat_mm)


@dataclass(frozen=True, kw_only=True)
class Anchor:
    """Where a phase comes from: site 0 lies at `at_mm + phase_ratio × repeat`, whatever the repeat.

    `kind` is "motif" or "gap" (on the axis), "surviving motifs", "corner" or "heads"; `words` says it to
    the user.
    """

    kind: str
    words: str
    at_mm: float
    phase_ratio: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Knots:
    """Lines that are not evenly spaced: site numbers and places in mm, both (k,) and rising, between them straight.

    `stretch_ratio` is the largest strain of an interval, `change_ratio` the largest change from one to the next.
    """

    number: FloatArray
    at_mm: FloatArray
    stretch_ratio: float
    change_ratio: float


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A repeat and a phase in one direction.

    Attributes
    ----------
    anchor : Anchor
    repeat_mm, start_mm : float
        Site 0 is at start; in row 0 when across.
    line_mm : float
        Distance between lines.
    n_lines : int
        Lines that a whole motif can stand on.
    low_margin_mm, high_margin_mm : float
        Outermost such line to the edge.
    within : bool
        The repeat is within its interval for a new wall.
    terms : mapping of str to float
        Cost in the user's terms, as far as this direction alone decides it.
    knots : Knots or None
        Where the lines stand when they are not evenly spaced.
    """

    anchor: Anchor
    repeat_mm: float
    start_mm: float
    line_mm: float
    n_lines: int
    low_margin_mm: float
    high_margin_mm: float
    within: bool
    terms: Mapping[str, float] = field(default_factory=dict)
    knots: Knots | None = None

    @property
    def cost(self) -> float:
        """Sum of the terms."""
        return sum(self.terms.values())

    @property
    def key(self) -> tuple[float, float]:
        """Repeat and phase, rounded: fits of one key lay the same lines."""
        return round(self.repeat_mm, 7), round(self.start_mm % self.repeat_mm, 6)

    @property
    def stretch_ratio(self) -> float:
        """Largest difference between an interval and the repeat of the fit, as a share of it."""
        return 0.0 if self.knots is None else self.knots.stretch_ratio

    @property
    def change_ratio(self) -> float:
        """Largest difference between neighbouring intervals."""
        return 0.0 if self.knots is None else self.knots.change_ratio

    def place_mm(self, number: Any) -> Any:
        """Where sites of these numbers stand: whole numbers are the sites of row 0."""
        if self.knots is not None:
            return np.asarray(np.interp(number, self.knots.number, self.knots.at_mm))
        return self.start_mm + number * self.repeat_mm

    def number_at(self, at_mm: Any) -> Any:
        """The number of the place `at_mm`; the inverse of `place_mm`."""
        if self.knots is not None:
            return np.asarray(np.interp(at_mm, self.knots.at_mm, self.knots.number))
        return (at_mm - self.start_mm) / self.repeat_mm


def repeats_to_edge(distance_mm: float, phase: float, span: Span) -> FloatArray:
    """Repeats with which lines end half a line before an edge: all in the interval, one beyond each end.

    Parameters
    ----------
    distance_mm : float
        From the anchor to the edge.
    phase : float
        From the anchor to the first line towards that edge, in lines, in [0, 1).

    Notes
    -----
    K + 1 lines from the anchor and a margin of half a line make p = D / (K + phase + ½). When half a line
    is less than the
    motif needs, the margin is what it needs: p = (D − reach) / (K + phase). `domain`: s = (W − 2m) / n.
    """
    n = span.lines_per_repeat
    low, high = (bound / n for bound in span.bounds_mm)
    first = max(0, int(np.floor(distance_mm / high - phase - 0.5 + _TINY)))
    last = max(0, int(np.ceil(distance_mm / low - phase - 0.5 - _TINY)))
    k = np.arange(first, last + 1)
    pitch = distance_mm / (k + phase + 0.5)
    tight = (pitch < 2 * span.reach_mm) & (k + phase > 0)
    pitch[tight] = (distance_mm - span.reach_mm) / (k + phase)[tight]
    return np.asarray(pitch[pitch > 0] * n, float)


def enumerate_fits(span: Span, anchors: Iterable[Anchor], *, extra_mm: Iterable[float] = ()) -> list[Fit]:
    """Every fit worth pricing, for each anchor: all counts to either edge, the pooled repeat, its bounds."""
    found: dict[tuple[float, float], Fit] = {}
    for anchor in anchors:
        phase = anchor.phase_ratio * span.lines_per_repeat % 1.0
        to_high = repeats_to_edge(span.high_mm - anchor.at_mm, phase, span)
        to_low = repeats_to_edge(anchor.at_mm - span.low_mm, -phase % 1.0, span)
        for repeat in (span.repeat_mm, *span.bounds_mm, *extra_mm, *to_high, *to_low):
            fit = make_fit(span, anchor, float(repeat))
            if fit is not None:
                found.setdefault(fit.key, fit)
    return list(found.values())


def line_ends(span: Span, start_mm: Any, repeat_mm: Any) -> tuple[Any, Any]:
    """First and last line on which a whole motif can stand; arrays where several fits are asked for."""
    line = repeat_mm / span.lines_per_repeat
    first = np.ceil((span.low_mm + span.reach_mm - start_mm) / line - _TINY)
    return first, np.floor((span.high_mm - span.reach_mm - start_mm) / line + _TINY)


def make_fit(span: Span, anchor: Anchor, repeat_mm: float) -> Fit | None:
    """The fit of one repeat to one anchor; None when no line has room."""
    line = repeat_mm / span.lines_per_repeat
    start = anchor.at_mm + anchor.phase_ratio * repeat_mm
    first, last = line_ends(span, start, repeat_mm)
    if last < first:
        return None
    low, high = span.bounds_mm
    return Fit(
        anchor=anchor,
        repeat_mm=repeat_mm,
        start_mm=start,
        line_mm=line,
        n_lines=int(last - first) + 1,
        low_margin_mm=float(start + first * line - span.low_mm),
        high_margin_mm=float(span.high_mm - start - last * line),
        within=bool(low - 1e-6 <= repeat_mm <= high + 1e-6),
    )
