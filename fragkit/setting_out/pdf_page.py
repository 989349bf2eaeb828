"""Pages of a PDF, drawn in millimetres; forms are kept once and stamped."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

from fragkit.layout import Outlines
from fragkit.setting_out.ink import BOLD, FONT, LAYER_GREYS, THIN_MM, Ink, Points, points_of, register_fonts
from fragkit.setting_out.paper import MAX_PAGE_MM, SMALL_MM
from fragkit.units import PT_PER_MM

FloatArray = NDArray[np.float64]
DOT_MM = 0.6


class Page(Ink):
    """A PDF in the making; the same drawing gives the same bytes."""

    def __init__(self, width_mm: float, height_mm: float, *, title: str) -> None:
        register_fonts()
        self._bytes = io.BytesIO()
        self._canvas = Canvas(self._bytes, invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._canvas.setCreator("fragkit")
        self.size(width_mm, height_mm)

    def size(self, width_mm: float, height_mm: float) -> None:
        """Set the size of the page that is being drawn."""
        if max(width_mm, height_mm) > MAX_PAGE_MM:
            longest = max(width_mm, height_mm)
            raise ValueError(f"A page of {longest:.0f} mm exceeds {MAX_PAGE_MM:.0f} mm; divide it.")
        self.width_mm, self.height_mm = width_mm, height_mm
        self._canvas.setPageSize((width_mm * PT_PER_MM, height_mm * PT_PER_MM))

    def next(self) -> None:
        """Go to a new page of the same size."""
        self._canvas.showPage()

    def finish(self) -> bytes:
        """The whole document."""
        self._canvas.showPage()
        self._canvas.save()
        return self._bytes.getvalue()

    def text(
        self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM, align: str = "left", bold: bool = False
    ) -> None:
        draw = {
            "left": self._canvas.drawString,
            "right": self._canvas.drawRightString,
            "middle": self._canvas.drawCentredString,
        }[align]
        self._canvas.setFont(BOLD if bold else FONT, points_of(cap_mm))
        draw(x_mm * PT_PER_MM, y_mm * PT_PER_MM, words)

    def upright_text(self, x_mm: float, y_mm: float, words: str, *, cap_mm: float = SMALL_MM) -> None:
        self._canvas.saveState()
        self._canvas.translate(x_mm * PT_PER_MM, y_mm * PT_PER_MM)
        self._canvas.rotate(90)
        self._canvas.setFont(FONT, points_of(cap_mm))
        self._canvas.drawRightString(0, 0, words)
        self._canvas.restoreState()

    def line(self, x0: float, y0: float, x1: float, y1: float, *, pen_mm: float = THIN_MM, grey: float = 0.0) -> None:
        self._pen(pen_mm, grey)
        self._canvas.line(*(v * PT_PER_MM for v in (x0, y0, x1, y1)))

    def polygon(self, points_mm: Points, *, pen_mm: float = THIN_MM, fill_grey: float | None = None) -> None:
        self._pen(pen_mm, 0.0)
        if fill_grey is not None:
            self._canvas.setFillGray(fill_grey)
        path = self._path([np.asarray(points_mm, float)])
        self._canvas.drawPath(path, stroke=int(pen_mm > 0), fill=int(fill_grey is not None))
        self._canvas.setFillGray(0)

    def define(self, name: str, outlines: Outlines) -> None:
        self._begin(name, [ring for rings in outlines.values() for ring in rings])
        for layer, grey in LAYER_GREYS:
            if len(outlines.get(layer, ())):
                self._canvas.setFillGray(grey)
                self._canvas.drawPath(self._path(outlines[layer]), stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
        self._canvas.endForm()

    def define_dots(self, name: str, dots: Sequence[FloatArray]) -> None:
        """Keep a pricked form: a small dot at each point."""
        self._begin(name, dots)
        for x, y in np.vstack(dots) * PT_PER_MM:
            self._canvas.circle(x, y, 0.5 * DOT_MM * PT_PER_MM, stroke=0, fill=1)
        self._canvas.endForm()

    def stamp(self, name: str, x_mm: float, y_mm: float, *, scale: float = 1.0, turn_deg: float = 0.0) -> None:
        along, up = scale * math.cos(math.radians(turn_deg)), scale * math.sin(math.radians(turn_deg))
        self._canvas.saveState()
        self._canvas.transform(along, up, -up, along, x_mm * PT_PER_MM, y_mm * PT_PER_MM)
        self._canvas.doForm(name)
        self._canvas.restoreState()

    @contextmanager
    def clipped(self, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> Iterator[None]:
        """What is drawn in this block shows within a rectangle only."""
        self._canvas.saveState()
        path = self._canvas.beginPath()
        path.rect(*(v * PT_PER_MM for v in (x_mm, y_mm, width_mm, height_mm)))
        self._canvas.clipPath(path, stroke=0, fill=0)
        yield
        self._canvas.restoreState()

    def _begin(self, name: str, rings: Sequence[FloatArray]) -> None:
        reach = (max(float(np.abs(ring).max()) for ring in rings) + 1.0) * PT_PER_MM
        self._canvas.beginForm(name, -reach, -reach, reach, reach)

    def _pen(self, pen_mm: float, grey: float) -> None:
        self._canvas.setLineWidth(pen_mm * PT_PER_MM)
        self._canvas.setStrokeGray(grey)

    def _path(self, rings: Sequence[FloatArray]):  # type: ignore[no-untyped-def]
        path = self._canvas.beginPath()
        for ring in rings:
            first, *rest = (np.asarray(ring, float) * PT_PER_MM).tolist()
            path.moveTo(*first)
            for point in rest:
                path.lineTo(*point)
            path.close()
        return path
