"""Small drawings for a result's card: in the colours of the page, so that they serve light and dark."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

WIDTH_PX, TALLEST_PX = 420, 360
ROW_PX, NAME_PX, BAR_PX, NUMBER_PX = 22, 205, 150, 110
CURVE_PX = (380, 210)
LEAST_TOLD = 0.001
_LETTERS = 'font-family="system-ui,sans-serif" font-size="12"'


def sketch(
    label: str,
    *,
    lines_mm: Iterable[FloatArray] = (),
    rings_mm: Iterable[FloatArray] = (),
    dots_mm: FloatArray | Sequence[Any] = (),
    circles_mm: FloatArray | Sequence[Any] = (),
) -> str:
    """SVG of lines, closed rings, dots and open circles given in mm, y up, drawn to one scale.

    Parameters
    ----------
    label : str
        What the drawing shows, for those who cannot see it.
    lines_mm, rings_mm : iterable of (m, 2) arrays
        Open lines; closed outlines, of which overlapping ones leave holes.
    dots_mm, circles_mm : (n, 2) arrays
        Filled and open marks of a size that does not grow with the drawing.

    Returns
    -------
    str
        Empty when there is nothing to draw.
    """
    lines, rings = [[np.asarray(one, float) for one in many] for many in (lines_mm, rings_mm)]
    dots, circles = (np.asarray(many, float).reshape(-1, 2) for many in (dots_mm, circles_mm))
    every = np.concatenate([*lines, *rings, dots, circles]) if lines or rings else np.concatenate([dots, circles])
    if not len(every):
        return ""
    low, span = every.min(axis=0), np.maximum(np.ptp(every, axis=0), 1e-6)
    scale = min((WIDTH_PX - 20) / span[0], (TALLEST_PX - 20) / span[1])
    width, height = span * scale + 20
    to = _Frame(low, scale, height)
    many = len(dots) + len(circles)
    size = 3.0 if many < 400 else 1.2 if many < 1500 else 0.5
    outlined = 'fill="none" stroke="currentColor" stroke-width="1"'
    parts = [f'<path {outlined} d="{"".join(to.path(one) for one in lines)}"/>'] if lines else []
    if rings:
        ring = "".join(to.path(one) + "Z" for one in rings)
        parts.append(
            f'<path fill="currentColor" fill-opacity="0.12" fill-rule="evenodd" stroke="currentColor" d="{ring}"/>'
        )
    parts += [f'<circle cx="{x}" cy="{y}" r="{size}" fill="currentColor"/>' for x, y in to.places(dots)]
    parts += [f'<circle cx="{x}" cy="{y}" r="{size}" {outlined}/>' for x, y in to.places(circles)]
    return _svg(label, width, height, "".join(parts))


class _Frame:
    """From mm, y up, to pixels of the drawing, y down."""

    def __init__(self, low_mm: FloatArray, scale: float, height_px: float) -> None:
        self._low, self._scale, self._height = low_mm, scale, height_px

    def places(self, xy_mm: FloatArray) -> list[tuple[float, float]]:
        px = (np.asarray(xy_mm, float) - self._low) * self._scale + 10
        return [(round(float(x), 1), round(float(self._height - y), 1)) for x, y in px]

    def path(self, xy_mm: FloatArray) -> str:
        return "M" + "L".join(f"{x} {y}" for x, y in self.places(xy_mm))


def side_by_side(outlines_mm: Iterable[FloatArray]) -> list[FloatArray]:
    """Shifts (2,) that put outlines (m, 2) next to each other, left to right, a twentieth of their width apart."""
    shifts, at_mm = [], 0.0
    for outline in outlines_mm:
        shifts.append(np.array([at_mm - outline[:, 0].min(), 0.0]))
        at_mm += 1.05 * float(np.ptp(outline[:, 0]))
    return shifts


def sketch_bars(
    label: str, sizes: Mapping[str, float], *, unit: str = "", written: Callable[[float], str] | None = None
) -> str:
    """SVG of one bar for each name, from zero, each with its number; empty when there are none.

    Parameters
    ----------
    sizes : mapping of str to float
        Not negative; `unit` stands behind the numbers, which are shown to two digits.
    written : callable, optional
        Makes the words behind a bar of its number, instead.
    """
    if not sizes:
        return ""
    most = max(*sizes.values(), 1e-12)
    parts = []
    for number, (name, size) in enumerate(sizes.items()):
        y, length = ROW_PX * number, BAR_PX * size / most
        words = f"{_two_digits(size)} {unit}".strip() if written is None else written(size)
        parts.append(
            f'<text x="{NAME_PX - 8}" y="{y + 15}" text-anchor="end">{escape(name)}</text>'
            f'<rect x="{NAME_PX}" y="{y + 4}" width="{length:.1f}" height="14" fill-opacity="0.45"/>'
            f'<text x="{NAME_PX + length + 6:.1f}" y="{y + 15}">{escape(words)}</text>'
        )
    body = f'<g fill="currentColor" {_LETTERS}>{"".join(parts)}</g>'
    return _svg(label, NAME_PX + BAR_PX + NUMBER_PX, ROW_PX * len(sizes) + 4, body)


def sketch_curve(label: str, x: ArrayLike, y: ArrayLike, *, x_name: str, y_name: str) -> str:
    """SVG of a curve through (n,) points, with the least and the greatest value at both axes."""
    across, up = np.asarray(x, float), np.asarray(y, float)
    low, high = np.array([across.min(), up.min()]), np.array([across.max(), up.max()])
    span = np.maximum(high - low, 1e-12)
    box = np.array([CURVE_PX[0] - 70.0, CURVE_PX[1] - 46.0])
    px = (np.column_stack([across, up]) - low) / span * box
    line = "L".join(f"{60 + a:.1f} {box[1] + 8 - b:.1f}" for a, b in px)
    foot, right = box[1] + 8, 60 + box[0]
    words = (
        (54, 16, "end", _two_digits(high[1])),
        (54, foot, "end", _two_digits(low[1])),
        (60, foot + 15, "start", _two_digits(low[0])),
        (right, foot + 15, "end", _two_digits(high[0])),
        (60 + box[0] / 2, foot + 32, "middle", f"{x_name} (across), {y_name} (up)"),
    )
    texts = "".join(f'<text x="{a:.0f}" y="{b:.0f}" text-anchor="{c}">{escape(d)}</text>' for a, b, c, d in words)
    body = (
        f'<g fill="none" stroke="currentColor"><path d="M60 8V{foot:.0f}H{right:.0f}" stroke-opacity="0.5"/>'
        f'<path d="M{line}" stroke-width="1.5"/></g><g fill="currentColor" {_LETTERS}>{texts}</g>'
    )
    return _svg(label, *CURVE_PX, body)


def sketch_swatches(label: str, colours: Mapping[str, tuple[int, int, int]]) -> str:
    """SVG of a patch of each colour (sRGB, 0 to 255), each with its name below; empty when there are none."""
    if not colours:
        return ""
    parts = [
        f'<rect x="{96 * k + 1}" y="1" width="86" height="48" fill="rgb({r},{g},{b})" stroke="currentColor"/>'
        f'<text x="{96 * k + 44}" y="66" text-anchor="middle">{escape(name)}</text>'
        for k, (name, (r, g, b)) in enumerate(colours.items())
    ]
    return _svg(label, 96 * len(colours), 74, f'<g {_LETTERS}><g fill="currentColor">{"".join(parts)}</g></g>')


def _two_digits(value: float) -> str:
    """Two digits at least; what is next to nothing in words."""
    if 0.0 < abs(value) < LEAST_TOLD:
        return f"under {LEAST_TOLD:g}"
    return f"{value:,.0f}" if abs(value) >= 10 else f"{value:.2g}"


def _svg(label: str, width: float, height: float, body: str) -> str:
    return (
        f'<svg role="img" aria-label="{escape(label)}" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" style="max-width:100%;height:auto;display:block;margin-top:.4em">'
        f"<title>{escape(label)}</title>{body}</svg>"
    )
