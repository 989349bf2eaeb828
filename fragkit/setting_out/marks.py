"""From a layout to lines and running dimensions that a tape can show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.layout import Layout, WallLayout
from fragkit.setting_out.forecast import Forecast, forecast_wall
from fragkit.setting_out.instruments import (
    READING_LIMIT_MM,
    Instruments,
    read_instruments,
    rounded,
    tape_limit_mm,
    tape_limits_mm,
)
from fragkit.sketch import sketch, sketch_bars

FloatArray = NDArray[np.float64]

RIGHT_ANGLE = (3, 4, 5)
MOVED_MM = 0.05
"""Shifts below this are no easing."""


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One motif to be marked on the wall.

    Attributes
    ----------
    id : str
    row_line, column_line : str
        Level and plumb line it stands on or, when it is eased, beside.
    running_x_mm, running_y_mm : float
        Tape readings from the datum, x to the right, y up.
    limit_deviation_x_mm, limit_deviation_y_mm : str
        In the manner of ISO 6284: signed about the target size.
    offset_x_mm, offset_y_mm, offset_turn_deg, offset_size_ratio : float
        The hand's scatter, turn and size for the full-size sheets, not part of the readings.
    form : str
    scale_ratio : float
    remark : str
        How an eased motif differs from its neighbours; empty for most.
    """

    id: str
    row_line: str
    column_line: str
    running_x_mm: float
    running_y_mm: float
    limit_deviation_x_mm: str
    limit_deviation_y_mm: str
    offset_x_mm: float
    offset_y_mm: float
    offset_turn_deg: float
    offset_size_ratio: float
    form: str
    scale_ratio: float
    remark: str


@dataclass(frozen=True, eq=False, kw_only=True)
class WallSetting:
    """The setting-out of one wall.

    Attributes
    ----------
    name : str
    datum : str
        Where every running dimension starts, in words.
    datum_mm : (2,) array
        The same in the wall's frame.
    plumb_lines, level_lines : tuple of (name, mm)
        Running dimensions of the lines, rounded.
    rows : tuple of Mark
        One for each motif, in the order of the layout.
    diagonals : tuple of (from, to, mm)
        Checks: lengths between two marks, or of the legs and diagonal of a right angle.
    instruments : Instruments
    forecast : Forecast
    """

    name: str
    datum: str
    datum_mm: FloatArray
    plumb_lines: tuple[tuple[str, float], ...]
    level_lines: tuple[tuple[str, float], ...]
    rows: tuple[Mark, ...]
    diagonals: tuple[tuple[str, str, float], ...]
    instruments: Instruments
    forecast: Forecast
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "datum_mm", frozen_array(self.datum_mm))

    @property
    def diagonal_limits(self) -> tuple[str, ...]:
        """Limit deviation of each check length; between two marks it has the share of both."""
        limits = {
            mark.id: max(_limit_mm(mark.limit_deviation_x_mm), _limit_mm(mark.limit_deviation_y_mm))
            for mark in self.rows
        }
        tape = self.instruments.tape_class
        return tuple(
            limit_text(math.hypot(tape_limit_mm(mm, tape_class=tape), limits.get(a, 0.5), limits.get(b, 0.5)))
            for a, b, mm in self.diagonals
        )

    @property
    def datum_short(self) -> str:
        """The datum without how to read from it."""
        return f"Datum: {self.datum.split('. ')[0]}."

    def __repr__(self) -> str:
        return f"WallSetting({self.name!r}, {len(self.level_lines)} rows, {len(self.rows)} motifs)"

    def _repr_html_(self) -> str:
        lines = [
            ("Datum", self.datum),
            ("Lines", f"{len(self.level_lines)} level, {len(self.plumb_lines)} plumb"),
            ("Motifs", str(len(self.rows))),
            ("Worst motif", f"within {self.forecast.worst_mm:.1f} mm in 95 of 100 walls"),
            ("Instruments", self.instruments.words),
        ]
        return card(f"Setting out {self.name}", lines, notes=self.notes, drawing=self._lines())

    def _lines(self) -> str:
        """The plumb and level lines, as far as they reach."""
        x, y = ([mm for _, mm in lines] for lines in (self.plumb_lines, self.level_lines))
        if not x or not y:
            return ""
        plumb = [np.array([[one, min(y)], [one, max(y)]]) for one in x]
        level = [np.array([[min(x), one], [max(x), one]]) for one in y]
        return sketch("Plumb and level lines", lines_mm=[*plumb, *level])


@dataclass(frozen=True, eq=False, kw_only=True)
class SettingOut:
    """The setting-out of every wall."""

    walls: tuple[WallSetting, ...]
    notes: tuple[str, ...] = ()

    @property
    def n_motifs(self) -> int:
        """Marks on all walls."""
        return sum(len(wall.rows) for wall in self.walls)

    def __repr__(self) -> str:
        return f"SettingOut({len(self.walls)} walls, {self.n_motifs} marks)"

    def _repr_html_(self) -> str:
        lines = [(wall.name, f"{len(wall.rows)} marks, worst {wall.forecast.worst_mm:.1f} mm") for wall in self.walls]
        worst = {wall.name: wall.forecast.worst_mm for wall in self.walls}
        drawn = sketch_bars("Worst motif of each wall, in 95 of 100 walls within", worst, unit="mm")
        return card("Setting out", lines, notes=self.notes, drawing=drawn)


def set_out(layout: Layout, *, instruments: Sequence[str] = (), rng: np.random.Generator | None = None) -> SettingOut:
    """Lines, running dimensions, checks and a forecast for every wall.

    Parameters
    ----------
    layout : Layout
    instruments : sequence of str
        What the study calls its tape and laser; a class II tape and a cross-line laser when it names none.
    rng : numpy Generator, optional
        For the forecast; without one the same draws are made each time.

    Notes
    -----
    Every dimension is read from one datum and rounded by itself to 1 mm, so no reading is more than 0.5 mm
    from the layout anywhere.
    """
    tools = read_instruments(instruments)
    rng = rng or np.random.default_rng(0)
    return SettingOut(walls=tuple(_set_wall(wall, tools, rng) for wall in layout.walls))


def limit_text(limit_mm: float) -> str:
    """A symmetrical limit deviation, rounded up to a half millimetre.

    References
    ----------
    ISO 6284:2023 (limit deviations are signed about the target size; equal ones are written with ±).
    """
    return f"±{math.ceil(round(limit_mm / 0.5, 6)) * 0.5:g}"


def _limit_mm(text: str) -> float:
    return float(text.removeprefix("±"))


def _set_wall(wall: WallLayout, tools: Instruments, rng: np.random.Generator) -> WallSetting:
    columns, rows = _lines(wall)
    readings = rounded(wall.xy_mm)
    limits = _limits(wall.xy_mm, tools)
    forecast = forecast_wall(wall, tools, rng=rng)
    return WallSetting(
        name=wall.name,
        datum=_datum_words(wall),
        datum_mm=np.zeros(2),
        plumb_lines=columns,
        level_lines=rows,
        rows=tuple(_marks(wall, readings, limits)),
        diagonals=(*_right_angle(wall), *_diagonals(wall)),
        instruments=tools,
        forecast=forecast,
        notes=_notes(wall),
    )


def _lines(wall: WallLayout) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[str, float], ...]]:
    """Plumb and level lines of the net, named and rounded; a line that is bent has its mean place."""
    site = wall.xy_mm - wall.shift_mm
    out = []
    for prefix, number, values in (("c", wall.column, site[:, 0]), ("r", wall.row, site[:, 1])):
        names, inverse = np.unique(number, return_inverse=True)
        mean = np.bincount(inverse, weights=values) / np.bincount(inverse) if len(names) else np.zeros(0)
        out.append(tuple((f"{prefix}{n:02d}", float(v)) for n, v in zip(names, rounded(mean), strict=True)))
    return out[0], out[1]


def _limits(xy_mm: FloatArray, tools: Instruments) -> FloatArray:
    """Limit deviations (n, 2): tape and laser added in squares, and the hand that makes the mark.

    Notes
    -----
    x is read with the tape along a level line and stands off by the lean of the plumb line over its
    height; y is read with the tape up
    the plumb line and stands off by the slope of the level line over its length. Independent limits are
    added in squares.
    """
    tape_mm = tape_limits_mm(xy_mm, tape_class=tools.tape_class)
    laser_mm = tools.laser_mm_per_m * np.abs(xy_mm[:, ::-1]) / 1000.0
    return np.asarray(np.sqrt(tape_mm**2 + laser_mm**2 + READING_LIMIT_MM**2))


def _marks(wall: WallLayout, readings: FloatArray, limits: FloatArray) -> list[Mark]:
    texts = [[limit_text(v) for v in pair] for pair in limits.tolist()]
    moved = np.hypot(*wall.shift_mm.T) > MOVED_MM
    odd = moved | (wall.scale_ratio != 1.0) | (np.array(wall.form) != "whole")
    scatter = np.round(wall.scatter_mm, 1).tolist()
    turns, sizes = np.round(wall.scatter_turn_deg, 1).tolist(), np.round(wall.scatter_size_ratio, 3).tolist()
    return [
        Mark(
            id=wall.id[k],
            row_line=f"r{wall.row[k]:02d}",
            column_line=f"c{wall.column[k]:02d}",
            running_x_mm=readings[k, 0].item(),
            running_y_mm=readings[k, 1].item(),
            limit_deviation_x_mm=texts[k][0],
            limit_deviation_y_mm=texts[k][1],
            offset_x_mm=scatter[k][0],
            offset_y_mm=scatter[k][1],
            offset_turn_deg=turns[k],
            offset_size_ratio=sizes[k],
            form=wall.form[k],
            scale_ratio=wall.scale_ratio[k].item(),
            remark=wall.reason[k] if odd[k] else "",
        )
        for k in range(wall.n_motifs)
    ]


def _datum_words(wall: WallLayout) -> str:
    x0, y0 = wall.wall.outline_mm.min(axis=0)
    left = f"{abs(x0):.0f} mm {'left' if x0 < 0 else 'right'} of it" if round(abs(x0)) else "at it"
    low = f"{abs(y0):.0f} mm {'below' if y0 < 0 else 'above'} it" if round(abs(y0)) else "at it"
    return (
        f"the survey datum of wall {wall.name}, x = 0, y = 0: the wall's leftmost point lies {left}, "
        f"its lowest {low}. "
        "Read every x along a level line from the plumb line through the datum, every y up from the "
        "level line through it"
    )


def _right_angle(wall: WallLayout) -> tuple[tuple[str, str, float], ...]:
    """The largest multiple of 3-4-5 (in steps of 100 mm) that has room above the datum, to its wider side."""
    x0, _ = wall.wall.outline_mm.min(axis=0)
    x1, y1 = wall.wall.outline_mm.max(axis=0)
    side = "right" if x1 >= -x0 else "left"
    unit = 100.0 * math.floor(min(max(x1, -x0) / RIGHT_ANGLE[1], y1 / RIGHT_ANGLE[0]) / 100.0)
    if unit <= 0:
        return ()
    up, along, across = (unit * part for part in RIGHT_ANGLE)
    return (
        ("datum", f"{along:.0f} mm {side}, on the level line", along),
        ("datum", f"{up:.0f} mm up the plumb line", up),
        (f"{along:.0f} mm {side}", f"{up:.0f} mm up", across),
    )


def _diagonals(wall: WallLayout) -> tuple[tuple[str, str, float], ...]:
    """Both diagonals of the field of motifs, between the outermost ones; unmoved ones if there are four."""
    still = np.flatnonzero(np.hypot(*wall.shift_mm.T) <= MOVED_MM)
    chosen = still if len(still) >= 4 else np.arange(wall.n_motifs)
    if len(chosen) < 4:
        return ()
    xy = wall.xy_mm[chosen]
    corners = [int(chosen[np.argmin(xy @ np.array(d))]) for d in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    pairs = ((corners[0], corners[2]), (corners[1], corners[3]))
    lengths = rounded(np.array([np.hypot(*(wall.xy_mm[b] - wall.xy_mm[a])) for a, b in pairs])).tolist()
    ends = zip(pairs, lengths, strict=True)
    return tuple((wall.id[a], wall.id[b], length) for (a, b), length in ends if a != b)


def _notes(wall: WallLayout) -> tuple[str, ...]:
    notes = []
    if wall.follow == "edges":
        notes.append(
            "The rows and columns follow the wall's edges, so they are neither level nor plumb "
            "throughout: set each motif out by its own "
            "two figures; a line's figure is its mean."
        )
    if wall.offset_ratio and round(wall.across_mm / wall.line_mm) == 1:
        notes.append("Each row has plumb lines of its own; a plumb line's figure is the mean over its rows.")
    return tuple(notes)
