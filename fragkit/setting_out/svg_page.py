"""One page as SVG in millimetres, for a browser, a drawing program or a plotter."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np

from fragkit.layout import Outlines
from fragkit.setting_out.ink import CAPITALS_PER_EM, LAYER_GREYS, THIN_MM, Ink, Points
from fragkit.setting_out.paper import SMALL_MM

_ANCHORS = {"left": "start", "middle": "middle", "right": "end"}


class SvgPage(Ink):
    """An SVG in the making: one user unit is one millimetre, every form is defined once and used by reference."""

    def __init__(self, width_mm: float, height_mm: float, *, title: str) -> None:
        self.width_mm, self.height_mm = width_mm, height_mm
        look = {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{width_mm:g}mm",
            "height": f"{height_mm:g}mm",
            "viewBox": f"0 0 {width_mm:g} {height_mm:g}",
            "font-family": "DejaVu Sans, Verdana, sans-serif",
            "style": "white-space:pre",
        }
        self._root = ElementTree.Element("svg", look)
        ElementTree.SubElement(self._root, "title").text = title
        ground = {"width": f"{width_mm:g}", "height": f"{height_mm:g}", "fill": "#fff"}
        self._defs = ElementTree.SubElement(self._root, "defs")
        ElementTree.SubElement(self._root, "rect", ground)

    def finish(self) -> str:
        """The whole drawing."""
        return ElementTree.tostring(self._root, encoding="unicode")

    def text(
        self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM, align: str = "left", bold: bool = False
    ) -> None:
        look = {"x": _number(x_mm), "y": self._y(y_mm), "font-size": _number(cap_mm / CAPITALS_PER_EM)}
        look |= {"text-anchor": _ANCHORS[align]} if align != "left" else {}
        look |= {"font-weight": "bold"} if bold else {}
        ElementTree.SubElement(self._root, "text", look).text = words

    def upright_text(self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM) -> None:
        look = {
            "transform": f"translate({_number(x_mm)} {self._y(y_mm)}) rotate(-90)",
            "font-size": _number(cap_mm / CAPITALS_PER_EM),
            "text-anchor": "end",
        }
        ElementTree.SubElement(self._root, "text", look).text = words

    def line(self, x0: float, y0: float, x1: float, y1: float, *, pen_mm: float = THIN_MM, grey: float = 0.0) -> None:
        data = f"M{_number(x0)} {self._y(y0)}L{_number(x1)} {self._y(y1)}"
        look = {"d": data, "stroke": _colour(grey), "stroke-width": _number(pen_mm)}
        ElementTree.SubElement(self._root, "path", look)

    def polygon(self, points_mm: Points, *, pen_mm: float = THIN_MM, fill_grey: float | None = None) -> None:
        points = " ".join(f"{_number(x)},{self._y(y)}" for x, y in points_mm)
        look = {"points": points, "fill": "none" if fill_grey is None else _colour(fill_grey)}
        look |= {"stroke": "#000", "stroke-width": _number(pen_mm)} if pen_mm else {}
        ElementTree.SubElement(self._root, "polygon", look)

    def define(self, name: str, outlines: Outlines) -> None:
        group = ElementTree.SubElement(self._defs, "g", {"id": name})
        for layer, grey in LAYER_GREYS:
            rings = [np.asarray(ring, float) * [1.0, -1.0] for ring in outlines.get(layer, ())]
            data = "".join("M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in ring) + "Z" for ring in rings)
            if data:
                look = {"d": data, "fill": _colour(grey), "fill-rule": "evenodd", "data-layer": layer}
                ElementTree.SubElement(group, "path", look)

    def stamp(self, name: str, x_mm: float, y_mm: float, *, scale: float = 1.0, turn_deg: float = 0.0) -> None:
        turn = f" rotate({-turn_deg:.5g})" if turn_deg else ""
        place = f"translate({_number(x_mm)} {self._y(y_mm)}){turn} scale({scale:.5g})"
        ElementTree.SubElement(self._root, "use", {"href": f"#{name}", "transform": place})

    def _y(self, y_mm: float) -> str:
        return _number(self.height_mm - y_mm)


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _colour(grey: float) -> str:
    return "#" + 3 * f"{round(255 * grey):02x}"
