"""A room of four walls, out of square and out of plumb: door, window, chimneypiece, dado and cornice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.survey.entries import EdgeEntry, OpeningEntry, WallEntry

FloatArray = NDArray[np.float64]

WALL_NAMES = ("north", "east", "south", "west")
"""Clockwise from above, as one sees them turning to the right inside the room."""

PLAN_MM = (5060.0, 4110.0)
CEILING_MM = 2950.0
DADO_MM = 60.0
"""Height of the dado's top above the room's datum, a level line that was snapped all round just below it."""
CORNICE_MM = 1846.0

CORNICE_FALL_MM = 25.0
"""Of the cornice along a wall of 5 m. A paperhanger's published notes: 1 in and more across one room."""
OUT_OF_PLUMB_MM = 38.0
"""Of the worst corner line, floor to ceiling. The same notes: 1½ in."""
SKEW_SD_MM = 16.0
"""Of each corner of the plan; common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Room:
    """Four walls; corner k is the left end of wall k seen from inside.

    Attributes
    ----------
    corners_mm : (4, 2) array
        Plan at the datum, x east, y north.
    leans_mm : (4, 2) array
        How far each corner line moves in plan from floor to ceiling.
    dado_mm, cornice_mm : (4,) arrays
        Heights above the datum at each corner.
    sag_mm : (4,) array
        How far each wall's cornice hangs below its chord in the middle.
    """

    corners_mm: FloatArray
    leans_mm: FloatArray
    dado_mm: FloatArray
    cornice_mm: FloatArray
    sag_mm: FloatArray

    def length_mm(self, k: int) -> float:
        """Length of wall k at the datum."""
        return float(np.linalg.norm(self.corners_mm[(k + 1) % 4] - self.corners_mm[k]))

    def length_of(self, name: str) -> float:
        """Length at the datum of the wall called `name`."""
        return self.length_mm(WALL_NAMES.index(name))

    def corner_angles_deg(self) -> FloatArray:
        """Inner angles (4,) of the plan."""
        ahead = np.roll(self.corners_mm, -1, axis=0) - self.corners_mm
        behind = np.roll(self.corners_mm, 1, axis=0) - self.corners_mm
        cosine = (ahead * behind).sum(1) / np.linalg.norm(ahead, axis=1) / np.linalg.norm(behind, axis=1)
        return np.degrees(np.arccos(cosine))

    def outline_mm(self, k: int) -> FloatArray:
        """Corners (5, 2) of the field of wall k between dado and cornice, in the wall's frame.

        The frame's origin is where the datum meets the left corner. Each corner line leans along the wall by
        what its two walls, both out of plumb, make of it.
        """
        length, right = self.length_mm(k), (k + 1) % 4
        along = (self.corners_mm[right] - self.corners_mm[k]) / length
        slopes = self.leans_mm[[k, right]] @ along / CEILING_MM
        low, high = self.dado_mm[[k, right]], self.cornice_mm[[k, right]]
        middle = [length / 2.0, high.mean() - self.sag_mm[k]]
        return np.array(
            [
                [slopes[0] * low[0], low[0]],
                [length + slopes[1] * low[1], low[1]],
                [length + slopes[1] * high[1], high[1]],
                middle,
                [slopes[0] * high[0], high[0]],
            ]
        ).round(1)


def draw_room(rng: np.random.Generator) -> Room:
    """A room of about 5.1 × 4.1 m, as crooked as old rooms are.

    The worst cornice falls by `CORNICE_FALL_MM` in the length of its wall, the worst corner line is
    `OUT_OF_PLUMB_MM` out from floor to ceiling, the plan's corners are off by `SKEW_SD_MM`.
    """
    width, depth = PLAN_MM
    square = np.array([[0.0, depth], [width, depth], [width, 0.0], [0.0, 0.0]])
    skew = rng.normal(0.0, SKEW_SD_MM, (4, 2))
    fall = rng.normal(0.0, 1.0, 4)
    fall *= CORNICE_FALL_MM / max(abs(fall[1] - fall[0]), abs(fall[3] - fall[2]))
    lean = rng.normal(0.0, 1.0, (4, 2))
    lean *= OUT_OF_PLUMB_MM / np.abs(lean).max()
    return Room(
        corners_mm=square + skew,
        leans_mm=lean,
        dado_mm=DADO_MM + rng.normal(0.0, 3.0, 4).round(1),
        cornice_mm=CORNICE_MM + fall - fall.mean(),
        sag_mm=rng.uniform(1.0, 6.0, 4),
    )


@dataclass(frozen=True, kw_only=True)
class Gap:
    """An opening as built: its axis as a share of the wall's length, width, foot and head above the datum."""

    kind: str
    axis_ratio: float
    width_mm: float
    foot_mm: float
    head_mm: float
    clearance_mm: float


GAPS: Mapping[str, Gap] = MappingProxyType(
    {
        "east": Gap(
            kind="chimneypiece",
            axis_ratio=0.5,
            width_mm=1520.0,
            foot_mm=0.0,
            head_mm=432.0,
            clearance_mm=20.0,
        ),
        "south": Gap(kind="window", axis_ratio=0.47, width_mm=1180.0, foot_mm=296.0, head_mm=1548.0, clearance_mm=15.0),
        "west": Gap(kind="door", axis_ratio=0.24, width_mm=968.0, foot_mm=0.0, head_mm=1243.0, clearance_mm=15.0),
    }
)
"""By wall; the north wall has none."""


def walls_of(room: Room, rng: np.random.Generator) -> tuple[WallEntry, ...]:
    """The four walls as entries of a survey, each with its openings, edges and axis."""
    return tuple(_wall(room, k, rng) for k in range(4))


def _wall(room: Room, k: int, rng: np.random.Generator) -> WallEntry:
    name, outline, axis_mm = WALL_NAMES[k], room.outline_mm(k), room.length_mm(k) / 2.0
    edges = [
        _edge("dado", "dado", outline[[0, 1]], "shift"),
        _edge("right corner", "corner", outline[[1, 2]], "shift"),
        _edge("cornice", "cornice", outline[[2, 3, 4]], "reduce"),
        _edge("left corner", "corner", outline[[4, 0]], "shift"),
    ]
    openings: tuple[OpeningEntry, ...] = ()
    if name in GAPS:
        gap = GAPS[name]
        corners = _corners(gap, room.length_mm(k), rng)
        seen = shapely.Polygon(corners).intersection(shapely.Polygon(outline))
        ring = np.array(seen.exterior.coords)[:-1].round(1)
        openings = (OpeningEntry(kind=gap.kind, name=gap.kind, outline_mm=ring, clearance_mm=gap.clearance_mm),)
        frame = corners[[1, 2, 3, 0, 1]] if gap.foot_mm > DADO_MM else corners[[1, 2, 3, 0]]
        edges.append(_edge(f"{gap.kind} frame", "frame", frame, "reshape"))
        axis_mm = float(corners[:, 0].mean()) if gap.kind != "door" else axis_mm
    return WallEntry(
        name=name,
        outline_mm=outline,
        openings=openings,
        edges=tuple(edges),
        axis_x_mm=round(axis_mm, 1),
        next=WALL_NAMES[(k + 1) % 4],
        clearance_mm=8.0,
    )


def _corners(gap: Gap, length_mm: float, rng: np.random.Generator) -> FloatArray:
    """Corners (4, 2) of an opening, a few millimetres out of square, from its lower left anticlockwise."""
    middle, half = gap.axis_ratio * length_mm, gap.width_mm / 2.0
    left, right = middle - half, middle + half
    box = np.array([[left, gap.foot_mm], [right, gap.foot_mm], [right, gap.head_mm], [left, gap.head_mm]])
    return (box + rng.normal(0.0, 3.0, (4, 2))).round(1)


def _edge(name: str, kind: str, line_mm: FloatArray, rule: str) -> EdgeEntry:
    return EdgeEntry(name=name, kind=kind, line_mm=line_mm, rule=rule, max_shift_mm=12.0, min_scale_ratio=0.8)
