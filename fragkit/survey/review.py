"""What a person decided about motifs that the program found, place by place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.frozen import frozen_array
from fragkit.survey.folder import Folder, Place
from fragkit.survey.tables import Column, CsvTable, read_table

VERDICTS = ("accept", "move", "drop")
REVIEW_HEADER = ("x_mm", "y_mm", "verdict", "to_x_mm", "to_y_mm", "sd_mm")
_COLUMNS = (
    Column("x_mm"),
    Column("y_mm"),
    Column("verdict", "text"),
    Column("to_x_mm", blank=True),
    Column("to_y_mm", blank=True),
    Column("sd_mm", above=0.0, blank=True),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class ReviewEntry:
    """Decisions about sites of one photograph, each known by its place on the plane.

    Attributes
    ----------
    xy_mm : (n, 2) array
        Where the program has the site.
    verdict : tuple of str
        "accept" (seen by a person too), "move" (the motif is at `to_xy_mm`) or "drop" (there is no motif).
    to_xy_mm : (n, 2) array
        Equal to `xy_mm` unless moved.
    sd_mm : (n,) array
        One standard deviation of a moved place, per coordinate; zero unless moved.
    """

    xy_mm: NDArray[np.float64]
    verdict: tuple[str, ...]
    to_xy_mm: NDArray[np.float64]
    sd_mm: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.verdict)


def read_review(folder: Folder, name: str, place: Place) -> ReviewEntry | None:
    """The decisions in the table `name`, or None and its faults."""
    path = folder.find(name, place, "the table of reviewed motifs")
    rows = read_table(folder, path, _COLUMNS) if path else None
    if rows is None or not _check(folder, rows):
        return None
    xy = rows.numbers("x_mm", "y_mm").reshape(-1, 2)
    is_moved = np.array([verdict == "move" for verdict in rows.columns["verdict"]], bool)
    to = np.where(is_moved[:, None], rows.numbers("to_x_mm", "to_y_mm").reshape(-1, 2), xy)
    return ReviewEntry(
        xy_mm=frozen_array(xy),
        verdict=tuple(rows.columns["verdict"]),
        to_xy_mm=frozen_array(to),
        sd_mm=frozen_array(np.where(is_moved, rows.numbers("sd_mm"), 0.0)),
    )


def _check(folder: Folder, rows: CsvTable) -> bool:
    n_before = len(folder.faults)
    for k, verdict in enumerate(rows.columns["verdict"]):
        if verdict not in VERDICTS:
            folder.fault(rows.place(k, "verdict"), f"{verdict!r} is no verdict.", f"Write {', '.join(VERDICTS)}.")
        lacking = [name for name in REVIEW_HEADER[3:] if rows.columns[name][k] is None]
        if verdict == "move" and lacking:
            message = f"a moved motif lacks {', '.join(lacking)}."
            folder.fault(rows.place(k, lacking[0]), message, "Give where its centre is, and how sure that is.")
    return len(folder.faults) == n_before
