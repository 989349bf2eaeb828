"""The motif as figures: its consensus with outlines and a scale, its support, and the labels of a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray

from fragkit.motifs import Motif, compare_labels
from fragkit.rectify import Picture
from fragkit.units import with_sd

LINES: Mapping[str, tuple[str, str]] = MappingProxyType({"metal": ("black", "-"), "shadow": ("black", "--")})
"""Colour and dash of each outline: told apart without colour."""

BAND = (0.95, 0.62, 0.20, 0.65)
BAND_WORDS = "where the true outline lies (95 %)"

LABELS = (
    ("not read", "#ffffff"),
    ("ground", "#e6e1d3"),
    ("shadow", "#8d8577"),
    ("metal", "#c79a2b"),
    ("loss", "#a8433a"),
    ("later work", "#3c6e9f"),
)
"""Names and colours of the label codes 0 to 5; their lightness differs too."""


def consensus(motif: Motif) -> Figure:
    """The consensus in tones of its surfaces, outlines over it, in mm from the metal centroid."""
    figure = Figure(figsize=(6.5, 6.5), layout="constrained")
    axes = figure.add_subplot()
    grey = 0.92 * motif.ground + 0.70 * motif.shadow + 0.45 * motif.metal
    axes.imshow(grey, cmap="gray", vmin=0.0, vmax=1.0, extent=_extent_mm(motif))
    _outline(axes, motif)
    axes.set_title(
        f"Motif, {motif.width_mm:.1f} × {motif.height_mm:.1f} mm with its shadow\nmetal "
        f"{with_sd(motif.metal_area_mm2, motif.metal_area_sd_mm2, 'mm²')}; {motif.n_examples} examples",
        loc="left",
        fontsize="medium",
    )
    axes.legend(loc="upper left", bbox_to_anchor=(0.0, -0.1), ncols=3, frameon=False)
    return figure


def support(motif: Motif) -> Figure:
    """How many undamaged examples show each place of the motif."""
    figure = Figure(figsize=(6.5, 6.5), layout="constrained")
    axes = figure.add_subplot()
    shown = axes.imshow(motif.support, cmap="cividis", vmin=0.0, extent=_extent_mm(motif))
    figure.colorbar(shown, ax=axes, label="undamaged examples, weighted", shrink=0.8)
    _outline(axes, motif)
    axes.set_title(f"What the {motif.n_examples} examples still show", loc="left", fontsize="medium")
    return figure


def labels(picture: Picture, codes: NDArray[np.uint8]) -> Figure:
    """What each pixel of the picture was taken for, in mm on the plane.

    Parameters
    ----------
    codes : (h, w) uint8 array
        0 not read, 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work.
    """
    high, wide = codes.shape
    figure = Figure(figsize=(10.0, 10.0 * high / wide + 0.8), layout="constrained")
    axes = figure.add_subplot()
    left, top = picture.to_mm(np.array([[-0.5, -0.5]]))[0]
    right, bottom = picture.to_mm(np.array([[wide - 0.5, high - 0.5]]))[0]
    colours = ListedColormap([colour for _, colour in LABELS])
    norm = BoundaryNorm(np.arange(-0.5, 6.0), colours.N)
    axes.imshow(codes, cmap=colours, norm=norm, extent=(left, right, bottom, top), interpolation="nearest")
    axes.set(xlabel="x, mm", ylabel="y, mm")
    present = [n for n in np.unique(codes) if n < len(LABELS)]
    keys = [Patch(facecolor=LABELS[n][1], edgecolor="black", label=_share(codes, n)) for n in present]
    figure.legend(handles=keys, loc="outside lower center", ncols=6, frameon=False)
    return figure


def label_difference(picture: Picture, first: NDArray[np.uint8], second: NDArray[np.uint8]) -> Figure:
    """Two people's labels of one picture side by side, and where they differ, in mm on the plane."""
    found = compare_labels(first, second)
    high, wide = first.shape
    figure = Figure(figsize=(12.0, 4.0 * high / wide + 1.2), layout="constrained")
    left, top = picture.to_mm(np.array([[-0.5, -0.5]]))[0]
    right, bottom = picture.to_mm(np.array([[wide - 0.5, high - 0.5]]))[0]
    colours = ListedColormap([colour for _, colour in LABELS])
    norm = BoundaryNorm(np.arange(-0.5, 6.0), colours.N)
    where = np.where(found.different, second, 0)
    titles = ("first reading", "second reading", "second reading where they differ")
    for axes, codes, title in zip(figure.subplots(1, 3, sharey=True), (first, second, where), titles, strict=True):
        axes.imshow(codes, cmap=colours, norm=norm, extent=(left, right, bottom, top), interpolation="nearest")
        axes.set_title(title, loc="left", fontsize="medium")
        axes.set(xlabel="x, mm")
    figure.axes[0].set(ylabel="y, mm")
    figure.suptitle(f"Named alike: {100.0 * found.agreement_ratio:.1f} %; kappa {found.kappa:.2f}", fontsize="medium")
    keys = [Patch(facecolor=colour, edgecolor="black", label=name) for name, colour in LABELS]
    figure.legend(handles=keys, loc="outside lower center", ncols=6, frameon=False)
    return figure


def _share(codes: NDArray[np.uint8], code: int) -> str:
    return f"{LABELS[code][0]} {100.0 * np.mean(codes == code):.0f} %"


def _extent_mm(motif: Motif) -> tuple[float, float, float, float]:
    (high, wide), pitch = motif.metal.shape, motif.mm_per_px
    left, top = -(motif.origin_px[0] + 0.5) * pitch, (motif.origin_px[1] + 0.5) * pitch
    return left, left + wide * pitch, top - high * pitch, top


def _outline(axes: Axes, motif: Motif) -> None:
    bands = [rings for name in LINES for rings in motif.doubt_bands(name)]
    for number, rings in enumerate(bands):
        axes.add_patch(PathPatch(_path(rings), facecolor=BAND, edgecolor="none", label="" if number else BAND_WORDS))
    for name, (colour, dash) in LINES.items():
        if motif.outlines[name]:
            path = _path(motif.outlines[name])
            axes.add_patch(PathPatch(path, fill=False, edgecolor=colour, linestyle=dash, linewidth=0.6, label=name))
    axes.plot(0.0, 0.0, "+", color="black", markersize=9)
    axes.set(xlabel="x from the metal's centroid, mm", ylabel="y, mm", aspect="equal")


def _path(rings: Sequence[NDArray[np.float64]]) -> Path:
    return Path.make_compound_path(*(Path(np.vstack([ring, ring[:1]]), closed=True) for ring in rings))
