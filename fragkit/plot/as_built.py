"""New work against its layout as a figure: each motif's deviation, enlarged, told apart by its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.spatial import cKDTree

WIDTH_IN = 7.5
LONGEST_ARROW_RATIO = 0.9
"""Length of the longest arrow as a share of the spacing."""

SIGNS: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "within": {"marker": "o", "facecolors": "white", "edgecolors": "black"},
        "cannot be told": {"marker": "D", "facecolors": "0.7", "edgecolors": "black"},
        "outside": {"marker": "X", "facecolors": "#8a1f11", "edgecolors": "#8a1f11"},
    }
)
"""Signs of the verdicts: told apart by shape as well as colour."""


class Deviations(Protocol):
    """What is drawn: places and deviations (n, 2) in mm, the verdict of each, and the tolerance."""

    @property
    def wall(self) -> str: ...
    @property
    def xy_mm(self) -> NDArray[np.float64]: ...
    @property
    def deviation_mm(self) -> NDArray[np.float64]: ...
    @property
    def verdict(self) -> tuple[str, ...]: ...
    @property
    def tolerance_mm(self) -> float: ...


def deviations(one: Deviations) -> Figure:
    """A map of one wall: an enlarged arrow from each motif's place to where it is, the longest nearly a spacing."""
    spacing_mm = float(np.median(cKDTree(one.xy_mm).query(one.xy_mm, k=2)[0][:, 1]))
    longest = max(float(np.hypot(*one.deviation_mm.T).max()), 1e-6)
    enlarged = LONGEST_ARROW_RATIO * spacing_mm / longest
    width, height = np.maximum(np.ptp(one.xy_mm, axis=0), spacing_mm) + 2 * spacing_mm
    figure = Figure(
        figsize=(WIDTH_IN, float(np.clip(WIDTH_IN * height / width, 3.0, 12.0)) + 1.2), layout="constrained"
    )
    axes = figure.add_subplot()
    x, y = one.xy_mm.T
    axes.quiver(
        x, y, *(enlarged * one.deviation_mm).T, angles="xy", scale_units="xy", scale=1.0, width=0.002, color="black"
    )
    verdicts = np.array(one.verdict)
    for name, look in SIGNS.items():
        at = one.xy_mm[verdicts == name]
        if len(at):
            axes.scatter(at[:, 0], at[:, 1], s=34, linewidths=0.8, zorder=3, label=f"{name}: {len(at)}", **look)
    axes.set(aspect="equal", xlabel="x from the datum, mm", ylabel="y from the datum, mm")
    axes.margins(0.06)
    axes.set_title(
        f"Wall {one.wall} as built: arrows {enlarged:.0f} times enlarged, the longest {longest:.1f} mm; "
        f"tolerance {one.tolerance_mm:g} mm",
        loc="left",
        fontsize=10,
    )
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.1), ncols=3, frameon=False)
    return figure
