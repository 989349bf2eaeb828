"""Pictures of a report: those of `plot`, and two small ones that only a report needs."""

from __future__ import annotations

import io
from html import escape
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image, ImageOps

from fragkit.record.html import Html, Part, figure, join, tag
from fragkit.works import Nesting, Step

_FIXED: Any = {"svg.hashsalt": "fragkit"}
_RASTER_DPI = 120
_MOST_MARKS, _MOST_PIXELS = 400, 100_000
"""A figure with more than this is carried as pixels: as lines it would weigh more and open slowly."""
_PALETTE = 128
"""Colours of a figure carried as PNG: drawings have few, and six such pictures then weigh as much as one."""


def embed(drawn: Figure, *, alt: str, caption: Part) -> Html:
    """A figure of `plot`: as lines; with thousands of marks as PNG; over a photograph as JPEG."""
    if _n_pixels(drawn) > _MOST_PIXELS:
        return figure(_pixels(drawn, "JPEG", quality=88, subsampling=0), kind="image/jpeg", alt=alt, caption=caption)
    if _n_marks(drawn) > _MOST_MARKS:
        return figure(_pixels(drawn, "PNG", compress_level=6), kind="image/png", alt=alt, caption=caption)
    stream = io.BytesIO()
    with mpl.rc_context(_FIXED):
        drawn.savefig(stream, format="svg", bbox_inches="tight", metadata={"Date": None})
    return figure(stream.getvalue(), kind="image/svg+xml", alt=alt, caption=caption)


def _n_pixels(drawn: Figure) -> int:
    """Pixels of the pictures in a figure."""
    return sum(image.get_size()[0] * image.get_size()[1] for axes in drawn.axes for image in axes.images)


def _n_marks(drawn: Figure) -> int:
    return sum(np.shape(marks.get_offsets())[0] for axes in drawn.axes for marks in axes.collections)


def _pixels(drawn: Figure, kind: str, **options: int) -> bytes:
    """The figure drawn once, its white margins cut to a few pixels."""
    canvas = FigureCanvasAgg(drawn)
    drawn.set_dpi(_RASTER_DPI)
    canvas.draw()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3])
    inked = image.crop(ImageOps.invert(image.convert("L")).getbbox())
    framed = ImageOps.expand(inked, border=8, fill="white")
    if kind == "PNG":
        framed = framed.quantize(_PALETTE, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    stream = io.BytesIO()
    framed.save(stream, kind, **options)
    return stream.getvalue()


def certainty_bar(counts: dict[str, int], kinds: dict[str, int]) -> Html:
    """One bar of the layout's motifs by class of certainty, and its legend in words.

    Parameters
    ----------
    counts, kinds : mapping of class to number, and to 0 (evidence), 1 (deduced) or 2 (chosen)
    """
    shown = {name: number for name, number in counts.items() if number}
    total = sum(shown.values())
    words = "; ".join(f"{number:,} {name}" for name, number in shown.items())
    pieces = [
        tag("span", class_=f"k{kinds[name]}", style=f"width:{100 * number / total:.3f}%")
        for name, number in shown.items()
    ]
    legend = [
        tag("li", Html(f'<i class="k{kinds[name]}" aria-hidden="true"></i>'), f"{number:,} {name}")
        for name, number in shown.items()
    ]
    label = f"Certainty of the places of {total:,} motifs: {words}"
    return join(tag("div", *pieces, class_="bar", role="img", aria_label=label), tag("ul", *legend, class_="legend"))


def staircase_drawing(steps: tuple[Step, ...], *, at: float, unit: str, label: str) -> Html:
    """Pieces per leaf against margin or scale, with a line where the study stands."""
    width, height, left, bottom = 560.0, 226.0, 14.0, 42.0
    low, high, most = 0.0, steps[-1].upto, steps[0].n_pieces

    def x(value: float) -> float:
        return left + (value - low) / (high - low) * (width - left - 12)

    def y(pieces: float) -> float:
        return height - bottom - pieces / most * (height - bottom - 22)

    parts, begin = [], low
    for step in steps:
        box = f'x="{x(begin):.1f}" y="{y(step.n_pieces):.1f}" width="{x(step.upto) - x(begin):.1f}"'
        tall = f'height="{height - bottom - y(step.n_pieces):.1f}"'
        parts.append(f'<rect {box} {tall} fill="var(--step)" stroke="currentColor" stroke-width=".7"/>')
        if x(step.upto) - x(begin) > 18:
            middle = (x(begin) + x(step.upto)) / 2
            parts.append(_text(middle, y(step.n_pieces) - 5, f"{step.n_pieces}", anchor="middle"))
        begin = step.upto
    line = f'd="M{x(at):.1f},8V{height - bottom:.1f}" stroke="var(--warn)"'
    parts.append(f'<path {line} stroke-width="2" stroke-dasharray="5 3"/>')
    parts += [_text(x(value), height - 26, f"{value:g}", anchor="middle") for value in _ticks(high)]
    parts.append(_text(width - 12, height - 6, f"{label}, {unit}", anchor="end"))
    return _svg(width, height, parts)


def leaf_drawing(nesting: Nesting) -> Html:
    """One leaf with its cuts."""
    scale = 220.0 / max(nesting.leaf_mm)
    width, height = nesting.leaf_mm[0] * scale, nesting.leaf_mm[1] * scale
    parts = [f'<rect x="1" y="1" width="{width:.1f}" height="{height:.1f}" fill="none" stroke="currentColor"/>']
    for left, bottom, across, up in nesting.places_mm * scale:
        place = f'x="{1 + left:.1f}" y="{1 + height - bottom - up:.1f}" width="{across:.1f}" height="{up:.1f}"'
        parts.append(f'<rect {place} fill="var(--step)" stroke="currentColor" stroke-width=".8"/>')
    return _svg(width + 2, height + 2, parts)


def _svg(width: float, height: float, parts: list[str]) -> Html:
    head = f'<svg class="plain" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" aria-hidden="true">'
    return Html(head + "".join(parts) + "</svg>")


def _text(x: float, y: float, text: str, *, anchor: str) -> str:
    look = 'font-size="12" fill="currentColor" font-family="inherit"'
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {look}>{escape(text)}</text>'


def _ticks(high: float) -> list[float]:
    step = next(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if high / step <= 10)
    return [k * step for k in range(int(high / step + 1e-9) + 1)]
