"""The motif and its edge forms as SVG in millimetres, for a plotter, a cutter or a drawing program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from fragkit.units import with_sd

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.motifs import Motif

Layers = Mapping[str, Sequence[NDArray[Any]]]

_FILLS = {"shadow": "#8d8577", "metal": "#c9a227"}
_EDGE_MM = 5.0
_LABEL_MM = 6.0


def motif_svg(motif: Motif) -> str:
    """The consensus motif at true size, shadow below metal, its centre marked."""
    layers = {layer: motif.outlines.get(layer, ()) for layer in _FILLS}
    title = f"Motif from {motif.n_examples} examples"
    words = (
        f"Metal {motif.metal_width_mm:.1f} × {motif.metal_height_mm:.1f} mm; outlines vary by "
        f"{spread_words(motif)} from copy to copy. The bands hold the true outlines with 95 %. Units are millimetres."
    )
    bands = {f"{layer} in doubt": [r for rings in motif.doubt_bands(layer) for r in rings] for layer in _FILLS}
    return _drawing([("", {**layers, **bands})], title=title, words=words)


def spread_words(motif: Motif) -> str:
    """How much the outline varies from copy to copy."""
    spread = motif.spread
    if spread is None:
        return "an amount that too few examples show"
    return f"{with_sd(spread.stray_mm, spread.stray_sd_mm, 'mm')} (rms)"


def stance_words(motif: Motif) -> str:
    """How much copies differ in turn and size."""
    return "too few examples show enough of themselves" if motif.stance is None else motif.stance.in_words()


def forms_svg(layout: Layout) -> str:
    """Every form that the layout uses, side by side at true size, named."""
    forms = [(name, layers) for name, layers in layout.forms.items()]
    words = "Forms of the motif as laid out, at full size. Units are millimetres."
    return _drawing(forms, title="Forms of the motif", words=words)


def path_data(outline_mm: NDArray[Any], *, at_mm: tuple[float, float] = (0.0, 0.0)) -> str:
    """SVG path of a closed outline (n, 2), y up, in a frame with y down."""
    points = np.asarray(outline_mm, float) * [1, -1] + at_mm
    return "M" + "L".join(f"{x:.3f},{y:.3f}" for x, y in points) + "Z"


def _drawing(forms: Sequence[tuple[str, Layers]], *, title: str, words: str) -> str:
    boxes = [_box(layers) for _, layers in forms]
    heights = [top - bottom for _, bottom, _, top in boxes]
    width = sum(right - left + _EDGE_MM for left, _, right, _ in boxes) + _EDGE_MM
    height = max(heights, default=0.0) + 2 * _EDGE_MM + _LABEL_MM
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{width:.3f}mm",
            "height": f"{height:.3f}mm",
            "viewBox": f"0 0 {width:.3f} {height:.3f}",
        },
    )
    ElementTree.SubElement(root, "title").text = title
    ElementTree.SubElement(root, "desc").text = words
    x = _EDGE_MM
    for (name, layers), (left, _, right, top) in zip(forms, boxes, strict=True):
        _form(root, name, layers, at_mm=(x - left, _EDGE_MM + top), label_y=height - 2.0)
        x += right - left + _EDGE_MM
    return ElementTree.tostring(root, encoding="unicode")


def _form(root: ElementTree.Element, name: str, layers: Layers, *, at_mm: tuple[float, float], label_y: float) -> None:
    group = ElementTree.SubElement(root, "g", {"data-form": name} if name else {})
    for layer, fill in _FILLS.items():
        data = "".join(path_data(outline, at_mm=at_mm) for outline in layers.get(layer, ()))
        if data:
            look = {"fill": fill, "fill-rule": "evenodd", "stroke": "#222", "stroke-width": "0.1"}
            ElementTree.SubElement(group, "path", {"data-layer": layer, "d": data, **look})
    for layer in _FILLS:
        data = "".join(path_data(outline, at_mm=at_mm) for outline in layers.get(f"{layer} in doubt", ()))
        if data:
            look = {"fill": "#b03030", "fill-opacity": "0.35", "fill-rule": "evenodd", "stroke": "none"}
            ElementTree.SubElement(group, "path", {"data-layer": f"{layer} in doubt", "d": data, **look})
    x, y = at_mm
    cross = f"M{x - 1.5:.3f},{y:.3f}H{x + 1.5:.3f}M{x:.3f},{y - 1.5:.3f}V{y + 1.5:.3f}"
    ElementTree.SubElement(group, "path", {"d": cross, "stroke": "#222", "stroke-width": "0.15", "fill": "none"})
    if name:
        look = {"font-size": "3", "font-family": "sans-serif", "text-anchor": "middle"}
        ElementTree.SubElement(group, "text", {"x": f"{x:.3f}", "y": f"{label_y:.3f}", **look}).text = name


def _box(layers: Layers) -> tuple[float, float, float, float]:
    outlines = [np.asarray(line, float) for lines in layers.values() for line in lines if len(line)]
    if not outlines:
        return (0.0, 0.0, 0.0, 0.0)
    points = np.vstack(outlines)
    (left, bottom), (right, top) = points.min(axis=0), points.max(axis=0)
    return float(left), float(bottom), float(right), float(top)
