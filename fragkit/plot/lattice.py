"""Nets as figures: how far every motif stands from the net, and what the fragments say of the repeat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from fragkit.lattice import AxisSpacing, Lattice, LocalSpacing, Pooled, RowFit, repeat_of
from fragkit.units import Z95

FloatArray = NDArray[np.float64]

ARROW_SHARE = 0.45
"""Length of the longest arrow as a share of the shorter repeat."""

ASIDE = 0.08
"""How far the picture's marks stand beside those of the centres, in columns or rows."""


def residuals(lattice: Lattice | RowFit, *, name: str = "") -> Figure:
    """Every centre of a fragment with an enlarged arrow from its place on the net or row, and the arrows' scale.

    A drift that was taken out of the net is drawn first, in grey, from the net to where the drift puts the motif.
    """
    on_net = lattice.origin_mm + lattice.places_mm
    drift = lattice.xy_mm - lattice.residuals_mm - on_net
    longest_mm = max(float(np.linalg.norm(drift + lattice.residuals_mm, axis=1).max()), 1e-3)
    shorter_mm = np.hypot(*lattice.vectors_mm.T).min()
    enlarged = ARROW_SHARE * shorter_mm / longest_mm
    figure = Figure(figsize=(7.0, 2.8 if isinstance(lattice, RowFit) else 6.0), layout="constrained")
    axes = figure.add_subplot()
    _draw_lines(axes, lattice)
    places = on_net + enlarged * drift
    _draw_arrows(axes, places, enlarged * lattice.residuals_mm, color="black")
    if lattice.drift.distinguishable:
        _draw_arrows(axes, on_net, enlarged * drift, color="0.6")
        axes.text(0.0, -0.13, f"grey: {lattice.drift.text}", transform=axes.transAxes, fontsize=8)
    axes.plot(*places.T, linestyle="", marker="o", markersize=3.5, markerfacecolor="white", color="black")
    scale_mm = _round_length(longest_mm)
    corner = places.min(axis=0) - 0.6 * shorter_mm
    axes.plot([corner[0], corner[0] + enlarged * scale_mm], [corner[1]] * 2, color="black", linewidth=2.5)
    axes.text(corner[0], corner[1] + 0.06 * shorter_mm, f"{scale_mm:g} mm off its place", fontsize=8)
    axes.set(aspect="equal", xlabel="x, mm", ylabel="y, mm")
    title = f"{name}: " if name else ""
    where = "in a single row" if isinstance(lattice, RowFit) else f"on a {lattice.net_type} net"
    axes.set_title(
        f"{title}{lattice.n_centres} centres {where}, placing scatter {lattice.residual_sd_mm:.2f} mm",
        loc="left",
        fontsize=10,
    )
    return figure


def repeats(lattices: Sequence[Lattice], pooled: Pooled, *, names: Sequence[str] = ()) -> Figure:
    """Repeat across and down: each fragment, the mean, and what a new wall may have, with 95 % intervals."""
    labels = [*(names or [f"fragment {k + 1}" for k in range(len(lattices))]), "mean", "a new wall"]
    figure = Figure(figsize=(8.0, 1.4 + 0.32 * len(labels)), layout="constrained")
    fields = (
        ("across_mm", pooled.across_mm, pooled.interval_across_mm),
        ("down_mm", pooled.down_mm, pooled.interval_down_mm),
    )
    described = [repeat_of(lattice, like=pooled) for lattice in lattices]
    for which, (key, mean, interval) in enumerate(fields):
        axes = figure.add_subplot(1, 2, which + 1)
        rows = [(value[which], *(value[which] + Z95 * sd[which] * np.array([-1, 1]))) for value, sd in described]
        rows += [(mean, *interval), (mean, *pooled.interval_new_wall[key])]
        for height, (centre, low, high) in enumerate(reversed(rows)):
            axes.plot([low, high], [height] * 2, color="black", linewidth=1.2 if height > 1 else 2.4)
            axes.plot(centre, height, marker="o", color="black", markersize=4)
        axes.axvline(mean, color="0.6", linewidth=0.8, zorder=0)
        axes.set_yticks(range(len(rows)), reversed(labels) if which == 0 else [""] * len(rows))
        axes.set_xlabel("across, mm" if which == 0 else "down, mm")
    figure.suptitle("Repeat, with 95 % intervals", x=0.01, ha="left", fontsize=10)
    return figure


def _draw_arrows(axes: Axes, places: FloatArray, arrows: FloatArray, *, color: str) -> None:
    axes.quiver(*places.T, *arrows.T, angles="xy", scale_units="xy", scale=1.0, width=0.004, color=color)


def spacings(spacing: LocalSpacing, *, name: str = "") -> Figure:
    """Local spacing along the rows and from row to row, by the centres and by the picture, with 95 % intervals."""
    figure = Figure(figsize=(4.4 * len(spacing.axes), 3.2), layout="constrained")
    for number, axis in enumerate(spacing.axes):
        axes = figure.add_subplot(1, len(spacing.axes), number + 1)
        _draw_spacing(axes, axis)
        if number == 0:
            axes.legend(fontsize=8, frameon=False)
    title = f"{name}: " if name else ""
    figure.suptitle(
        f"{title}mean spacing of neighbours, window by window, with 95 % intervals", x=0.01, ha="left", fontsize=10
    )
    return figure


def _draw_spacing(axes: Axes, axis: AxisSpacing) -> None:
    views = [(axis.place - ASIDE, axis.spacing_mm, axis.sd_mm, "black", "centres")]
    if axis.picture_place is not None and axis.picture_spacing_mm is not None and axis.picture_sd_mm is not None:
        seen = (axis.picture_place + ASIDE, axis.picture_spacing_mm, axis.picture_sd_mm)
        views.append((*seen, "white", "picture itself"))
    for place, spacing_mm, sd_mm, fill, label in views:
        axes.vlines(place, spacing_mm - Z95 * sd_mm, spacing_mm + Z95 * sd_mm, color="black", linewidth=1.0)
        axes.plot(
            place,
            spacing_mm,
            marker="o",
            linestyle="",
            color="black",
            markerfacecolor=fill,
            markersize=4.5,
            label=label,
        )
    axes.axhline(float(np.mean(axis.spacing_mm)), color="0.6", linewidth=0.8, zorder=0)
    of, where = ("column", "along the rows") if axis.along == "rows" else ("row", "from row to row")
    axes.set(xlabel=f"middle of a window of {axis.window_motifs}, {of}", ylabel=f"{where}, mm")
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))


def _draw_lines(axes: Axes, lattice: Lattice | RowFit) -> None:
    """The lines of the net or row, without its drift, over a box a little larger than the fragment."""
    basis = lattice.repeat_mm if isinstance(lattice, RowFit) else lattice.vectors_mm
    margin = 0.8 * np.hypot(*basis.T).min()
    low, high = lattice.xy_mm.min(axis=0) - margin, lattice.xy_mm.max(axis=0) + margin
    corners = np.array([low, [low[0], high[1]], [high[0], low[1]], high])
    reach = (corners - lattice.origin_mm) @ np.linalg.inv(basis)
    for which in range(2):
        first, last = int(np.ceil(reach[:, which].min())), int(np.floor(reach[:, which].max()))
        for line in range(first, last + 1) if which == 0 or isinstance(lattice, Lattice) else (0,):
            start = lattice.origin_mm + line * basis[which]
            axes.axline(start, start + basis[1 - which], color="0.75", linewidth=0.7, zorder=0)
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))


def _round_length(longest_mm: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is no longer than this."""
    power = 10.0 ** np.floor(np.log10(longest_mm))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest_mm * (1 + 1e-9)))
