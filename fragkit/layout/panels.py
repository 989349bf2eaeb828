"""Stretch confined to chosen panels of a wall: intervals elsewhere keep the measured repeat exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.fits import Fit, Knots, Span, line_ends
from fragkit.layout.visibility import is_quiet

FloatArray = NDArray[np.float64]
Panels = Sequence[tuple[float, float]]

_FAR_LINES = 1000.0


def confine(fit: Fit, span: Span, panels_mm: Panels) -> Fit | None:
    """The fit with its lines set anew: the measured repeat outside the panels, all of the stretch inside.

    Parameters
    ----------
    fit : Fit
        Evenly spaced; its outermost lines and its anchor keep their places where panels on their side allow.
    panels_mm : sequence of (from, to)

    Returns
    -------
    Fit or None
        None when no panel holds an interval.

    Notes
    -----
    Of all ways to share out the stretch the smoothest is taken: the sum of squared changes between
    neighbouring intervals is least, the intervals outside the panels being unstretched. So the first and last
    interval of a panel are stretched least. On a side of the anchor without a panel the lines run out at the
    measured repeat.
    """
    line, number, at = _lines(fit, span)
    measured = span.repeat_mm / span.lines_per_repeat
    middle = 0.5 * (at[1:] + at[:-1])
    free = np.any([(middle > low) & (middle < high) for low, high in panels_mm], axis=0)
    if not free.any():
        return None
    share = np.clip((fit.anchor.at_mm - at[:-1]) / line, 0.0, 1.0)
    wanted = len(middle) * (line - measured) / measured
    left = float(share.sum()) * (line - measured) / measured
    strain = _smoothest(free, [(share, left), (1.0 - share, wanted - left)])
    places = np.concatenate([[0.0], np.cumsum(measured * (1.0 + strain))])
    anchored = float(share @ (measured * (1.0 + strain)))
    places += at[0] if share.sum() == 0 else fit.anchor.at_mm - anchored
    return _with_knots(fit, span, number=number, places_mm=places, strain=strain)


def _lines(fit: Fit, span: Span) -> tuple[float, FloatArray, FloatArray]:
    """Distance between lines, site numbers (k,) and places (k,) of the lines a whole motif can stand on."""
    first, last = line_ends(span, fit.start_mm, fit.repeat_mm)
    lines = np.arange(first, last + 1)
    return fit.line_mm, lines / span.lines_per_repeat, fit.start_mm + lines * fit.line_mm


def _smoothest(free: NDArray[np.bool_], sides: Sequence[tuple[FloatArray, float]]) -> FloatArray:
    """Strain (k,) of intervals, zero where not free, with the given weighted sums, of least squared changes."""
    at = np.flatnonzero(free)
    change = np.diff(np.eye(len(free) + 2)[:, 1:-1], axis=0)[:, at]
    kept = [(weights[at], total) for weights, total in sides if weights[at].sum() > 0]
    rows = np.array([weights for weights, _ in kept])
    n, m = len(at), len(rows)
    system = np.block([[change.T @ change, rows.T], [rows, np.zeros((m, m))]])
    target = np.concatenate([np.zeros(n), [total for _, total in kept]])
    strain = np.zeros(len(free))
    strain[at] = np.linalg.lstsq(system, target, rcond=None)[0][:n]
    return strain


def _with_knots(fit: Fit, span: Span, *, number: FloatArray, places_mm: FloatArray, strain: FloatArray) -> Fit:
    beyond = np.array([-_FAR_LINES, _FAR_LINES])
    ends = places_mm[[0, -1]] + beyond * span.repeat_mm
    numbers = np.concatenate([[number[0] - _FAR_LINES], number, [number[-1] + _FAR_LINES]])
    padded = np.concatenate([[0.0], strain, [0.0]])
    knots = Knots(
        number=numbers,
        at_mm=np.concatenate([ends[:1], places_mm, ends[1:]]),
        stretch_ratio=float(np.abs(strain).max()),
        change_ratio=float(np.abs(np.diff(padded)).max()),
    )
    bare = replace(fit, knots=knots, repeat_mm=span.repeat_mm, line_mm=span.repeat_mm / span.lines_per_repeat)
    return replace(
        bare,
        start_mm=float(bare.place_mm(np.array(0.0))),
        low_margin_mm=float(places_mm[0] - span.low_mm),
        high_margin_mm=float(span.high_mm - places_mm[-1]),
        within=True,
        terms={},
    )


def can_pass(fit: Fit, span: Span) -> bool:
    """Whether the stretched lines leave room at both ends and claim no more than the eye lets pass."""
    room = min(fit.low_margin_mm, fit.high_margin_mm) >= span.reach_mm - 1e-9
    return room and is_quiet(stretch_ratio=fit.stretch_ratio, change_ratio=fit.change_ratio)
