"""What every sheet is drawn with, in millimetres: pens, text sizes, outlines, crosses, the bar, the cautions."""

from __future__ import annotations

import importlib.util
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from fragkit.layout import Outlines, WallLayout
from fragkit.setting_out.paper import SMALL_MM
from fragkit.units import PT_PER_MM

FloatArray = NDArray[np.float64]
Points = Sequence[Sequence[float]] | FloatArray

FONT, BOLD = "FragkitSans", "FragkitSans-Bold"
FONT_FILES = {FONT: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}
CAPITALS_PER_EM = 0.729
"""Height of capitals of DejaVu Sans, in ems (its OS/2 table: 1493 of 2048)."""

METAL_GREY, SHADOW_GREY, LINE_GREY = 0.25, 0.72, 0.55
LAYER_GREYS = (("shadow", SHADOW_GREY), ("metal", METAL_GREY))
HAIRLINE_MM, THIN_MM, THICK_MM = 0.13, 0.25, 0.5
HALO_MM = 1.2
"""White under a register cross or a label, so that both are read where they lie on a motif."""
CROSS_ARM_MM = 5.0
BAR_MM, BAR_HEIGHT_MM = 100.0, 2.0
LEADING_RATIO = 1.75

CAUTIONS = (
    "Cautions, for information only: local codes and licensed practice come first. Work at height "
    "from a scaffold that has been inspected. "
    "Old paint and old size may hold lead, greens arsenic: test before sanding or scraping, keep "
    "dust down. Make no mark on historic paint "
    "without the conservator's agreement."
)


class Ink(ABC):
    """A page whose coordinates are millimetres from its lower left corner; a PDF or an SVG beneath.

    Attributes
    ----------
    width_mm, height_mm : float
    """

    width_mm: float
    height_mm: float

    @abstractmethod
    def text(
        self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM, align: str = "left", bold: bool = False
    ) -> None:
        """Text with its base line at y; `cap_mm` is the height of its capitals; `align` left, middle or right."""

    @abstractmethod
    def upright_text(self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM) -> None:
        """Text that runs upwards and ends at (x, y)."""

    @abstractmethod
    def line(self, x0: float, y0: float, x1: float, y1: float, *, pen_mm: float = THIN_MM, grey: float = 0.0) -> None:
        """A straight line."""

    @abstractmethod
    def polygon(self, points_mm: Points, *, pen_mm: float = THIN_MM, fill_grey: float | None = None) -> None:
        """A closed outline, filled if asked; without a pen (0) only the fill."""

    @abstractmethod
    def define(self, name: str, outlines: Outlines) -> None:
        """Keep the outlines of a form, centred on the origin, for `stamp`."""

    @abstractmethod
    def stamp(self, name: str, x_mm: float, y_mm: float, *, scale: float = 1.0, turn_deg: float = 0.0) -> None:
        """Place a form that `define` has kept; turns run anticlockwise."""

    def paragraph(self, x_mm: float, y_mm: float, words: str, *, width_mm: float, cap_mm: float = SMALL_MM) -> float:
        """Text broken at `width_mm`, its first base line at y; returns the base line for what follows."""
        for line in text_lines(words, width_mm=width_mm, cap_mm=cap_mm):
            self.text(x_mm, y_mm, line, cap_mm=cap_mm)
            y_mm -= LEADING_RATIO * cap_mm
        return y_mm

    def box(
        self, x_mm: float, y_mm: float, width_mm: float, height_mm: float, *, fill_grey: float | None = None
    ) -> None:
        """An upright rectangle, its lower left corner at (x, y)."""
        right, top = x_mm + width_mm, y_mm + height_mm
        self.polygon([(x_mm, y_mm), (right, y_mm), (right, top), (x_mm, top)], fill_grey=fill_grey)

    def label(self, x_mm: float, y_mm: float, words: str, *, align: str = "left", cap_mm: float = SMALL_MM) -> None:
        """Text on a white ground, for places where something dark may lie below."""
        width = text_width_mm(words, cap_mm=cap_mm)
        left = x_mm - width * {"left": 0.0, "middle": 0.5, "right": 1.0}[align]
        low, high = y_mm - 0.4 * cap_mm, y_mm + 1.3 * cap_mm
        ground = [(left - 0.6, low), (left + width + 0.6, low), (left + width + 0.6, high), (left - 0.6, high)]
        self.polygon(ground, pen_mm=0.0, fill_grey=1.0)
        self.text(x_mm, y_mm, words, cap_mm=cap_mm, align=align)

    def cross(self, x_mm: float, y_mm: float, *, arm_mm: float = CROSS_ARM_MM) -> None:
        """A register cross, black on white."""
        for pen, grey in ((HALO_MM, 1.0), (HAIRLINE_MM, 0.0)):
            self.line(x_mm - arm_mm, y_mm, x_mm + arm_mm, y_mm, pen_mm=pen, grey=grey)
            self.line(x_mm, y_mm - arm_mm, x_mm, y_mm + arm_mm, pen_mm=pen, grey=grey)

    def check_bar(self, x_mm: float, y_mm: float, *, cap_mm: float = SMALL_MM) -> None:
        """A bar of exactly 100 mm between the outer edges of its black fill, with its words above."""
        right, top = x_mm + BAR_MM, y_mm + BAR_HEIGHT_MM
        self.polygon([(x_mm, y_mm), (right, y_mm), (right, top), (x_mm, top)], pen_mm=0.0, fill_grey=0.0)
        words = "100 mm: measure this bar. Print at 100 %, no fit to page."
        self.text(x_mm, y_mm + BAR_HEIGHT_MM + 1.2, words, cap_mm=cap_mm)

    def cautions(self, x_mm: float, y_mm: float, *, width_mm: float, cap_mm: float = SMALL_MM) -> None:
        """The cautions, from their first base line at y downwards."""
        self.paragraph(x_mm, y_mm, CAUTIONS, width_mm=width_mm, cap_mm=cap_mm)


def text_width_mm(words: str, *, cap_mm: float) -> float:
    """Width of a line of text."""
    register_fonts()
    return float(pdfmetrics.stringWidth(words, FONT, points_of(cap_mm))) / PT_PER_MM


def text_lines(words: str, *, width_mm: float, cap_mm: float) -> list[str]:
    """Text broken into lines that fit a width."""
    register_fonts()
    return list(simpleSplit(words, FONT, points_of(cap_mm), width_mm * PT_PER_MM))


def define_forms(page: Ink, wall: WallLayout, forms: Mapping[str, Outlines]) -> dict[str, str]:
    """Keep every form that a wall uses; returns the name of each within the document."""
    used = {name: f"form{number}" for number, name in enumerate(sorted(set(wall.form)))}
    for name, inner in used.items():
        page.define(inner, forms[name])
    return used


def points_of(cap_mm: float) -> float:
    """Size of type in points from the height of its capitals."""
    return cap_mm / CAPITALS_PER_EM * PT_PER_MM


@cache
def register_fonts() -> None:
    """Make both fonts known to reportlab, once."""
    for name, file in FONT_FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(_font_folder() / file)))


def _font_folder() -> Path:
    """The fonts that matplotlib carries, found without importing it."""
    spec = importlib.util.find_spec("matplotlib")
    places = list(spec.submodule_search_locations or []) if spec else []
    return Path(places[0]) / "mpl-data" / "fonts" / "ttf"
