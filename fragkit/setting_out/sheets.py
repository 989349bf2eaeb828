"""Full-size sheets: a stretch of each wall, or all of it, tiled over pages that overlap."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.layout import Layout, Outlines, WallLayout
from fragkit.setting_out.ink import HAIRLINE_MM, LINE_GREY
from fragkit.setting_out.master import MARGIN_MM, OVERLAP_MM, draw_master, foot, keep_form, room_mm
from fragkit.setting_out.paper import SMALL_MM, paper_size_mm
from fragkit.setting_out.pdf_page import Page

if TYPE_CHECKING:
    from fragkit.motifs import Motif

FloatArray = NDArray[np.float64]
Area = tuple[float, float, float, float]

FOOT_MM = 34.0
N_SPACINGS = 3
LABEL_EDGE_MM = 4.0
"""Names of lines stay so far from the edge of what is shown."""


@dataclass(frozen=True, kw_only=True)
class Tile:
    """One page of a tiled area: its place in the grid, and the lower left corner of what it shows."""

    across: int
    down: int
    x_mm: float
    y_mm: float


def draw_sheets(
    layout: Layout, motif: Motif, *, paper: str = "A4", pricked_mm: float | None = None
) -> Mapping[str, bytes]:
    """Full-size sheets as PDFs.

    Parameters
    ----------
    layout : Layout
    motif : Motif
    paper : str
        ISO 216 size, A0 to A4, or a roll such as "roll 914".
    pricked_mm : float, optional
        Draw pricked cartoons instead of filled shapes, with holes so far apart (4.2 by hand, 1.7 by wheel).

    Returns
    -------
    mapping of str to bytes
        "motif": every form and size with the motifs that take it. "repeat-WALL": a stretch of three
        spacings about the middle of each wall, as it will stand there.

    Notes
    -----
    One unit on the sheet is one on the wall. Every page has a 100 mm bar and register crosses; the same
    input gives the same bytes.
    """
    sheets = {"motif": draw_master(layout, motif, paper=paper, pricked_mm=pricked_mm)}
    for wall in layout.walls:
        if wall.n_motifs:
            area = _middle(wall)
            sheets[f"repeat-{wall.name}"] = draw_tiles(
                wall, layout.forms, area_mm=area, paper=paper, pricked_mm=pricked_mm
            )
    return sheets


def draw_tiles(
    wall: WallLayout,
    forms: Mapping[str, Outlines],
    *,
    area_mm: Area | None = None,
    paper: str = "A4",
    pricked_mm: float | None = None,
) -> bytes:
    """A wall, or an area of it, at full size over pages that overlap by 10 mm.

    Parameters
    ----------
    wall : WallLayout
    forms : mapping of str to outlines
        As in `Layout.forms`.
    area_mm : (x0, y0, x1, y1), optional
        Wall frame; without it all motifs of the wall.
    paper : str
        ISO 216 size, used across, or a roll such as "roll 914": then the sheets are as long as the area, up
        to 5080 mm.
    pricked_mm : float, optional
        As in `draw_sheets`.

    Raises
    ------
    ValueError
        If the paper is unknown, the area is empty, or holes are too close.

    Notes
    -----
    Neighbouring sheets are laid cross on cross: their register crosses are the same points of the wall.
    The hand's scatter, turn and size, if any, are in the motifs and not in the lines.
    """
    area = _whole(wall, forms) if area_mm is None else area_mm
    if area[0] >= area[2] or area[1] >= area[3]:
        raise ValueError(f"The area {area} is empty; give (x0, y0, x1, y1) with x0 < x1 and y0 < y1.")
    size = _sheet_mm(paper, area)
    page = Page(*size, title=f"Wall {wall.name}, full size")
    inner = {form: f"form{number}" for number, form in enumerate(sorted(set(wall.form)))}
    for form, name in inner.items():
        keep_form(page, name, forms[form], pricked_mm=pricked_mm)
    draw = _Sheets(page, wall, inner, reach_mm=_reach(forms, inner), lines=_line_places(wall))
    tiles = tile_grid(area, size)
    for number, tile in enumerate(tiles):
        if number:
            page.next()
        lines = draw.tile(tile)
        sheet = f"sheet {number + 1} of {len(tiles)} ({tile.across + 1} across, {tile.down + 1} down)"
        foot(page, f"Wall {wall.name}, full size: {sheet}", lines)
    return page.finish()


def tile_grid(area_mm: Area, page_mm: tuple[float, float]) -> list[Tile]:
    """Tiles that cover an area with an overlap of 10 mm, in rows from the top left."""
    x0, y0, x1, y1 = area_mm
    width, height = room_mm(page_mm)
    n_across = max(1, int(np.ceil(round((x1 - x0 - OVERLAP_MM) / (width - OVERLAP_MM), 9))))
    n_down = max(1, int(np.ceil(round((y1 - y0 - OVERLAP_MM) / (height - OVERLAP_MM), 9))))
    return [
        Tile(
            across=across,
            down=down,
            x_mm=x0 + across * (width - OVERLAP_MM),
            y_mm=y1 - height - down * (height - OVERLAP_MM),
        )
        for down in range(n_down)
        for across in range(n_across)
    ]


def _sheet_mm(paper: str, area_mm: Area) -> tuple[float, float]:
    """Size of the sheets; those of a roll are no longer than the area, plus its margins."""
    width, height = paper_size_mm(paper, landscape=True)
    if not paper.startswith("roll"):
        return width, height
    return min(width, max(area_mm[2] - area_mm[0] + 2 * MARGIN_MM, 300.0)), height


def _middle(wall: WallLayout) -> Area:
    """Three spacings across and two rows, from a plain motif near the middle of the wall."""
    odd = (np.hypot(*wall.shift_mm.T) > 0.05) | (wall.scale_ratio != 1.0)
    middle = wall.wall.outline_mm.mean(axis=0) - [0.5 * N_SPACINGS * wall.across_mm, 0.0]
    off = np.hypot(*(wall.xy_mm - middle).T) + np.where(odd, 1e6, 0.0)
    x, y = wall.xy_mm[int(np.argmin(off))].tolist()
    across, down = wall.across_mm, wall.down_mm
    return x - 0.4 * across, y - 0.4 * down, x + (N_SPACINGS + 0.4) * across, y + 1.4 * down


def _whole(wall: WallLayout, forms: Mapping[str, Outlines]) -> Area:
    """All motifs of a wall with room for the register crosses round them."""
    if not wall.n_motifs:
        raise ValueError(f"Wall {wall.name!r} has no motif to draw; take another wall or give an area.")
    edge = _reach(forms, dict.fromkeys(wall.form, "")) + OVERLAP_MM
    (x0, y0), (x1, y1) = wall.xy_mm.min(axis=0), wall.xy_mm.max(axis=0)
    return float(x0) - edge, float(y0) - edge, float(x1) + edge, float(y1) + edge


def _reach(forms: Mapping[str, Outlines], used: Mapping[str, str]) -> float:
    return max(float(np.abs(ring).max()) for name in used for rings in forms[name].values() for ring in rings)


_Lines = tuple[tuple[tuple[str, float], ...], tuple[tuple[str, float], ...]]


def _line_places(wall: WallLayout) -> _Lines:
    """Level and plumb lines of the scatter-free net, named, unrounded."""
    site = wall.xy_mm - wall.shift_mm
    places = []
    for prefix, number, values in (("row r", wall.row, site[:, 1]), ("c", wall.column, site[:, 0])):
        names, inverse = np.unique(number, return_inverse=True)
        mean = np.bincount(inverse, weights=values) / np.bincount(inverse)
        places.append(tuple((f"{prefix}{n:02d}", float(v)) for n, v in zip(names, mean, strict=True)))
    return places[0], places[1]


@dataclass(frozen=True, eq=False)
class _Sheets:
    """What is the same on all sheets of a wall."""

    page: Page
    wall: WallLayout
    inner: Mapping[str, str]
    reach_mm: float
    lines: _Lines

    def tile(self, tile: Tile) -> str:
        """Draw what a tile shows; returns the rows and plumb lines of its motifs in words."""
        page, wall = self.page, self.wall
        width, height = room_mm((page.width_mm, page.height_mm))
        left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
        place = wall.xy_mm + wall.scatter_mm - [tile.x_mm, tile.y_mm]
        reach = self.reach_mm
        shown = np.flatnonzero(((place > -reach) & (place < [width + reach, height + reach])).all(axis=1))
        with page.clipped(left, bottom, width, height):
            self._lines(tile)
            for k in shown.tolist():
                self._motif(k, left + place[k, 0].item(), bottom + place[k, 1].item())
            self._names(tile)
        for x in (left + 0.5 * OVERLAP_MM, left + width - 0.5 * OVERLAP_MM):
            for y in (bottom + 0.5 * OVERLAP_MM, bottom + height - 0.5 * OVERLAP_MM):
                page.cross(x, y)
        if not len(shown):
            return "no motif on this sheet"
        rows, columns = wall.row[shown], wall.column[shown]
        across = f"plumb lines c{columns.min():02d} to c{columns.max():02d}"
        return f"rows r{rows.min():02d} to r{rows.max():02d}, {across}"

    def _motif(self, k: int, x: float, y: float) -> None:
        page, wall = self.page, self.wall
        size = (wall.scale_ratio[k] * wall.scatter_size_ratio[k]).item()
        page.stamp(self.inner[wall.form[k]], x, y, scale=size, turn_deg=wall.scatter_turn_deg[k].item())
        page.cross(x, y, arm_mm=2.0)
        page.label(x, y - self.reach_mm - 1.5 - SMALL_MM, wall.id[k], align="middle")

    def _lines(self, tile: Tile) -> None:
        page, (width, height) = self.page, room_mm((self.page.width_mm, self.page.height_mm))
        left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
        for _, y in self.lines[0]:
            if 0 <= (at := y - tile.y_mm) <= height:
                page.line(left, bottom + at, left + width, bottom + at, pen_mm=HAIRLINE_MM, grey=LINE_GREY)
        for _, x in self.lines[1]:
            if 0 <= (at := x - tile.x_mm) <= width:
                page.line(left + at, bottom, left + at, bottom + height, pen_mm=HAIRLINE_MM, grey=LINE_GREY)

    def _names(self, tile: Tile) -> None:
        page, (width, height) = self.page, room_mm((self.page.width_mm, self.page.height_mm))
        left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
        for name, y in self.lines[0]:
            if LABEL_EDGE_MM <= (at := y - tile.y_mm) <= height - LABEL_EDGE_MM:
                page.label(left + OVERLAP_MM + 2, bottom + at - 0.5 * SMALL_MM, name)
        for name, x in self.lines[1]:
            if OVERLAP_MM <= (at := x - tile.x_mm) <= width - OVERLAP_MM:
                page.label(left + at, bottom + height - OVERLAP_MM - 3, name, align="middle")
