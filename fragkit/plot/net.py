"""Repeats and centres as figures: the self-similarity with competing nets, and every site on the picture."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from fragkit.motifs import Centres
from fragkit.net import Net, Nets
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]

MARKS: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "seen": ("o", "#1b7837", "seen"),
        "partly seen": ("D", "#b35806", "partly seen"),
        "lost": ("x", "#7f0000", "lost: surface gone"),
        "not there": ("+", "#2c4a8a", "not there: surface without motif"),
        "outside": (".", "#777777", "outside"),
    }
)
"""Marker, colour and words of each status: told apart without colour."""
_NODES = (("o", "black", 60.0), ("s", "#7f0000", 34.0), ("^", "#2c4a8a", 22.0))


def competing(nets: Nets, *, name: str = "", n_shown: int = 3) -> Figure:
    """Self-similarity over shifts in mm with the nodes of the best nets, and what speaks for each.

    Parameters
    ----------
    nets : Nets
    name : str
        Of the picture, for the title.
    n_shown : int
        Nets shown, at most three.
    """
    figure = Figure(figsize=(7.5, 6.8), layout="constrained")
    axes = figure.add_subplot()
    half_y, half_x = (0.5 * size * nets.lag_mm_per_px for size in nets.correlation.shape)
    low, high = np.percentile(nets.correlation, [2.0, 99.7])
    axes.imshow(
        nets.correlation, cmap="gray", vmin=low, vmax=high, extent=(-half_x, half_x, -half_y, half_y), origin="upper"
    )
    for net, (marker, colour, size) in zip(nets.candidates[: min(n_shown, 3)], _NODES, strict=False):
        x, y = _nodes_mm(net, half_x, half_y).T
        axes.scatter(x, y, s=size, marker=marker, facecolors="none", edgecolors=colour, label=_words(net))
    axes.set(xlabel="shift across, mm", ylabel="shift up, mm", xlim=(-half_x, half_x), ylim=(-half_y, half_y))
    state = "one net stands out" if nets.decided else "not decided: compare the nets"
    axes.set_title(f"{name + ': ' if name else ''}what repeats; {state}", loc="left", fontsize="medium")
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.1), frameon=False, fontsize="small")
    return figure


def centres_on_picture(picture: Picture, centres: Centres, *, name: str = "") -> Figure:
    """Every site on the picture with its status; a cross of two standard deviations where one can see it."""
    height, width = picture.pixels.shape[:2]
    figure = Figure(figsize=(8.5, 1.2 + 8.0 * height / width), layout="constrained")
    axes = figure.add_subplot()
    step = max(1, max(height, width) // 1200)
    pixels = picture.pixels[::step, ::step]
    shown = (pixels / 257).astype(np.uint8) if pixels.dtype == np.uint16 else pixels
    left, top = picture.to_mm(np.array([[-0.5, -0.5]]))[0]
    right, bottom = picture.to_mm(np.array([[width - 0.5, height - 0.5]]))[0]
    axes.imshow(shown, extent=(left, right, bottom, top), origin="upper")
    for status, (marker, colour, words) in MARKS.items():
        _mark(axes, centres, status, marker=marker, colour=colour, words=words)
    axes.set(xlabel="x, mm", ylabel="y, mm", xlim=(left, right), ylim=(bottom, top))
    found = int(centres.found.sum())
    axes.set_title(
        f"{name + ': ' if name else ''}{found} motifs found on {len(centres.status)} sites",
        loc="left",
        fontsize="medium",
    )
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.08), ncols=3, frameon=False, fontsize="small")
    return figure


def _mark(axes: Axes, centres: Centres, status: str, *, marker: str, colour: str, words: str) -> None:
    """The sites of one status, and arms of two sd where the motif was found."""
    rows = np.array([s == status for s in centres.status], bool)
    if not rows.any():
        return
    x, y = centres.xy_mm[rows].T
    label = f"{words} ({int(rows.sum())})"
    if marker in "x+.":
        axes.scatter(x, y, s=36, marker=marker, color=colour, label=label)
        return
    axes.scatter(x, y, s=44, marker=marker, facecolors="none", edgecolors=colour, linewidths=1.4, label=label)
    arms = 2.0 * np.sqrt(np.diagonal(centres.cov_mm2[rows], axis1=1, axis2=2))
    axes.errorbar(x, y, xerr=arms[:, 0], yerr=arms[:, 1], linestyle="", color=colour, linewidth=0.9)


def _nodes_mm(net: Net, half_x: float, half_y: float) -> FloatArray:
    reach = int(np.ceil((half_x + half_y) / min(np.hypot(*net.a_mm), np.hypot(*net.b_mm)))) + 1
    i, j = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    nodes = np.column_stack([i.ravel(), j.ravel()]) @ np.array([net.a_mm, net.b_mm])
    return nodes[(np.abs(nodes) < [half_x, half_y]).all(axis=1)]


def _words(net: Net) -> str:
    a, b = np.hypot(*net.a_mm), np.hypot(*net.b_mm)
    return (
        f"{a:.1f} × {b:.1f} mm, {net.net_type}; support {net.support:.2f}, "
        f"{100 * net.explained:.0f} % of the peaks explained"
    )
