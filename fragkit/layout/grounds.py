"""A wall made ready for the fit, and the rows of a net that lie on it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.easing import Rule
from fragkit.layout.fits import Fit
from fragkit.layout.frames import Frame
from fragkit.layout.insets import Insets
from fragkit.layout.scanning import IntArray, Rings, Stretches, expand, scan, whole_numbers
from fragkit.layout.shapes import Form
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

_FAR_MM = 1000.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Corner:
    """The rows and columns of a neighbouring wall, continued round the corner into this wall's frame.

    `row_mm`: a level line at the corner; `site_mm`: a motif of that row, measured in this wall's x, where the
    columns are to be carried on.
    """

    neighbour: str
    row_mm: float
    down_mm: float
    site_mm: float | None = None
    across_mm: float | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Ground:
    """A wall made ready for the fit."""

    wall: WallEntry
    frame: Frame
    insets: Insets
    rules: tuple[Rule, ...]
    whole: Form
    offset_ratio: float
    follow: str
    corners: tuple[Corner, ...] = ()
    eye_mm: float | None = None
    scanned: dict[tuple[str, float, float], Rows] = field(default_factory=dict)

    @cached_property
    def departures_mm(self) -> tuple[float, float]:
        """By how much lines leave the level or the plumb line at worst, and a visible edge beside them."""
        frame = self.frame
        half = {"top": frame.run_mm / 2, "bottom": frame.run_mm / 2}
        half |= {"left": frame.height_mm / 2, "right": frame.height_mm / 2}
        off = {name: abs(getattr(frame, name).lean) * length for name, length in half.items()}
        followed = {"level": (), "edges": tuple(off), "fan": ("top",)}[self.follow]
        return max((off[name] for name in followed), default=0.0), max(
            (off[name] for name in off if name not in followed), default=0.0
        )

    @property
    def near_rings(self) -> Rings:
        """Segments of the area from where the longest shift of any rule reaches a place with room."""
        farthest = max(rule.max_shift_mm for rule in self.rules)
        return self.insets.rings_near(self.whole, farthest)

    def place(self, true_mm: FloatArray) -> FloatArray:
        """Places (n, 2) on the wall of points of the true net."""
        return true_mm + self.frame.bend(true_mm, follow=self.follow)


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of a fit on a wall: their numbers and, in the x of the true net, their stretches.

    `free` are the stretches on the free wall, `clear` those where the whole motif has room, `near` those from
    where some rule might allow it to be moved there.
    """

    number: IntArray
    height_mm: FloatArray
    free: Stretches
    clear: Stretches
    near: Stretches


def rows_on(ground: Ground, down: Fit) -> Rows:
    """The rows of a fit that touch the wall; remembered with the wall, since many fits across ask for them.

    Notes
    -----
    A row that follows the edges is still a straight line with even steps, since the net is bent in
    proportion to the distances from the edges; so it is cut by the boundary as a level one is.
    """
    key = (ground.follow, down.start_mm, down.repeat_mm)
    if key not in ground.scanned:
        ground.scanned[key] = _scan_rows(ground, down)
    return ground.scanned[key]


def _scan_rows(ground: Ground, down: Fit) -> Rows:
    _, y0, _, y1 = shapely.bounds(ground.insets.area)
    slack = 0.0 if ground.follow == "level" else 2.0 * ground.frame.steepest * max(ground.frame.run_mm, y1 - y0)
    first = np.ceil(down.number_at(y0 - slack))
    number = np.arange(first, np.floor(down.number_at(y1 + slack)) + 1)
    height = down.place_mm(number)
    origin = ground.place(np.column_stack([np.zeros_like(height), height]))
    step = (ground.place(np.column_stack([np.full_like(height, _FAR_MM), height])) - origin) / _FAR_MM
    return Rows(
        number=number.astype(np.int64),
        height_mm=height,
        free=scan(ground.insets.rings, origin, step),
        clear=scan(ground.insets.rings_of(ground.whole), origin, step),
        near=scan(ground.near_rings, origin, step),
    )


def numbers_in(ground: Ground, across: Fit, rows: Rows, stretches: Stretches) -> tuple[IntArray, IntArray, IntArray]:
    """First and last site of each stretch, and the row it lies in (as a place in `rows`)."""
    shift = ground.offset_ratio * rows.number[stretches.row]
    first, last = whole_numbers(
        across.number_at(stretches.begin) - shift,
        across.number_at(stretches.end) - shift,
    )
    return first, last, stretches.row


def site_places(
    ground: Ground, across: Fit, rows: Rows, *, number: IntArray, row: IntArray
) -> tuple[IntArray, FloatArray]:
    """Sites (n, 2) (i along the row, j row) and where they stand (n, 2) in mm on the wall."""
    j = rows.number[row]
    true = np.column_stack([across.place_mm(number + ground.offset_ratio * j), rows.height_mm[row]])
    return np.column_stack([number, j]), ground.place(true)


@dataclass(frozen=True, eq=False, kw_only=True)
class Sites:
    """Sites on the free wall, row by row: numbers (n, 2), places (n, 2) and whether the whole motif has room."""

    index: IntArray
    xy_mm: FloatArray
    fits: NDArray[np.bool_]


def all_sites(ground: Ground, across: Fit, down: Fit) -> Sites:
    """Every site of a net on the free wall."""
    rows = rows_on(ground, down)
    number, row = expand(*numbers_in(ground, across, rows, rows.free))
    clear, clear_row = expand(*numbers_in(ground, across, rows, rows.clear))
    lowest, stride = number.min(initial=0), int(np.ptp(number)) + 2 if len(number) else 1
    fits = np.isin(row * stride + number - lowest, clear_row * stride + clear - lowest, assume_unique=True)
    order = np.lexsort((number, row))
    index, xy = site_places(ground, across, rows, number=number[order], row=row[order])
    return Sites(index=index, xy_mm=xy, fits=fits[order])
