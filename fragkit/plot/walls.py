"""Walls as figures: the elevation as it will look, and a drawing of how certain each motif is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from numpy.typing import NDArray

from fragkit.colour import Colour, Colours
from fragkit.layout import POSITION_CLASSES, Outlines, WallLayout

FloatArray = NDArray[np.float64]
Rgb = tuple[float, float, float]

PLAIN_COLOURS: Mapping[str, Rgb] = MappingProxyType(
    {"ground": (0.90, 0.88, 0.82), "shadow": (0.66, 0.62, 0.55), "metal": (0.45, 0.36, 0.18)}
)
"""Stand-ins where no colour was measured; the title says so."""

BRIGHT_METALS: Mapping[str, Rgb] = MappingProxyType(
    {
        "gold": (0.93, 0.76, 0.38),
        "silver": (0.88, 0.88, 0.86),
        "aluminium": (0.82, 0.83, 0.84),
        "palladium": (0.78, 0.77, 0.75),
        "copper": (0.87, 0.56, 0.42),
        "imitation gold": (0.85, 0.70, 0.38),
    }
)
"""Stand-ins for new leaf seen without a reflection: metal has no colour of its own, it shows what it mirrors.
Common practice, no source."""
TARNISHED_METALS: Mapping[str, Rgb] = MappingProxyType(
    {
        "gold": (0.80, 0.64, 0.32),
        "silver": (0.26, 0.23, 0.20),
        "aluminium": (0.62, 0.63, 0.64),
        "palladium": (0.66, 0.65, 0.63),
        "copper": (0.42, 0.29, 0.22),
        "imitation gold": (0.42, 0.36, 0.22),
    }
)
"""Stand-ins for old leaf where the photographs gave no appearance of it. Common practice, no source."""

WIDTH_IN = 11.0

SIGNS: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "measured on the wall": {"marker": "s", "facecolors": "black", "edgecolors": "black"},
        "legible trace": {"marker": "s", "facecolors": "0.6", "edgecolors": "black"},
        "interpolated between evidence": {"marker": "o", "facecolors": "0.6", "edgecolors": "black"},
        "extrapolated": {"marker": "o", "facecolors": "white", "edgecolors": "black"},
        "by analogy": {"marker": ".", "facecolors": "0.35", "edgecolors": "0.35"},
        "chosen to fit": {"marker": "x", "facecolors": "black"},
    }
)
"""Signs of the classes of certainty: told apart by shape and tone, so they survive a black-and-white copy."""


def elevation(
    wall: WallLayout,
    forms: Mapping[str, Outlines],
    *,
    colours: Colours | None = None,
    metal: Rgb | None = None,
) -> Figure:
    """The wall as it will look: ground, shadow and metal, openings left open.

    Parameters
    ----------
    wall : WallLayout
    forms : mapping of str to outlines
        As in `Layout.forms`.
    colours : Colours, optional
        Measured colours; plain ones stand in for what is absent.
    metal : (r, g, b), optional
        sRGB in [0, 1] of the metal, to see it bright or tarnished; the measured appearance without it.
    """
    paint = {
        name: PLAIN_COLOURS[name] if colours is None else _rgb(getattr(colours, name), PLAIN_COLOURS[name])
        for name in PLAIN_COLOURS
    }
    paint["metal"] = metal or paint["metal"]
    figure, axes = _sheet(wall)
    axes.add_patch(Polygon(wall.wall.outline_mm, facecolor=paint["ground"], edgecolor="black", linewidth=0.8))
    _openings(axes, wall)
    for layer in ("shadow", "metal"):
        _stamp(axes, wall, forms, layer=layer, colour=paint[layer])
    measured = "plain colours" if colours is None else "measured colours; metal as it looked in the photographs"
    axes.set_title(f"Wall {wall.name}: {wall.n_motifs} motifs ({measured})", loc="left")
    return figure


def bright_and_tarnished(
    wall: WallLayout, forms: Mapping[str, Outlines], *, metal: str, colours: Colours | None = None
) -> tuple[Figure, Figure]:
    """Two elevations of a wall: with new leaf of a metal, and with the leaf as it looks when old.

    Parameters
    ----------
    metal : str
        One of `BRIGHT_METALS`.
    colours : Colours, optional
        Measured colours; old leaf then looks as in the photographs.

    Raises
    ------
    ValueError
        If the metal is not known.
    """
    if metal not in BRIGHT_METALS:
        raise ValueError(f"The metal {metal!r} has no stand-in; known are {', '.join(BRIGHT_METALS)}.")
    measured = colours.metal if colours is not None else None
    old = _rgb(measured, TARNISHED_METALS[metal])
    new = elevation(wall, forms, colours=colours, metal=BRIGHT_METALS[metal])
    tarnished = elevation(wall, forms, colours=colours, metal=old)
    source = "as it looked in the photographs" if measured is not None else "a stand-in, not measured"
    n = wall.n_motifs
    new.axes[0].set_title(f"Wall {wall.name}: {n} motifs, {metal} leaf when new (a stand-in)", loc="left")
    tarnished.axes[0].set_title(f"Wall {wall.name}: {n} motifs, {metal} leaf tarnished ({source})", loc="left")
    return new, tarnished


def certainty(wall: WallLayout, *, aspect: str = "position", regular_mm: Sequence[FloatArray] = ()) -> Figure:
    """Every motif's class of certainty, by signs that also read in black and white.

    Parameters
    ----------
    aspect : "position", "form" or "material"
    regular_mm : sequence of (m, 2) arrays
        Outlines of areas, in the frame of the wall, that are more regular than the old hand.
    """
    named = {"position": wall.position_class, "form": wall.form_class, "material": wall.material_class}
    if aspect not in named:
        raise ValueError(f"aspect is {aspect!r}; it must be one of {', '.join(named)}.")
    figure, axes = _sheet(wall)
    axes.add_patch(Polygon(wall.wall.outline_mm, facecolor="white", edgecolor="black", linewidth=0.8))
    _openings(axes, wall)
    classes, counts = np.array(named[aspect]), Counter(named[aspect])
    size = (72 * WIDTH_IN * 0.45 * min(wall.across_mm, wall.down_mm) / _span_mm(wall)[0]) ** 2
    for name in POSITION_CLASSES:
        if counts[name]:
            at = wall.xy_mm[classes == name]
            axes.scatter(at[:, 0], at[:, 1], s=size, linewidths=0.8, label=f"{name}: {counts[name]}", **SIGNS[name])
    if wall.dropped:
        at = np.array([place for _, _, place, _ in wall.dropped])
        axes.scatter(at[:, 0], at[:, 1], s=size, marker="+", c="black", label=f"left out: {len(at)}")
    for number, outline in enumerate(regular_mm):
        label = "" if number else f"more regular than the hand: {len(regular_mm)}"
        ring = Polygon(outline, fill=False, edgecolor="black", linewidth=1.4, linestyle="--", label=label)
        axes.add_patch(ring)
    what = {"position": "place", "form": "form", "material": "material"}[aspect]
    average = f"{wall.uncertainty[aspect]:.2f} (0 measured on the wall, 1 chosen to fit)"
    axes.set_title(f"Wall {wall.name}: how certain each motif's {what} is; average uncertainty {average}", loc="left")
    figure.legend(loc="outside lower center", ncols=3, frameon=False)
    return figure


def _sheet(wall: WallLayout) -> tuple[Figure, Axes]:
    width, height = _span_mm(wall)
    figure = Figure(figsize=(WIDTH_IN, WIDTH_IN * height / width + 1.6), layout="constrained")
    axes = figure.add_subplot()
    low, high = wall.wall.outline_mm.min(axis=0), wall.wall.outline_mm.max(axis=0)
    pad = 0.01 * width
    axes.set(xlim=(low[0] - pad, high[0] + pad), ylim=(low[1] - pad, high[1] + pad), aspect="equal")
    axes.set(xlabel="x from the datum, mm", ylabel="y from the datum, mm")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return figure, axes


def _span_mm(wall: WallLayout) -> tuple[float, float]:
    width, height = np.ptp(wall.wall.outline_mm, axis=0)
    return float(width), float(height)


def _openings(axes: Axes, wall: WallLayout) -> None:
    for opening in wall.wall.openings:
        axes.add_patch(Polygon(opening.outline_mm, facecolor="white", edgecolor="black", linewidth=0.8, hatch="//"))
        middle = 0.5 * (opening.outline_mm.min(axis=0) + opening.outline_mm.max(axis=0))
        axes.text(middle[0], middle[1], opening.name, ha="center", va="center", backgroundcolor="white")


def _stamp(axes: Axes, wall: WallLayout, forms: Mapping[str, Outlines], *, layer: str, colour: Rgb) -> None:
    """One collection for each form and size, so that thousands of motifs stay quick."""
    names, sizes = np.array(wall.form), np.round(wall.scale_ratio, 4)
    for name, size in sorted(set(zip(wall.form, sizes.tolist(), strict=True))):
        rings = forms[name].get(layer, ())
        if not rings:
            continue
        path = Path.make_compound_path(*(Path(size * np.vstack([ring, ring[:1]]), closed=True) for ring in rings))
        at = wall.xy_mm[(names == name) & (sizes == size)]
        stamps = _Stamps([path], offsets=at, offset_transform=axes.transData, facecolors=[colour], linewidths=0.0)
        axes.add_collection(stamps, autolim=False)


class _Stamps(PathCollection):
    """Paths in data units about their offsets; matplotlib's own would add the origin of the axes twice."""

    def draw(self, renderer: RendererBase) -> None:
        if self.axes is not None:
            matrix = self.axes.transData.get_affine().get_matrix().copy()
            matrix[:2, 2] = 0.0
            self.set_transform(Affine2D(matrix))
        super().draw(renderer)


def _rgb(colour: Colour | None, plain: Rgb) -> Rgb:
    if colour is None:
        return plain
    red, green, blue = (part / 255.0 for part in colour.srgb)
    return red, green, blue
