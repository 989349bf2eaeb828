"""The table of readings between named points of a wall."""

from __future__ import annotations

import numpy as np

from fragkit.survey.folder import Folder, Place
from fragkit.survey.measured import READING_KINDS, Readings
from fragkit.survey.schema import WallTable
from fragkit.survey.tables import Column, CsvTable, read_table
from fragkit.survey.wording import suggestion

DATUM = "datum"
"""A point of this name is where x and y begin; without one the first corner is."""

_COLUMNS = (
    Column("from", "text"),
    Column("to", "text"),
    Column("kind", "text"),
    Column("value"),
    Column("sd", above=0.0),
)


def read_readings(folder: Folder, table: WallTable, place: Place) -> Readings | None:
    """The readings of a wall (from, to, kind, value and sd in mm), or None and their faults."""
    path = folder.find(str(table.measures), place, "the table of measures")
    rows = read_table(folder, path, _COLUMNS) if path else None
    if rows is None or not _check_rows(folder, rows):
        return None
    names = _names(table, rows)
    number = {name: k for k, name in enumerate(names)}
    pairs = [[number[a], number[b]] for a, b in zip(rows.columns["from"], rows.columns["to"], strict=True)]
    return Readings(
        names=tuple(names),
        pairs=np.array(pairs, np.int64),
        kind=tuple(rows.columns["kind"]),
        value_mm=rows.numbers("value"),
        sd_mm=rows.numbers("sd"),
    )


def _names(table: WallTable, rows: CsvTable) -> list[str]:
    """The datum, then the corners in order, then whatever else was read to."""
    seen = dict.fromkeys(name for pair in zip(rows.columns["from"], rows.columns["to"], strict=True) for name in pair)
    corners = [name for name in table.corners or [] if name in seen]
    first = [DATUM] if DATUM in seen else []
    return list(dict.fromkeys([*first, *corners, *seen]))


def _check_rows(folder: Folder, rows: CsvTable) -> bool:
    n_before = len(folder.faults)
    if len(rows) == 0:
        folder.fault(Place(rows.file), "there is no reading in the table.", "Add one row for each reading.")
    for k in range(len(rows)):
        start, end, kind, value = (rows.columns[name][k] for name in ("from", "to", "kind", "value"))
        if kind not in READING_KINDS:
            message = f"{kind!r} is no kind of reading; it must be one of {', '.join(READING_KINDS)}."
            folder.fault(rows.place(k, "kind"), message, suggestion(kind, list(READING_KINDS)))
        if start == end:
            folder.fault(rows.place(k, "to"), f"the reading goes from {start!r} to itself.", "Name two points.")
        if kind == "distance" and value <= 0:
            folder.fault(rows.place(k, "value"), f"a distance of {value:g} mm.", "Correct the value.")
    return len(folder.faults) == n_before
