"""What the layout room takes from the evidence and what it gives back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.layout.visibility import arcsec, is_quiet
from fragkit.sketch import side_by_side, sketch
from fragkit.survey import DecisionEntry, WallEntry

FloatArray = NDArray[np.float64]
Outlines = Mapping[str, tuple[FloatArray, ...]]

UNCERTAINTY: Mapping[str, float] = MappingProxyType(
    {
        "measured on the wall": 0.0,
        "legible trace": 0.2,
        "interpolated between evidence": 0.4,
        "extrapolated": 0.6,
        "by analogy": 0.8,
        "chosen to fit": 1.0,
    }
)
"""Classes of certainty, from evidence to design, one vocabulary for position, form and material; and what each
counts in an average. That place and form are rated apart and then averaged is published practice; the even steps
are an assumption."""

POSITION_CLASSES = tuple(UNCERTAINTY)
"""The classes, from evidence to design."""


def average_uncertainty(classes: Sequence[str], area_mm2: FloatArray) -> float:
    """Average of the classes (n,), weighted by area (n,); 0 for no motifs."""
    total = float(np.sum(area_mm2))
    by_class = [(UNCERTAINTY[name], np.array(classes, object) == name) for name in set(classes)]
    return sum(value * float(area_mm2[is_in].sum()) for value, is_in in by_class) / total if total > 0 else 0.0


def _freeze(result: Any) -> None:
    """Copy the arrays of a frozen dataclass and make the copies read-only."""
    for entry in fields(result):
        value = getattr(result, entry.name)
        if isinstance(value, np.ndarray):
            object.__setattr__(result, entry.name, frozen_array(value))


@dataclass(frozen=True, eq=False, kw_only=True)
class PlacedCentres:
    """Surviving motifs of one fragment, moved to the frame of the wall they sit on.

    Attributes
    ----------
    wall, fragment : str
    index : (n, 2) int array
        Sites in the fragment's own net.
    xy_mm : (n, 2) array
        Motif centres, wall frame.
    sd_mm : float or (n,) array
        One standard deviation of the place of each centre on the wall. Most of it is the place of the whole
        fragment, so it is not averaged down over a fragment's motifs.
    status : tuple of str
        As in `Centres`; only "seen" and "partly seen" count as evidence.
    """

    wall: str
    fragment: str
    index: NDArray[np.int64]
    xy_mm: FloatArray
    sd_mm: Any
    status: tuple[str, ...]

    def __post_init__(self) -> None:
        _freeze(self)

    def __repr__(self) -> str:
        return f"PlacedCentres({len(self.status)} sites of {self.fragment!r} on {self.wall!r})"


@dataclass(frozen=True, kw_only=True)
class Pass:
    """How a net passes the surviving motifs of one fragment (or a pinned motif).

    Attributes
    ----------
    fragment : str
    n : int
        Motifs of the fragment on the wall.
    miss_mm : (float, float)
        Mean of surviving place − place in the net, x and y.
    worst_mm : float
        Distance of the motif that is furthest from its site.
    sd_mm : float
        One standard deviation of the place of the fragment, per coordinate.
    n_stray : int
        Motifs more than a quarter repeat from their site.
    """

    fragment: str
    n: int
    miss_mm: tuple[float, float]
    worst_mm: float
    sd_mm: float
    n_stray: int = 0

    @property
    def within(self) -> bool:
        """Whether the fragment as a whole is passed within one standard deviation of its place, in x and in y."""
        return max(abs(part) for part in self.miss_mm) <= self.sd_mm


@dataclass(frozen=True, kw_only=True)
class Join:
    """A corner of the room.

    Attributes
    ----------
    wall, next : str
        Left and right of the corner.
    turn : str
        "carried on", "starts afresh", or "closing error".
    row_step_mm : float
        Worst step between a row and the nearest row of the next wall.
    column_step_mm : float or None
        Step between columns; None where the next wall starts afresh.
    margin_mm : float
        From the last plumb line round the corner to the first.
    viewing_mm : float
        Distance from which the steps are seen.
    """

    wall: str
    next: str
    turn: str
    row_step_mm: float
    column_step_mm: float | None
    margin_mm: float
    viewing_mm: float

    @property
    def row_step_arcsec(self) -> float:
        """Worst step between rows, in seconds of arc at the viewing distance."""
        return arcsec(self.row_step_mm, viewing_mm=self.viewing_mm)

    @property
    def column_step_arcsec(self) -> float | None:
        """Step between columns, in seconds of arc at the viewing distance."""
        return None if self.column_step_mm is None else arcsec(self.column_step_mm, viewing_mm=self.viewing_mm)


@dataclass(frozen=True, eq=False, kw_only=True)
class Alternative:
    """One way to fit the repeat to one wall.

    Attributes
    ----------
    name : str
        What `choice` in the study refers to.
    n_columns, n_rows : int
        Plumb lines and rows that carry motifs.
    n_motifs, n_eased, n_dropped : int
        Sites whose place is on the free wall; those of them that cannot stay as they are; those of the
        eased that
        neither a shift within the bound nor another form rescues (counted for a shift when the fit is not
        the chosen one).
    across_mm, down_mm : float
    strain_ratio : (float, float)
        Repeat of this fit ÷ pooled repeat − 1, across and down.
    on_axis : str
        "motif", "gap", or what took the place of the axis.
    follow : str
        "level", "edges" or "fan".
    within_evidence : bool
        Both repeats lie within their interval for a new wall; where not, `why` begins with "beyond the
        evidence".
    stretch_ratio, change_ratio : float
        Largest difference of an interval from the measured repeat, and between neighbouring intervals,
        before motifs are eased at edges.
    origin_mm : (float, float)
        Site (0, 0) of the net, before `follow` bends it.
    knots : (k, 2) array or None
        Site number and place in mm of columns that are not evenly spaced.
    cost : float
    terms : mapping of str to float
        The parts of the cost.
    chosen : bool
    why : str
        Why it was chosen, or why not.
    """

    name: str
    wall: str
    n_columns: int
    n_rows: int
    n_motifs: int
    n_eased: int
    n_dropped: int
    across_mm: float
    down_mm: float
    strain_ratio: tuple[float, float]
    on_axis: str
    follow: str
    within_evidence: bool
    stretch_ratio: float
    change_ratio: float
    origin_mm: tuple[float, float]
    knots: FloatArray | None
    cost: float
    terms: Mapping[str, float]
    chosen: bool
    why: str

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def layout_key(self) -> tuple[float, ...]:
        """Equal for alternatives that put the same motifs in the same places."""
        numbers = (*self.origin_mm, self.across_mm, self.down_mm, self.cost, float(self.knots is not None))
        return tuple(round(number, 6) for number in numbers)

    @property
    def invisible(self) -> bool:
        """Whether the fit may claim that nobody sees it: ≤ 2 % stretch a repeat, ≤ 1 % between neighbours."""
        return is_quiet(stretch_ratio=self.stretch_ratio, change_ratio=self.change_ratio)

    def __repr__(self) -> str:
        mark = ", chosen" if self.chosen else ""
        return f"Alternative({self.name!r}, {self.n_motifs} motifs, cost {self.cost:.2f}{mark})"


def runner_up(alternatives: Sequence[Alternative]) -> Alternative | None:
    """The best alternative of a wall, of several given best first, that differs from the chosen one."""
    chosen = next((one for one in alternatives if one.chosen), None)
    others = (one for one in alternatives if chosen is None or one.layout_key != chosen.layout_key)
    return next(others, None)


@dataclass(frozen=True, eq=False, kw_only=True)
class WallLayout:
    """Every motif of one wall.

    Attributes
    ----------
    id : (n,) tuple of str
        Unique over the room: wall, row from the bottom, plumb line from the left.
    index : (n, 2) int array
        Site (i along the row, j row) in the wall's net.
    xy_mm : (n, 2) array
        Where the centre goes: the site of the net plus `shift_mm`; the wall's own frame.
    shift_mm : (n, 2) array
        How far the motif is moved from its site to ease it at an edge; zero for most.
    scatter_mm : (n, 2) array
        Hand scatter for the full-size sheets, to be added to `xy_mm`; zero unless asked for.
    scatter_turn_deg, scatter_size_ratio : (n,) arrays
        Turn (anticlockwise) and size of the hand for the full-size sheets; 0 and 1 unless asked for.
    metal_mm2 : (n,) array
        Metal of each motif as it is to be made.
    row, column : (n,) int arrays
        Level line from the bottom and plumb line from the left, both from 1.
    scale_ratio, rotation_deg : (n,) arrays
    form : (n,) tuple of str
        Key of `Layout.forms`.
    position_class, form_class, material_class, reason : (n,) tuples of str
    across_mm, down_mm, offset_ratio, origin_mm
        The net of this wall: site (i, j) is at origin + ((i + offset·j)·across, j·down), before `follow`
        bends it.
    line_mm : float
        Distance between neighbouring plumb lines.
    strain_ratio : (2,) array
        Repeat ÷ pooled repeat − 1.
    on_axis, follow : str
    margins_mm : (4,) array
        Outermost line to the straightened edge: left, right, bottom, top.
    follow_difference_mm, follow_worst_mm
        How far the worst motif would move if the other of "level" and "edges" were followed, and where it is
        (x, y).
    stretch_ratio, change_ratio : float
        Largest difference of an interval from the measured repeat, and between neighbouring intervals,
        before motifs are eased at edges.
    passes : tuple of Pass
        How the net passes each surviving fragment and pinned motif.
    dropped : tuple of (i, j, (x, y), reason)
    max_edge_gap_ratio : float
        Largest gap between neighbours, or between an edge and the first motif, in repeats.
    cost_terms : mapping of str to float
    """

    name: str
    wall: WallEntry
    id: tuple[str, ...]
    index: NDArray[np.int64]
    xy_mm: FloatArray
    shift_mm: FloatArray
    scatter_mm: FloatArray
    scatter_turn_deg: FloatArray
    scatter_size_ratio: FloatArray
    metal_mm2: FloatArray
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    scale_ratio: FloatArray
    rotation_deg: FloatArray
    form: tuple[str, ...]
    position_class: tuple[str, ...]
    form_class: tuple[str, ...]
    material_class: tuple[str, ...]
    reason: tuple[str, ...]
    across_mm: float
    down_mm: float
    offset_ratio: float
    origin_mm: FloatArray
    line_mm: float
    strain_ratio: FloatArray
    on_axis: str
    follow: str
    margins_mm: FloatArray
    follow_difference_mm: float
    follow_worst_mm: tuple[float, float]
    stretch_ratio: float
    change_ratio: float
    passes: tuple[Pass, ...]
    dropped: tuple[tuple[int, int, tuple[float, float], str], ...]
    max_edge_gap_ratio: float
    cost_terms: Mapping[str, float]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def n_motifs(self) -> int:
        """Motifs on the wall."""
        return len(self.id)

    @property
    def n_dropped(self) -> int:
        """Motifs left out although their site is on the free wall."""
        return len(self.dropped)

    @property
    def invisible(self) -> bool:
        """Whether the net may claim that nobody sees its fit; eased motifs are listed one by one instead."""
        return is_quiet(stretch_ratio=self.stretch_ratio, change_ratio=self.change_ratio)

    @property
    def eased(self) -> tuple[int, ...]:
        """Numbers of the motifs that were moved, reduced, reshaped or pinned: each is an element of its own."""
        odd = (np.hypot(*self.shift_mm.T) > 0.05) | (self.scale_ratio != 1.0) | (np.array(self.form) != "whole")
        return tuple(np.flatnonzero(odd).tolist())

    @property
    def uncertainty(self) -> Mapping[str, float]:
        """Average uncertainty, weighted by metal area: of "position", "form", "material", and their "mean"."""
        aspects = {"position": self.position_class, "form": self.form_class, "material": self.material_class}
        found = {name: average_uncertainty(classes, self.metal_mm2) for name, classes in aspects.items()}
        return {**found, "mean": float(np.mean(list(found.values())))}

    def __repr__(self) -> str:
        return f"WallLayout({self.name!r}, {self.n_motifs} motifs, {self.across_mm:.2f} × {self.down_mm:.2f} mm)"

    def _repr_html_(self) -> str:
        counts = Counter(self.position_class)
        rows = [
            ("Motifs", f"{self.n_motifs} ({self.n_dropped} left out)"),
            ("Repeat", f"{self.across_mm:.1f} mm across, {self.down_mm:.1f} mm down"),
            (
                "Strain",
                f"{100 * self.strain_ratio[0]:+.2f} % across, {100 * self.strain_ratio[1]:+.2f} % down",
            ),
            ("On the axis", self.on_axis),
            ("Largest gap", f"{self.max_edge_gap_ratio:.2f} repeats"),
            ("Average uncertainty", f"{self.uncertainty['mean']:.2f} (0 measured on the wall, 1 chosen to fit)"),
            *((f"Position {name}", str(counts[name])) for name in POSITION_CLASSES if counts[name]),
        ]
        measured = np.array([name == POSITION_CLASSES[0] for name in self.position_class], bool)
        label = f"Wall {self.name}: motifs measured on the wall (dots) and laid out (circles)"
        drawn = sketch(
            label, rings_mm=self.wall.rings_mm, dots_mm=self.xy_mm[measured], circles_mm=self.xy_mm[~measured]
        )
        return card(f"Wall {self.name}", rows, notes=self.notes, drawing=drawn)


@dataclass(frozen=True, eq=False, kw_only=True)
class Layout:
    """Every motif of the room.

    Attributes
    ----------
    walls : tuple of WallLayout
    alternatives : tuple of Alternative
        Per wall, best first.
    forms : mapping of str to mapping of str to tuple of (m, 2) arrays
        Outlines by layer ("metal", "shadow") of every form, in mm from the motif's centre at scale 1, y up;
        "whole" is always there.
    joins : tuple of Join
        The corners, in the order of the walls.
    decisions : tuple of DecisionEntry
        What was overridden or chosen, by whom if the study says so, and why.
    scatter_seed : int or None
        Seed of the hand scatter; None when there is none.
    notes : tuple of str
    """

    walls: tuple[WallLayout, ...]
    alternatives: tuple[Alternative, ...]
    forms: Mapping[str, Outlines]
    joins: tuple[Join, ...] = ()
    decisions: tuple[DecisionEntry, ...] = ()
    scatter_seed: int | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def n_motifs(self) -> int:
        """Motifs in the room."""
        return sum(wall.n_motifs for wall in self.walls)

    @property
    def uncertainty(self) -> float:
        """Average uncertainty of the room, weighted by metal area: 0 all measured on the wall, 1 all chosen."""
        areas = np.array([wall.metal_mm2.sum() for wall in self.walls])
        means = np.array([wall.uncertainty["mean"] for wall in self.walls])
        return float(areas @ means / areas.sum()) if areas.sum() > 0 else 0.0

    def why_not_the_runner_up(self, wall: str) -> str:
        """In words: the best alternative that was not taken for a wall, and what speaks against it."""
        other = runner_up([a for a in self.alternatives if a.wall == wall])
        return "there was no other" if other is None else f"{other.name} was not taken: {other.why}"

    def __repr__(self) -> str:
        return f"Layout({self.n_motifs} motifs on {len(self.walls)} walls)"

    def _repr_html_(self) -> str:
        rows = [
            (wall.name, f"{wall.n_motifs} motifs, {wall.across_mm:.1f} × {wall.down_mm:.1f} mm") for wall in self.walls
        ]
        return card(f"Layout of {self.n_motifs} motifs", rows, notes=self.notes, drawing=self.sketched())

    def sketched(self) -> str:
        """All walls, left to right, with every motif, as a drawing for a card."""
        shifts = side_by_side(wall.wall.outline_mm for wall in self.walls)
        moved = list(zip(self.walls, shifts, strict=True))
        rings = [ring + shift for wall, shift in moved for ring in wall.wall.rings_mm]
        motifs = np.concatenate([np.empty((0, 2)), *(wall.xy_mm + shift for wall, shift in moved)])
        return sketch("The walls side by side, with every motif", rings_mm=rings, dots_mm=motifs)
