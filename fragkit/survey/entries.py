"""What a study folder says, checked and typed: the entries that `read_survey` returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import side_by_side, sketch
from fragkit.survey.areas import AreaEntry
from fragkit.survey.review import ReviewEntry
from fragkit.survey.technique_entries import TechniqueEntry
from fragkit.turning import turning

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False, kw_only=True)
class PointControl:
    """Marked points with plane coordinates.

    Attributes
    ----------
    names : tuple of str
    xy_px : (n, 2) array
        Displayed pixels, x right, y down, centre of the top-left pixel at (0, 0).
    xy_mm : (n, 2) array
        The fragment's own frame, x right, y up.
    sd_mm : (n,) array
        One standard deviation of each coordinate.
    sd_px : float
        One standard deviation of picking, per coordinate.
    """

    names: tuple[str, ...]
    xy_px: FloatArray
    xy_mm: FloatArray
    sd_mm: FloatArray
    sd_px: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Markers:
    """Coded markers in the white squares of a board: their side in mm and their dictionary, like "4x4_50"."""

    side_mm: float
    dictionary: str = "4x4_50"


@dataclass(frozen=True, eq=False, kw_only=True)
class BoardControl:
    """A chessboard lying in the plane: inner corners across and down, side of a square in mm.

    The frame is that of the board: its first inner corner is (0, 0), x along the rows, y up. With `markers`
    the board may be partly hidden, and its frame holds whichever way up it was fixed.
    """

    columns: int
    rows: int
    square_mm: float
    sd_px: float = 0.1
    markers: Markers | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class TapeControl:
    """Marked points without coordinates, and distances taped between them.

    Attributes
    ----------
    names : tuple of str
    xy_px : (n, 2) array
        Displayed pixels.
    pairs : (m, 2) int array
        Indices of the two points of each reading.
    distance_mm, sd_mm : (m,) arrays
    sd_px : float
        One standard deviation of picking, per coordinate.
    level : (str, str) or None
        Two points on a level line, the second to the right; absent: the first two points named.
    """

    names: tuple[str, ...]
    xy_px: FloatArray
    pairs: IntArray
    distance_mm: FloatArray
    sd_mm: FloatArray
    sd_px: float = 0.5
    level: tuple[str, str] | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class BarControl:
    """A scale bar alone: its ends in pixels (2, 2), its length, and how far it stands off the wall."""

    ends_px: FloatArray
    length_mm: float
    stand_off_mm: float = 0.0
    length_sd_mm: float = 0.2
    stand_off_sd_mm: float = 1.0
    sd_px: float = 0.5


Control = PointControl | BoardControl | TapeControl | BarControl


@dataclass(frozen=True, eq=False, kw_only=True)
class LensEntry:
    """A lens: either known numbers or photographs of a board from which `rectify` solves them."""

    name: str
    f_px: float | None = None
    centre_px: tuple[float, float] | None = None
    k1: float | None = None
    k2: float | None = None
    columns: int | None = None
    rows: int | None = None
    square_mm: float | None = None
    files: tuple[Path, ...] = ()
    markers: Markers | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class ChartEntry:
    """Patches of known colour in the picture: centres in pixels and published Lab (D50) values.

    A chart of kind "colour" sets a whole colour matrix, one of kind "grey" (a grey card) white and lightness.
    """

    names: tuple[str, ...]
    xy_px: FloatArray
    lab: FloatArray
    kind: str = "colour"


@dataclass(frozen=True, eq=False, kw_only=True)
class PhotoEntry:
    """A photograph and its control.

    Attributes
    ----------
    example_px : (x0, y0, x1, y1) or None
        Box round a good example of the motif, displayed pixels.
    repeat_range_mm : (shortest, longest) or None
        Between which lengths the repeat is expected.
    areas : tuple of AreaEntry
        Areas whose colours are kept apart, such as what has been cleaned.
    """

    name: str
    file: Path
    fragment: str
    control: Control
    lens: str | None = None
    flatness_mm: float = 0.0
    labels: Path | None = None
    chart: ChartEntry | None = None
    example_px: tuple[float, float, float, float] | None = None
    repeat_range_mm: tuple[float, float] | None = None
    review: ReviewEntry | None = None
    areas: tuple[AreaEntry, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class FragmentEntry:
    """A fragment and its place on a wall: a point of its own frame p lies at origin + R(turn) p.

    `centres` holds motif centres taken by tape or tracing when there is no photograph:
    `centres_xy_mm` (n, 2), `centres_sd_mm` (n,) and, if the table numbers the sites, `centres_index` (n, 2).
    """

    name: str
    wall: str | None = None
    origin_mm: tuple[float, float] | None = None
    origin_sd_mm: float = 5.0
    turn_deg: float = 0.0
    turn_sd_deg: float = 0.2
    centres_xy_mm: FloatArray | None = None
    centres_sd_mm: FloatArray | None = None
    centres_index: IntArray | None = None

    def to_wall_mm(self, xy_mm: FloatArray) -> FloatArray:
        """Wall coordinates (n, 2) in mm of points (n, 2) in the fragment's frame."""
        return np.asarray(self.origin_mm, float) + np.asarray(xy_mm, float) @ turning(self.turn_deg).T


@dataclass(frozen=True, eq=False, kw_only=True)
class OpeningEntry:
    name: str
    kind: str
    outline_mm: FloatArray
    clearance_mm: float


@dataclass(frozen=True, eq=False, kw_only=True)
class EdgeEntry:
    """A boundary line of the wall and the rule for motifs that would meet it."""

    name: str
    kind: str
    line_mm: FloatArray
    rule: str
    max_shift_mm: float
    min_scale_ratio: float


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasuredPoints:
    """Points adjusted to their readings.

    Attributes
    ----------
    names : tuple of str
    xy_mm, sd_mm : (n, 2) arrays
        x right and y up from the first point, and one standard deviation of each coordinate.
    n_spare : int
        Readings beyond those that fix the points.
    closure_mm : float or None
        Difference between the worst reading and what all others say of it; None without spare readings.
    worst : str
        The reading that differs most for its standard deviation.
    again : tuple of str
        Readings to take again: they contradict the others.
    left_out : tuple of str
        Those of them that no longer count for the points.
    notes : tuple of str
    """

    names: tuple[str, ...]
    xy_mm: FloatArray
    sd_mm: FloatArray
    n_spare: int
    closure_mm: float | None
    worst: str
    again: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]

    def place(self, name: str) -> tuple[float, float]:
        """Coordinates of a point."""
        x, y = self.xy_mm[self.names.index(name)]
        return float(x), float(y)


@dataclass(frozen=True, eq=False, kw_only=True)
class WallEntry:
    """A wall; `measured` says how well its readings close, where it was given by readings."""

    name: str
    outline_mm: FloatArray
    openings: tuple[OpeningEntry, ...] = ()
    edges: tuple[EdgeEntry, ...] = ()
    axis_x_mm: float | None = None
    next: str | None = None
    corner: str = "restart"
    clearance_mm: float = 0.0
    measured: MeasuredPoints | None = None

    @property
    def rings_mm(self) -> tuple[FloatArray, ...]:
        """The outline and those of the openings."""
        return (self.outline_mm, *(opening.outline_mm for opening in self.openings))


@dataclass(frozen=True, eq=False, kw_only=True)
class ProposalEntry:
    """A typed repeat that overrides the measured one; a logged decision. What is None stays as measured."""

    across_mm: float | None = None
    down_mm: float | None = None
    offset_ratio: float | None = None
    reason: str

    @property
    def typed(self) -> dict[str, float]:
        """What it states, by name."""
        stated = {"across_mm": self.across_mm, "down_mm": self.down_mm, "offset_ratio": self.offset_ratio}
        return {name: value for name, value in stated.items() if value is not None}


@dataclass(frozen=True, eq=False, kw_only=True)
class LayoutEntry:
    """Wishes for the layout.

    Attributes
    ----------
    on_axis : "motif" or "gap"
    follow : "level", "edges" or "fan"
        Rows true to level, all lines to the visible edges, or rows that fan from a level foot to the top.
    choice, choice_reason : str or None
        Names of the alternatives to lay out, one for each wall, parted by commas; and why.
    irregularity_ratio : float
        Share of the measured hand scatter to reproduce: 0 none, 1 all.
    seed : int
        Of the scatter; the study's own when it gives none.
    pinned : tuple of mappings
        Motifs held at a place: wall, i, j, x_mm, y_mm, reason.
    closing : str or None
        The wall at whose right end the closing error of the room is to lie.
    panels : tuple of mappings
        Parts of walls that may take all of the stretch: wall, from_mm, to_mm.
    weights : mapping of str to float
        Weights of the cost that replace the usual ones, by name.
    eye_mm : float or None
        Eye level above the wall's datum; motifs eased there count more. Not known unless it is stated, since
        a datum need not be the floor.
    viewing_mm : float
        Distance from which the wall is seen.
    """

    on_axis: str = "motif"
    follow: str = "level"
    choice: str | None = None
    choice_reason: str | None = None
    irregularity_ratio: float = 0.0
    seed: int = 0
    pinned: tuple[Mapping[str, Any], ...] = ()
    closing: str | None = None
    panels: tuple[Mapping[str, Any], ...] = ()
    weights: Mapping[str, float] = field(default_factory=dict)
    eye_mm: float | None = None
    viewing_mm: float = 2000.0


@dataclass(frozen=True, eq=False, kw_only=True)
class PriceEntry:
    """One line of prices.csv.

    Attributes
    ----------
    item, unit : str
    price : float
        For one unit.
    currency : str
    low, high : float or None
        Where the price may move: one in twenty lies below, one above. The price is certain without them.
    quantity : float or None
        Units needed, when the user knows better than the works can compute.
    side_mm, leaves_per_book
        Of leaf: the supplier's format.
    """

    item: str
    unit: str
    price: float
    currency: str
    low: float | None = None
    high: float | None = None
    quantity: float | None = None
    side_mm: float | None = None
    leaves_per_book: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class CoverageEntry:
    """How far one unit of a material goes: m² per unit and coat (low, high), coats, share wasted."""

    m2_per_unit: tuple[float, float]
    unit: str = "litre"
    coats: int = 1
    waste_ratio: float = 0.1


@dataclass(frozen=True, eq=False, kw_only=True)
class DropsEntry:
    """Paper or canvas hung in drops: the roll, the trim of each drop, how far edges lie over each other."""

    width_mm: float
    length_mm: float
    trim_mm: float = 100.0
    lap_mm: float = 0.0
    spare_ratio: float = 0.1


@dataclass(frozen=True, eq=False, kw_only=True)
class WorksEntry:
    """Leaf, prices, timed trial, crew; every field may be absent.

    Attributes
    ----------
    cut : "whole" or "parts"
        Whether the whole box of a motif is cut from the leaf, or each separate part of it.
    spoilage_ratio, reserve_ratio : float or None
        Leaves torn, and kept for repair, per leaf cut.
    contingency_ratio : (low, high) or None
    minutes_per_motif : (low, high) or None
        Nine in ten, stated without a trial.
    lay_min : float or None
        Minutes in which one gilder lays one motif.
    size : str or None
        Kind of gilding size chosen.
    open_h : (low, high) or None
        How long it stays open, tried on site.
    lift_mm, reach_mm : float or None
        Height of a scaffold lift, and what is reached from the floor.
    life_years : mapping of metal to (low, high)
        Assumed years until the work must be done again.
    coverage : mapping of "size", "ground", "shadow" to CoverageEntry
    drops : DropsEntry or None
    """

    metal: str | None = None
    leaf_side_mm: tuple[float, float] | None = None
    leaves_per_book: int | None = None
    margin_mm: float | None = None
    cut: str = "whole"
    spoilage_ratio: float | None = None
    reserve_ratio: float | None = None
    prices: tuple[PriceEntry, ...] = ()
    contingency_ratio: tuple[float, float] | None = None
    trial_minutes: FloatArray | None = None
    minutes_per_motif: tuple[float, float] | None = None
    lay_min: float | None = None
    size: str | None = None
    open_h: tuple[float, float] | None = None
    crew: int | None = None
    hours_per_day: float | None = None
    lift_mm: float | None = None
    reach_mm: float | None = None
    life_years: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    coverage: Mapping[str, CoverageEntry] = field(default_factory=dict)
    drops: DropsEntry | None = None
    instruments: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class DecisionEntry:
    what: str
    choice: str
    reason: str
    evidence: str | None = None
    who: str | None = None
    date: str | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Survey:
    """A study folder, read and checked.

    Attributes
    ----------
    folder : Path
    title, authors, date, regime, record_level
        As stated under `[study]`.
    seed : int
    between_sd_ratio : float
        Prior scale of the difference between fragments, as a share of the repeat.
        Seed of every random number of the study.
    sources : mapping of str to str
        SHA-256 of every file read, by path relative to the folder.
    paints : tuple of (name, (L, a, b))
        The user's paint list, if any.
    """

    folder: Path
    title: str
    authors: tuple[str, ...]
    date: str
    regime: str
    record_level: str
    seed: int
    between_sd_ratio: float
    lenses: Mapping[str, LensEntry]
    photos: tuple[PhotoEntry, ...]
    fragments: tuple[FragmentEntry, ...]
    walls: tuple[WallEntry, ...]
    proposal: ProposalEntry | None
    layout: LayoutEntry
    works: WorksEntry
    decisions: tuple[DecisionEntry, ...]
    paints: tuple[tuple[str, tuple[float, float, float]], ...]
    sources: Mapping[str, str]
    technique: TechniqueEntry = field(default_factory=TechniqueEntry)
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        counts = f"{len(self.photos)} photographs, {len(self.fragments)} fragments, {len(self.walls)} walls"
        return f"Survey({self.title!r}, {counts})"

    def _repr_html_(self) -> str:
        rows = [
            ("photographs", ", ".join(photo.name for photo in self.photos) or "none"),
            ("fragments", ", ".join(fragment.name for fragment in self.fragments)),
            ("walls", ", ".join(wall.name for wall in self.walls) or "none"),
            ("decisions on record", str(len(self.decisions))),
            ("files read", str(len(self.sources))),
        ]
        shifts = side_by_side(wall.outline_mm for wall in self.walls)
        rings = [ring + shift for wall, shift in zip(self.walls, shifts, strict=True) for ring in wall.rings_mm]
        drawn = sketch("The walls side by side, with their openings", rings_mm=rings)
        return card(f"Survey: {self.title}", rows, notes=self.notes, drawing=drawn)
