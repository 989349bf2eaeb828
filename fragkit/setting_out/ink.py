"""Drawing on PDF pages in millimetres: text, outlines, crosses, the check bar and the footer."""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

from fragkit.layout import Outlines, WallLayout
from fragkit.setting_out.paper import MAX_PAGE_MM, SMALL_MM
from fragkit.units import PT_PER_MM

FloatArray = NDArray[np.float64]

FONT, BOLD = "FragkitSans", "FragkitSans-Bold"
FONT_FILES = {FONT: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
CAPITALS_PER_EM = 0.729
"""Height of capitals of DejaVu Sans, in ems (its OS/2 table: 1493 of 2048)."""

METAL_GREY, SHADOW_GREY, LINE_GREY = 0.25, 0.72, 0.55
HAIRLINE_MM, THIN_MM, THICK_MM = 0.13, 0.25, 0.5
CROSS_ARM_MM = 5.0
BAR_MM = 100.0

CAUTIONS = (
    "Cautions, for information only: local codes and licensed practice come first. Work at height "
    "from a scaffold that has been inspected. "
    "Old paint and old size may hold lead, greens arsenic: test before sanding or scraping, keep "
    "dust down. Make no mark on historic paint "
    "without the conservator's agreement."
)


class Page:
    """A PDF in the making whose coordinates are millimetres from the lower left corner of the page."""

    def __init__(self, width_mm: float, height_mm: float, *, title: str) -> None:
        _register_fonts()
        self._bytes = io.BytesIO()
        self.canvas = Canvas(self._bytes, invariant=1, pageCompression=1)
        self.canvas.setTitle(title)
        self.canvas.setCreator("fragkit")
        self.size(width_mm, height_mm)

    def size(self, width_mm: float, height_mm: float) -> None:
        """Set the size of the page that is being drawn."""
        if max(width_mm, height_mm) > MAX_PAGE_MM:
            longest = max(width_mm, height_mm)
            raise ValueError(f"A page of {longest:.0f} mm exceeds {MAX_PAGE_MM:.0f} mm; divide it.")
        self.width_mm, self.height_mm = width_mm, height_mm
        self.canvas.setPageSize((width_mm * PT_PER_MM, height_mm * PT_PER_MM))

    def next(self) -> None:
        """Go to a new page of the same size."""
        self.canvas.showPage()

    def finish(self) -> bytes:
        """The whole document."""
        self.canvas.showPage()
        self.canvas.save()
        return self._bytes.getvalue()

    def text(
        self,
        x_mm: float,
        y_mm: float,
        words: str,
        *,
        cap_mm: float = SMALL_MM,
        align: str = "left",
        bold: bool = False,
    ) -> None:
        """Text with its base line at y; `cap_mm` is the height of its capitals."""
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "middle": self.canvas.drawCentredString,
        }[align]
        self.canvas.setFont(BOLD if bold else FONT, _points(cap_mm))
        draw(x_mm * PT_PER_MM, y_mm * PT_PER_MM, words)

    def upright_text(self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM) -> None:
        """Text that runs upwards and ends at (x, y)."""
        self.canvas.saveState()
        self.canvas.translate(x_mm * PT_PER_MM, y_mm * PT_PER_MM)
        self.canvas.rotate(90)
        self.canvas.setFont(FONT, _points(cap_mm))
        self.canvas.drawRightString(0, 0, words)
        self.canvas.restoreState()

    def paragraph(
        self, x_mm: float, y_mm: float, words: str, *, width_mm: float, cap_mm: float = SMALL_MM
    ) -> float:
        """Text broken at `width_mm`, its first base line at y; returns the base line for what follows."""
        for line in simpleSplit(words, FONT, _points(cap_mm), width_mm * PT_PER_MM):
            self.text(x_mm, y_mm, line, cap_mm=cap_mm)
            y_mm -= 1.75 * cap_mm
        return y_mm

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        *,
        pen_mm: float = THIN_MM,
        grey: float = 0.0,
    ) -> None:
        """A straight line."""
        self.pen(pen_mm, grey=grey)
        self.canvas.line(*(v * PT_PER_MM for v in (x0, y0, x1, y1)))

    def pen(self, pen_mm: float, *, grey: float = 0.0) -> None:
        """Width and grey of the lines that follow."""
        self.canvas.setLineWidth(pen_mm * PT_PER_MM)
        self.canvas.setStrokeGray(grey)

    def polygon(self, points_mm: Sequence[Sequence[float]], *, fill_grey: float | None = None) -> None:
        """A closed outline in the present pen, filled if asked."""
        path = self.canvas.beginPath()
        first, *rest = [(float(x) * PT_PER_MM, float(y) * PT_PER_MM) for x, y in points_mm]
        path.moveTo(*first)
        for point in rest:
            path.lineTo(*point)
        path.close()
        if fill_grey is not None:
            self.canvas.setFillGray(fill_grey)
        self.canvas.drawPath(path, stroke=1, fill=int(fill_grey is not None))
        self.canvas.setFillGray(0)

    def define(self, name: str, outlines: Outlines) -> None:
        """Keep the outlines of a form, centred on the origin, for `stamp`."""
        points = [point for rings in outlines.values() for ring in rings for point in ring]
        reach = max(abs(float(v)) for point in points for v in point) + 1.0
        self.canvas.beginForm(name, *(sign * reach * PT_PER_MM for sign in (-1, -1, 1, 1)))
        for layer, grey in (("shadow", SHADOW_GREY), ("metal", METAL_GREY)):
            self.canvas.setFillGray(grey)
            self._fill(outlines.get(layer, ()))
        self.canvas.endForm()

    def _fill(self, rings: Sequence[FloatArray]) -> None:
        if not len(rings):
            return
        path = self.canvas.beginPath()
        for ring in rings:
            first, *rest = [(float(x) * PT_PER_MM, float(y) * PT_PER_MM) for x, y in ring]
            path.moveTo(*first)
            for point in rest:
                path.lineTo(*point)
            path.close()
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)

    def stamp(self, name: str, x_mm: float, y_mm: float, *, scale: float = 1.0) -> None:
        """Place a form that `define` has kept."""
        self.canvas.saveState()
        self.canvas.transform(scale, 0, 0, scale, x_mm * PT_PER_MM, y_mm * PT_PER_MM)
        self.canvas.doForm(name)
        self.canvas.restoreState()

    def cross(self, x_mm: float, y_mm: float, *, arm_mm: float = CROSS_ARM_MM) -> None:
        """A register cross."""
        self.line(x_mm - arm_mm, y_mm, x_mm + arm_mm, y_mm, pen_mm=HAIRLINE_MM)
        self.line(x_mm, y_mm - arm_mm, x_mm, y_mm + arm_mm, pen_mm=HAIRLINE_MM)

    def check_bar(self, x_mm: float, y_mm: float) -> None:
        """A bar of exactly 100 mm between the outer edges of its black fill, with its words above."""
        self.canvas.setFillGray(0)
        x, y, length, height = (v * PT_PER_MM for v in (x_mm, y_mm, BAR_MM, 2.0))
        self.canvas.rect(x, y, length, height, stroke=0, fill=1)
        self.text(x_mm, y_mm + 3.2, "100 mm: measure this bar. Print at 100 %, no fit to page.")

    def cautions(self, x_mm: float, y_mm: float, *, width_mm: float) -> None:
        """The cautions, from their first base line at y downwards."""
        self.paragraph(x_mm, y_mm, CAUTIONS, width_mm=width_mm)


def text_width_mm(words: str, *, cap_mm: float) -> float:
    """Width of a line of text."""
    _register_fonts()
    return float(pdfmetrics.stringWidth(words, FONT, _points(cap_mm))) / PT_PER_MM


def define_forms(page: Page, wall: WallLayout, forms: Mapping[str, Outlines]) -> dict[str, str]:
    """Keep every form that a wall uses; returns the name of each within the document."""
    used = {name: f"form{number}" for number, name in enumerate(sorted(set(wall.form)))}
    for name, inner in used.items():
        page.define(inner, forms[name])
    return used


def _points(cap_mm: float) -> float:
    return cap_mm / CAPITALS_PER_EM * PT_PER_MM


def _register_fonts() -> None:
    known = pdfmetrics.getRegisteredFontNames()
    for name, file in FONT_FILES.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(_font_folder() / file)))


def _font_folder() -> Path:
    """The fonts that matplotlib carries, found without importing it."""
    spec = importlib.util.find_spec("matplotlib")
    places = list(spec.submodule_search_locations or []) if spec else []
    return Path(places[0]) / "mpl-data" / "fonts" / "ttf"
