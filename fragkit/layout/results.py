"""What the layout room takes from the evidence and what it gives back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]
Outlines = Mapping[str, tuple[FloatArray, ...]]

POSITION_CLASSES = (
    "measured on the wall",
    "legible trace",
    "interpolated between evidence",
    "extrapolated",
    "by analogy",
    "chosen to fit",
)
"""Classes of certainty, from evidence to design; one vocabulary for position, form and material."""


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
        "level" or "edges".
    within_evidence : bool
        Both repeats lie within their interval for a new wall.
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
    cost: float
    terms: Mapping[str, float]
    chosen: bool
    why: str

    def __repr__(self) -> str:
        mark = ", chosen" if self.chosen else ""
        return f"Alternative({self.name!r}, {self.n_motifs} motifs, cost {self.cost:.2f}{mark})"


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
    follow_difference_mm : float
        How far the worst motif would move if the other of "level" and "edges" were followed.
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
            *((f"Position {name}", str(counts[name])) for name in POSITION_CLASSES if counts[name]),
        ]
        return card(f"Wall {self.name}", rows, notes=self.notes)


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
    notes : tuple of str
    """

    walls: tuple[WallLayout, ...]
    alternatives: tuple[Alternative, ...]
    forms: Mapping[str, Outlines]
    notes: tuple[str, ...] = field(default=())

    @property
    def n_motifs(self) -> int:
        """Motifs in the room."""
        return sum(wall.n_motifs for wall in self.walls)

    def __repr__(self) -> str:
        return f"Layout({self.n_motifs} motifs on {len(self.walls)} walls)"

    def _repr_html_(self) -> str:
        rows = [
            (wall.name, f"{wall.n_motifs} motifs, {wall.across_mm:.1f} × {wall.down_mm:.1f} mm") for wall in self.walls
        ]
        return card(f"Layout of {self.n_motifs} motifs", rows, notes=self.notes)
