"""The alternatives of a wall side by side, each with its numbers."""

from __future__ import annotations

import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from fragkit.layout import Alternative, Layout, WallLayout, alternative_sites

N_SHOWN = 4
WIDTH_IN = 11.0
_DRAWN = {"level": "true to level", "edges": "to the visible edges", "fan": "rows fan to the top edge"}


def side_by_side(layout: Layout, wall: str, *, n_shown: int = N_SHOWN) -> Figure:
    """The chosen layout of a wall beside the best others: whole motifs grey, those to be eased black.

    Parameters
    ----------
    layout : Layout
    wall : str
        Name of the wall.
    n_shown : int
        How many alternatives, the chosen one among them.
    """
    laid = next(one for one in layout.walls if one.name == wall)
    shown = _shown(layout, wall, n_shown)
    width, height = np.ptp(laid.wall.outline_mm, axis=0)
    n_across = min(2, len(shown))
    n_down = -(-len(shown) // n_across)
    tall = WIDTH_IN / n_across * float(height / width) + 1.5
    figure = Figure(figsize=(WIDTH_IN, n_down * tall), layout="constrained")
    panels = figure.subplots(n_down, n_across, squeeze=False).ravel()
    for axes, alternative in zip(panels, shown, strict=False):
        _draw(axes, layout, laid, alternative)
    for axes in panels[len(shown) :]:
        axes.set_axis_off()
    return figure


def _shown(layout: Layout, wall: str, n_shown: int) -> list[Alternative]:
    """The chosen alternative, then the best others that put motifs elsewhere."""
    own = [one for one in layout.alternatives if one.wall == wall]
    first = [one for one in own if one.chosen]
    different = {one.layout_key: one for one in reversed(own) if not one.chosen}
    others = [one for one in own if one is different.get(one.layout_key) and one.layout_key != first[0].layout_key]
    return [*first, *others][:n_shown]


def _draw(axes: Axes, layout: Layout, wall: WallLayout, alternative: Alternative) -> None:
    sites = alternative_sites(layout, alternative)
    axes.add_patch(Polygon(wall.wall.outline_mm, facecolor="white", edgecolor="black", linewidth=0.8))
    for opening in wall.wall.openings:
        axes.add_patch(Polygon(opening.outline_mm, facecolor="white", edgecolor="black", linewidth=0.8, hatch="//"))
    low, high = wall.wall.outline_mm.min(axis=0), wall.wall.outline_mm.max(axis=0)
    size = (72 * 0.15 * WIDTH_IN * min(wall.across_mm, wall.down_mm) / float(high[0] - low[0])) ** 2
    whole, eased = sites.xy_mm[sites.fits], sites.xy_mm[~sites.fits]
    axes.scatter(whole[:, 0], whole[:, 1], s=size, marker="o", facecolors="0.7", edgecolors="none")
    axes.scatter(eased[:, 0], eased[:, 1], s=1.6 * size, marker="x", c="black", linewidths=1.0)
    pad = 0.01 * float(high[0] - low[0])
    axes.set(
        xlim=(low[0] - pad, high[0] + pad), ylim=(low[1] - pad, high[1] + pad), aspect="equal", xticks=[], yticks=[]
    )
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_title(f"{alternative.name}{' (chosen)' if alternative.chosen else ''}", loc="left", fontweight="bold")
    axes.set_xlabel(_numbers(alternative), loc="left", fontsize=8)


def _numbers(alternative: Alternative) -> str:
    strain = " / ".join(f"{100 * part:+.1f} %" for part in alternative.strain_ratio)
    lines = [
        f"{alternative.across_mm:.1f} × {alternative.down_mm:.1f} mm ({strain}), {_DRAWN[alternative.follow]}",
        f"{alternative.n_motifs:,} sites; to be eased (×) {alternative.n_eased}, of them left out "
        f"{alternative.n_dropped}; cost {alternative.cost:.2f}",
        *textwrap.wrap(alternative.why, 88),
    ]
    return "\n".join(lines)
