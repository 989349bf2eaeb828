"""Nets and centres as figures: what was found on a picture, and which repeats compete."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fragkit.motifs import Centres
from fragkit.net import Net, Nets
from fragkit.opencv import cv2
from fragkit.rectify import Picture

MARKS: Mapping[str, tuple[str, str, int]] = {
    "seen": ("o", "motif found", 9),
    "partly seen": ("D", "found, partly lost", 8),
    "lost": ("x", "surface lost", 6),
    "not there": ("_", "surface there, no motif", 7),
}
"""Marker, words and size of each status; shape carries the meaning, not colour."""

LONGEST_SIDE_PX = 1400


def found(picture: Picture, centres: Centres, *, name: str = "") -> Figure:
    """A picture with a sign at every site: found, partly lost, lost, or never there."""
    figure = Figure(figsize=(8.0, 8.0 * _height_ratio(picture) + 0.9), layout="constrained")
    axes = figure.add_subplot()
    _show(axes, picture)
    status = np.array(centres.status)
    for key, (marker, words, size) in MARKS.items():
        xy = np.asarray(centres.xy_mm)[status == key]
        if not len(xy):
            continue
        style: dict[str, Any] = {"linestyle": "", "marker": marker, "markersize": size, "markerfacecolor": "none"}
        axes.plot(*xy.T, markeredgecolor="white", markeredgewidth=3.6, **style)
        axes.plot(*xy.T, markeredgecolor="black", markeredgewidth=1.4, label=f"{words} ({len(xy)})", **style)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.07), ncols=4, frameon=False, fontsize=9)
    axes.set(xlabel="x, mm", ylabel="y, mm")
    axes.set_title(f"{name}: what was found at each place of the net" if name else "", loc="left", fontsize=10)
    return figure


def candidates(picture: Picture, nets: Nets, *, most: int = 3) -> Figure:
    """The competing nets, best first, each drawn over the picture with its support."""
    shown = nets.candidates[:most]
    figure = Figure(figsize=(4.2 * len(shown), 4.2 * _height_ratio(picture) + 0.7), layout="constrained")
    for k, net in enumerate(shown):
        axes = figure.add_subplot(1, len(shown), k + 1)
        _show(axes, picture)
        _draw(axes, picture, net)
        axes.set_title(
            f"{k + 1}: {np.hypot(*net.a_mm):.1f} × {np.hypot(*net.b_mm):.1f} mm, support {net.support:.2f}", fontsize=9
        )
    return figure


def _height_ratio(picture: Picture) -> float:
    return picture.coverage.shape[0] / picture.coverage.shape[1]


def _frame(picture: Picture) -> tuple[float, float, float, float]:
    """Left, right, bottom and top edge of the picture in mm."""
    height, width = picture.coverage.shape
    half = picture.mm_per_px / 2.0
    left, top = picture.origin_mm + np.array([-half, half])
    return float(left), float(left + width * picture.mm_per_px), float(top - height * picture.mm_per_px), float(top)


def _show(axes: Axes, picture: Picture) -> None:
    pixels = picture.pixels if picture.pixels.dtype == np.uint8 else (picture.pixels // 257).astype(np.uint8)
    ratio = min(1.0, LONGEST_SIDE_PX / max(pixels.shape[:2]))
    size = (round(pixels.shape[1] * ratio), round(pixels.shape[0] * ratio))
    axes.imshow(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), extent=_frame(picture))


def _draw(axes: Axes, picture: Picture, net: Net) -> None:
    """The nodes of a net from the middle of the picture."""
    left, right, bottom, top = _frame(picture)
    middle = np.array([left + right, bottom + top]) / 2.0
    reach = int(np.ceil(np.hypot(right - left, top - bottom) / min(np.hypot(*net.a_mm), np.hypot(*net.b_mm))))
    i, j = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    nodes = middle + np.column_stack([i.ravel(), j.ravel()]) @ np.array([net.a_mm, net.b_mm])
    inside = (nodes > [left, bottom]).all(1) & (nodes < [right, top]).all(1)
    axes.plot(*nodes[inside].T, linestyle="", marker="+", color="white", markersize=9, markeredgewidth=3.0)
    axes.plot(*nodes[inside].T, linestyle="", marker="+", color="black", markersize=8, markeredgewidth=1.2)
