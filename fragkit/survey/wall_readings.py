"""Readings that a second person made on the wall, from their table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import SurveyError
from fragkit.frozen import frozen_array
from fragkit.survey.folder import Folder, Place
from fragkit.survey.tables import Column, check_unique, read_table

READING_COLUMNS = (
    Column("id", "text"),
    Column("x_mm"),
    Column("y_mm"),
    Column("session", "text", optional=True),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class WallReadings:
    """Marks measured again.

    Attributes
    ----------
    file : str
    id : tuple of str
        Names of the marks, as on the sheets.
    xy_mm : (n, 2) array
        From the datum of the wall.
    session : tuple of str
        Empty where the table has no such column.
    """

    file: str
    id: tuple[str, ...]
    xy_mm: NDArray[np.float64]
    session: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy_mm", frozen_array(self.xy_mm))

    def __repr__(self) -> str:
        return f"WallReadings({self.file!r}, {len(self.id)} marks)"


def read_wall_readings(path: Path) -> WallReadings:
    """The readings in the CSV table `path`, with the columns id, x_mm, y_mm and, if wanted, session.

    Raises
    ------
    SurveyError
        With every fault of the table: a missing file, a wrong cell, a mark that comes twice in one session.
    """
    path = Path(path)
    folder = Folder(path.parent)
    found = folder.find(path.name, Place(path.name), "the table of readings")
    table = read_table(folder, found, READING_COLUMNS) if found is not None else None
    if table is not None and "session" not in table.columns:
        check_unique(folder, table, "id")
    if table is None or folder.faults:
        raise SurveyError(tuple(folder.faults))
    return WallReadings(
        file=path.name,
        id=tuple(table.columns["id"]),
        xy_mm=table.numbers("x_mm", "y_mm").reshape(-1, 2),
        session=tuple(table.columns.get("session", [""] * len(table))),
    )
