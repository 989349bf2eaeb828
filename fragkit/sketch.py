"""A small line drawing for a result's card: in the colours of the page, so that it serves light and dark."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIDTH_PX, TALLEST_PX = 420, 360


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
    size = 3.0 if len(dots) + len(circles) < 400 else 1.2
    outlined = 'fill="none" stroke="currentColor" stroke-width="1"'
    parts = [f'<path {outlined} d="{"".join(to.path(one) for one in lines)}"/>'] if lines else []
    if rings:
        ring = "".join(to.path(one) + "Z" for one in rings)
        parts.append(
            f'<path fill="currentColor" fill-opacity="0.12" fill-rule="evenodd" stroke="currentColor" d="{ring}"/>'
        )
    parts += [f'<circle cx="{x}" cy="{y}" r="{size}" fill="currentColor"/>' for x, y in to.places(dots)]
    parts += [f'<circle cx="{x}" cy="{y}" r="{size}" {outlined}/>' for x, y in to.places(circles)]
    return (
        f'<svg role="img" aria-label="{escape(label)}" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" style="max-width:100%;height:auto;display:block;margin-top:.4em">'
        f"<title>{escape(label)}</title>{''.join(parts)}</svg>"
    )


class _Frame:
    """From mm, y up, to pixels of the drawing, y down."""

    def __init__(self, low_mm: FloatArray, scale: float, height_px: float) -> None:
        self._low, self._scale, self._height = low_mm, scale, height_px

    def places(self, xy_mm: FloatArray) -> list[tuple[float, float]]:
        px = (np.asarray(xy_mm, float) - self._low) * self._scale + 10
        return [(round(float(x), 1), round(float(self._height - y), 1)) for x, y in px]

    def path(self, xy_mm: FloatArray) -> str:
        return "M" + "L".join(f"{x} {y}" for x, y in self.places(xy_mm))
