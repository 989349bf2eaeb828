"""Materials beside leaf, from areas: size, ground, shadow colour, drops of paper or canvas, tape and sheets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.survey import CoverageEntry, DropsEntry
from fragkit.works.costs import three, unit_name
from fragkit.works.metals import COMMON_PRACTICE
from fragkit.works.montecarlo import Distribution, Rectangular

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.survey import WorksEntry
    from fragkit.works.takeoff import TakeOff

FloatArray = NDArray[np.float64]

ASSUMED_COVERAGE: Mapping[str, CoverageEntry] = {
    "size": CoverageEntry(m2_per_unit=(10.0, 18.0), waste_ratio=0.5),
    "ground": CoverageEntry(m2_per_unit=(8.0, 12.0), coats=2, waste_ratio=0.1),
    "shadow": CoverageEntry(m2_per_unit=(8.0, 12.0), waste_ratio=0.5),
}
"""Common practice, no source; small shapes waste half as much again in brush and pot."""

TAPE_ROLL_M = 50.0
SHEET_M2 = 20.0
FLOOR_STRIP_M = 2.0
SPARE_RATIO = 0.1
"""Tape along every edge, sheets over a strip of floor before every wall: common practice, no source."""

_ITEMS = {"size": "size", "ground": "ground", "shadow": "shadow colour"}


@dataclass(frozen=True, kw_only=True)
class MaterialNeed:
    """One material: how much of it, from what, on whose word; a quantity of None is a gap.

    Attributes
    ----------
    item, unit : str
    quantity : (p05, p50, p95) or None
    basis : str
        How it was computed.
    source : str
    """

    item: str
    unit: str
    quantity: tuple[float, float, float] | None
    basis: str
    source: str


def coverage_inputs(works: WorksEntry) -> dict[str, Distribution]:
    """What is open about how far a material goes."""
    return {
        f"coverage of {_ITEMS[name]}": Rectangular(*_coverage(works, name).m2_per_unit)
        for name in _ITEMS
        if np.ptp(_coverage(works, name).m2_per_unit) > 0
    }


def material_needs(
    layout: Layout, takeoff: TakeOff, works: WorksEntry, *, draws: Mapping[str, FloatArray]
) -> tuple[tuple[MaterialNeed, ...], dict[tuple[str, str], FloatArray | float]]:
    """Every material and its quantity, also as draws by (item, unit) for the costs.

    Parameters
    ----------
    draws : mapping of input to (n,) array
        Holds those of `coverage_inputs`.

    Notes
    -----
    Quantity = area × coats × (1 + waste) / coverage. Drops are counted whole: as many as cover the width, as many
    from a roll as fit its length, openings not taken off (common practice).
    """
    area = draws.get("metal area", 1.0)
    areas: dict[str, FloatArray | float] = {
        "size": takeoff.metal_area_m2 * area,
        "ground": wall_area_m2(layout),
        "shadow": takeoff.shadow_area_m2,
    }
    quantities: dict[tuple[str, str], FloatArray | float] = {}
    needs = []
    for name, item in _ITEMS.items():
        coverage = _coverage(works, name)
        drawn = draws.get(f"coverage of {item}", coverage.m2_per_unit[0])
        amount = np.asarray(areas[name] * coverage.coats * (1 + coverage.waste_ratio) / drawn)
        unit = unit_name(coverage.unit)
        quantities |= {(item, "m2"): areas[name], (item, unit): amount}
        source = "coverage as stated in the study" if name in works.coverage else COMMON_PRACTICE
        basis = _basis(float(np.median(areas[name])), coverage)
        needs.append(MaterialNeed(item=item, unit=unit, quantity=three(amount), basis=basis, source=source))
    for need in (_drops(layout, works.drops), _tape(layout), _sheets(layout)):
        needs.append(need)
        if need.quantity is not None:
            quantities[need.item, need.unit] = need.quantity[1]
    return tuple(needs), quantities


def wall_area_m2(layout: Layout) -> float:
    """Wall surface without openings."""
    area_mm2 = 0.0
    for wall in layout.walls:
        surface = shapely.Polygon(wall.wall.outline_mm)
        for opening in wall.wall.openings:
            surface = surface.difference(shapely.Polygon(opening.outline_mm))
        area_mm2 += surface.area
    return area_mm2 * 1e-6


def count_drops(width_mm: float, height_mm: float, roll: DropsEntry) -> tuple[int, int]:
    """Drops that cover a width, and drops to be had from one roll.

    Raises
    ------
    ValueError
        If a roll is too short for one drop, or a lap is no narrower than the roll.
    """
    if not roll.lap_mm < roll.width_mm:
        raise ValueError(f"lap_mm is {roll.lap_mm:g} on a roll {roll.width_mm:g} mm wide: it must be narrower.")
    n_drops = max(1, math.ceil((width_mm - roll.lap_mm) / (roll.width_mm - roll.lap_mm) - 1e-9))
    per_roll = math.floor(roll.length_mm / (height_mm + roll.trim_mm) + 1e-9)
    if per_roll == 0:
        raise ValueError(
            f"A roll of {roll.length_mm:g} mm is too short for one drop of {height_mm + roll.trim_mm:.0f} mm: "
            "state a longer roll in length_mm."
        )
    return n_drops, per_roll


def _coverage(works: WorksEntry, name: str) -> CoverageEntry:
    return works.coverage.get(name, ASSUMED_COVERAGE[name])


def _basis(area_m2: float, coverage: CoverageEntry) -> str:
    low, high = coverage.m2_per_unit
    goes = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    coats = "1 coat" if coverage.coats == 1 else f"{coverage.coats} coats"
    per = f"{goes} m² per {unit_name(coverage.unit)}"
    return f"{area_m2:.3g} m², {coats}, {per}, {coverage.waste_ratio:.0%} wasted"


def _drops(layout: Layout, roll: DropsEntry | None) -> MaterialNeed:
    if roll is None:
        text = "only if the ground is papered or on canvas: state the roll under [works.drops]"
        return MaterialNeed(item="paper or canvas", unit="roll", quantity=None, basis=text, source="")
    n_rolls, n_drops = 0.0, 0
    for wall in layout.walls:
        width, height = np.ptp(np.asarray(wall.wall.outline_mm, float), axis=0).tolist()
        drops, per_roll = count_drops(width, height, roll)
        n_drops += drops
        n_rolls += drops / per_roll
    whole = float(math.ceil(n_rolls * (1 + roll.spare_ratio) - 1e-9))
    basis = (
        f"{n_drops} drops of a roll {roll.width_mm:g} mm × {roll.length_mm / 1000:g} m, {roll.trim_mm:g} mm trim, "
        f"{roll.spare_ratio:.0%} spare; openings not taken off"
    )
    source = "roll as stated in the study"
    return MaterialNeed(item="paper or canvas", unit="roll", quantity=(whole,) * 3, basis=basis, source=source)


def _tape(layout: Layout) -> MaterialNeed:
    rings = [ring for wall in layout.walls for ring in (wall.wall.outline_mm, *_openings(wall))]
    length_m = 1e-3 * sum(shapely.LinearRing(ring).length for ring in rings)
    rolls = float(math.ceil(length_m * (1 + SPARE_RATIO) / TAPE_ROLL_M - 1e-9))
    basis = (
        f"{length_m:.0f} m of edges, rolls of {TAPE_ROLL_M:g} m, {SPARE_RATIO:.0%} spare; "
        "never on historic paint or leaf"
    )
    return MaterialNeed(item="tape", unit="roll", quantity=(rolls,) * 3, basis=basis, source=COMMON_PRACTICE)


def _sheets(layout: Layout) -> MaterialNeed:
    width_m = 1e-3 * sum(float(np.ptp(np.asarray(wall.wall.outline_mm, float)[:, 0])) for wall in layout.walls)
    area_m2 = width_m * FLOOR_STRIP_M
    sheets = float(math.ceil(area_m2 * (1 + SPARE_RATIO) / SHEET_M2 - 1e-9))
    basis = f"{FLOOR_STRIP_M:g} m of floor before {width_m:.1f} m of wall, sheets of {SHEET_M2:g} m², one set"
    return MaterialNeed(item="sheets", unit="sheet", quantity=(sheets,) * 3, basis=basis, source=COMMON_PRACTICE)


def _openings(wall: object) -> list[FloatArray]:
    return [opening.outline_mm for opening in wall.wall.openings]  # type: ignore[attr-defined]
