"""Control tables while they are being made: marked points that may still lack their millimetres, and distances."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fragkit.errors import Fault, SurveyError

POINT_HEADER = ("point", "x_px", "y_px", "x_mm", "y_mm", "sd_mm")
PIXEL_HEADER = POINT_HEADER[:3]
DISTANCE_HEADER = ("from", "to", "distance_mm", "sd_mm")


@dataclass(frozen=True, kw_only=True)
class MarkedPoint:
    """A point marked in a photograph; its plane coordinates are None until they are known."""

    name: str
    x_px: float
    y_px: float
    x_mm: float | None = None
    y_mm: float | None = None
    sd_mm: float | None = None

    @property
    def is_measured(self) -> bool:
        """Whether it has both plane coordinates and their error."""
        return None not in (self.x_mm, self.y_mm, self.sd_mm)


@dataclass(frozen=True, kw_only=True)
class TapedDistance:
    """A distance taped between two named points."""

    start: str
    end: str
    distance_mm: float
    sd_mm: float


def read_marked(path: Path) -> tuple[MarkedPoint, ...]:
    """The points of a control table, finished or not; none if the table is missing or empty.

    Parameters
    ----------
    path : Path
        A CSV of point,x_px,y_px and, once measured, x_mm,y_mm,sd_mm; cells of the last three may be blank.

    Raises
    ------
    SurveyError
        A column that is unknown or missing, or a cell that is no number.
    """
    rows = _rows(path, POINT_HEADER, needed=PIXEL_HEADER)
    return tuple(
        MarkedPoint(
            name=row["point"],
            x_px=_number(path, k, "x_px", row["x_px"]),
            y_px=_number(path, k, "y_px", row["y_px"]),
            **{
                column: _number(path, k, column, row[column]) if row.get(column) else None
                for column in ("x_mm", "y_mm", "sd_mm")
            },
        )
        for k, row in rows
    )


def read_taped(path: Path) -> tuple[TapedDistance, ...]:
    """The distances of a table from,to,distance_mm,sd_mm; none if the table is missing or empty.

    Raises
    ------
    SurveyError
        A column that is unknown or missing, or a cell that is no number.
    """
    rows = _rows(path, DISTANCE_HEADER, needed=DISTANCE_HEADER)
    return tuple(
        TapedDistance(
            start=row["from"],
            end=row["to"],
            distance_mm=_number(path, k, "distance_mm", row["distance_mm"]),
            sd_mm=_number(path, k, "sd_mm", row["sd_mm"]),
        )
        for k, row in rows
    )


def _rows(path: Path, known: Sequence[str], *, needed: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    """Row number and cells by column of every row that is not blank."""
    try:
        text = path.read_text(encoding="utf-8-sig") if path.is_file() else ""
    except UnicodeDecodeError:
        raise _fault(path, "", "the text is not UTF-8.", "Save it again as CSV UTF-8.") from None
    reader = csv.reader(io.StringIO(text), skipinitialspace=True)
    lines = [(reader.line_num, [cell.strip() for cell in row]) for row in reader if any(map(str.strip, row))]
    if not lines:
        return []
    (_, header), *body = lines
    if not (set(needed) <= set(header) <= set(known)):
        raise _fault(path, "row 1", f"the columns are {', '.join(header)}.", f"They must be {','.join(known)}.")
    for number, cells in body:
        if len(cells) != len(header):
            message = f"{len(cells)} cells where the header has {len(header)}."
            raise _fault(path, f"row {number}", message, "Write 12.5, not 12,5, and keep a comma for every cell.")
    return [(number, dict(zip(header, cells, strict=True))) for number, cells in body]


def _number(path: Path, row: int, column: str, cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        where = f"row {row}, column {column}"
        raise _fault(path, where, f"{cell!r} is not a number.", "Write the number alone, with a decimal point.")
    return value


def _fault(path: Path, where: str, message: str, remedy: str) -> SurveyError:
    return SurveyError((Fault(file=path.name, where=where, message=message, remedy=remedy),))
