"""Control by tape: a table of marked points and a table of distances between them."""

from __future__ import annotations

import numpy as np

from fragkit.frozen import frozen_array
from fragkit.survey.entries import TapeControl
from fragkit.survey.folder import Folder, Place
from fragkit.survey.schema import TapeTable
from fragkit.survey.tables import Column, CsvTable, check_unique, read_table

_PIXEL_COLUMNS = (Column("point", "text"), Column("x_px"), Column("y_px"))
_DISTANCE_COLUMNS = (
    Column("from", "text"),
    Column("to", "text"),
    Column("distance_mm", above=0.0),
    Column("sd_mm", above=0.0),
)
_FEWEST_POINTS = 4


def read_tape(folder: Folder, table: TapeTable, place: Place) -> TapeControl | None:
    """The points and distances that `table` names, or None and their faults."""
    paths = [
        folder.find(name, place, what)
        for name, what in ((table.pixels, "the table of points"), (table.distances, "the table of distances"))
    ]
    points = read_table(folder, paths[0], _PIXEL_COLUMNS) if paths[0] else None
    distances = read_table(folder, paths[1], _DISTANCE_COLUMNS) if paths[1] else None
    if points is None or distances is None:
        return None
    n_before = len(folder.faults)
    check_unique(folder, points, "point")
    if len(points) < _FEWEST_POINTS:
        message = f"{len(points)} marked points cannot fix a plane."
        folder.fault(Place(points.file), message, "At least 4 are needed, better 6, with braces across them.")
    pairs = _pairs(folder, points, distances)
    _check_level(folder, table, points, place)
    if len(folder.faults) > n_before:
        return None
    return TapeControl(
        names=tuple(points.columns["point"]),
        xy_px=frozen_array(points.numbers("x_px", "y_px")),
        pairs=frozen_array(pairs, dtype=np.int64),
        distance_mm=frozen_array(distances.numbers("distance_mm")),
        sd_mm=frozen_array(distances.numbers("sd_mm")),
        sd_px=table.sd_px,
        level=(table.level[0], table.level[1]) if table.level else None,
    )


def _pairs(folder: Folder, points: CsvTable, distances: CsvTable) -> list[tuple[int, int]]:
    """Rows of the two points of each distance; a name that is not among the points is a fault."""
    number = {name: k for k, name in enumerate(points.columns["point"])}
    pairs = []
    for row, ends in enumerate(zip(distances.columns["from"], distances.columns["to"], strict=True)):
        for column, name in zip(("from", "to"), ends, strict=True):
            if name not in number:
                message = f"there is no point {name!r} in {points.file!r}."
                folder.fault(distances.place(row, column), message, "Correct the name, or add the point.")
        if ends[0] == ends[1]:
            message = f"the distance from {ends[0]!r} to itself is none."
            folder.fault(distances.place(row, "to"), message, "Name two different points.")
        pairs.append((number.get(ends[0], 0), number.get(ends[1], 0)))
    return pairs


def _check_level(folder: Folder, table: TapeTable, points: CsvTable, place: Place) -> None:
    for name in table.level or ():
        if name not in points.columns["point"]:
            message = f"level names {name!r}, which is not among the points."
            folder.fault(place, message, "Name two of the points that lie on a level line, left one first.")
