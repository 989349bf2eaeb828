"""Areas that a person marked on a photograph, such as what has been cleaned: outlines with a name.

`areas = "north-1-areas.csv"` in a `[[photo]]`, columns `area,x_px,y_px`: the points of each outline in order round it.
An area of several outlines numbers them in a column `outline`. Colours of each area are reported by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.frozen import frozen_array
from fragkit.survey.folder import Folder, Place
from fragkit.survey.tables import Column, CsvTable, read_table

REST = "the rest"
_COLUMNS = (Column("area", "text"), Column("x_px"), Column("y_px"), Column("outline", "text", optional=True))


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaEntry:
    """An area of a photograph: its name and its outlines, each (n, 2), displayed pixels in order round it."""

    name: str
    outlines_px: tuple[NDArray[np.float64], ...]


def read_areas(folder: Folder, name: str, place: Place) -> tuple[AreaEntry, ...]:
    """The areas in the table `name`, in the order in which they first come; its faults are noted."""
    path = folder.find(name, place, "the table of areas")
    rows = read_table(folder, path, _COLUMNS) if path else None
    if rows is None:
        return ()
    xy, parts = rows.numbers("x_px", "y_px").reshape(-1, 2), rows.columns.get("outline")
    groups: dict[str, dict[str, list[int]]] = {}
    for k, area in enumerate(rows.columns["area"]):
        groups.setdefault(area, {}).setdefault(parts[k] if parts else "", []).append(k)
    _check(folder, rows, xy, groups)
    return tuple(
        AreaEntry(name=area, outlines_px=tuple(frozen_array(xy[ks]) for ks in outlines.values()))
        for area, outlines in groups.items()
    )


def _check(folder: Folder, rows: CsvTable, xy: NDArray[np.float64], groups: dict[str, dict[str, list[int]]]) -> None:
    for area, outlines in groups.items():
        for ks in outlines.values():
            if area == REST:
                folder.fault(
                    rows.place(ks[0], "area"), f"{REST!r} is what no area holds.", "Give the area another name."
                )
            elif len(ks) < 3:
                message = f"the outline of {area!r} has {len(ks)} points."
                folder.fault(rows.place(ks[0], "area"), message, "Give three or more, in order round it.")
            elif not shapely.Polygon(xy[ks]).is_valid:
                remedy = "List the points in order round it; number several outlines in a column 'outline'."
                folder.fault(rows.place(ks[0], "area"), f"the outline of {area!r} crosses itself.", remedy)
