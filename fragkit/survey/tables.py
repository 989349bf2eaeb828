"""CSV tables of a study, every wrong cell named by row and column."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.survey.folder import Folder, Place
from fragkit.survey.wording import decimal_comma, suggestion

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+")


@dataclass(frozen=True)
class Column:
    """A column that a table may have: "text", "number" (finite) or "whole"; `least` is the smallest value.

    An `optional` column may be absent; in a `blank` one a cell may be empty, and is None.
    """

    name: str
    kind: str = "number"
    optional: bool = False
    least: float = -math.inf
    above: float = -math.inf
    blank: bool = False


@dataclass(frozen=True)
class CsvTable:
    """A table as read: the values of each column and the row of the file that each came from."""

    file: str
    row_numbers: tuple[int, ...]
    columns: Mapping[str, list[Any]]

    def __len__(self) -> int:
        return len(self.row_numbers)

    def place(self, k: int, column: str = "") -> Place:
        """Where entry `k` stands in the file."""
        row = f"row {self.row_numbers[k]}"
        return Place(self.file, f"{row}, column {column}" if column else row)

    def numbers(self, *names: str) -> NDArray[np.float64]:
        """The named columns as an array (n,) for one name, (n, names) for several."""
        array = np.array([self.columns[name] for name in names], dtype=float)
        return array[0] if len(names) == 1 else array.T


def read_table(folder: Folder, path: Path, columns: Sequence[Column]) -> CsvTable | None:
    """The table in the CSV file `path`, or None when it has a fault; every fault is noted."""
    text = folder.read_text(path)
    if text is None:
        return None
    n_before = len(folder.faults)
    file = folder.label(path)
    rows = _rows(folder, file, text)
    if not rows:
        folder.fault(Place(file), "the table is empty.", f"Its first row must be {_header(columns)}.")
        return None
    header = [cell.strip() for cell in rows[0][1]]
    if not _check_header(folder, Place(file, f"row {rows[0][0]}"), header, columns):
        return None
    table = _fill(folder, file, header, rows[1:], {column.name: column for column in columns})
    return table if len(folder.faults) == n_before else None


def check_unique(folder: Folder, table: CsvTable, column: str) -> bool:
    """Whether no value of `column` comes twice; each that does is a fault."""
    seen: dict[Any, int] = {}
    n_before = len(folder.faults)
    for k, value in enumerate(table.columns[column]):
        if value in seen:
            first = table.row_numbers[seen[value]]
            folder.fault(table.place(k, column), f"{value!r} stands in row {first} already.", "Give each its own.")
        seen.setdefault(value, k)
    return len(folder.faults) == n_before


def _rows(folder: Folder, file: str, text: str) -> list[tuple[int, list[str]]]:
    if "\0" in text:
        folder.fault(Place(file), "the file holds NUL characters, so it is no text table.", "Save it as CSV UTF-8.")
        return []
    reader = csv.reader(io.StringIO(text), skipinitialspace=True)
    try:
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        folder.fault(Place(file, f"row {reader.line_num}"), f"the row cannot be read: {error}.", "Save it as CSV.")
        return []


def _header(columns: Sequence[Column]) -> str:
    return ",".join(column.name for column in columns if not column.optional)


def _check_header(folder: Folder, place: Place, header: list[str], columns: Sequence[Column]) -> bool:
    n_before = len(folder.faults)
    names = [column.name for column in columns]
    if len(header) == 1 and (sign := next((s for s in ";\t" if s in header[0]), None)):
        written = "semicolons" if sign == ";" else "tabs"
        remedy = "Save it as CSV with commas between the columns and points in the numbers."
        folder.fault(place, f"the columns are separated by {written}.", remedy)
        return False
    meant = set(header)
    for name in header:
        if name not in names:
            folder.fault(place, f"unknown column {name!r}.", suggestion(name, names))
            meant.update(difflib.get_close_matches(name, names, n=1))
        elif header.count(name) > 1:
            folder.fault(place, f"column {name!r} comes {header.count(name)} times.", "Keep one of them.")
    missing = [column.name for column in columns if not column.optional and column.name not in meant]
    if missing:
        folder.fault(place, f"missing column {', '.join(missing)}.", f"The first row must be {_header(columns)}.")
    return len(folder.faults) == n_before


def _fill(
    folder: Folder,
    file: str,
    header: list[str],
    rows: list[tuple[int, list[str]]],
    columns: Mapping[str, Column],
) -> CsvTable:
    values: dict[str, list[Any]] = {name: [] for name in header}
    for number, row in rows:
        if len(row) != len(header):
            message = f"{len(row)} cells where the header has {len(header)}."
            remedy = "A decimal comma makes two cells of one number: write 12.5, not 12,5."
            folder.fault(Place(file, f"row {number}"), message, remedy)
            continue
        for name, cell in zip(header, row, strict=True):
            place = Place(file, f"row {number}, column {name}")
            values[name].append(_value(folder, place, cell.strip(), columns[name]))
    return CsvTable(file, tuple(number for number, row in rows if len(row) == len(header)), values)


def _value(folder: Folder, place: Place, cell: str, column: Column) -> Any:
    if not cell and column.blank:
        return None
    if not cell:
        folder.fault(place, "the cell is empty.", "Fill it in or remove the row.")
        return None
    if column.kind == "text":
        return cell
    if not _NUMBER.fullmatch(cell):
        folder.fault(place, *_no_number(cell))
        return None
    value = float(cell)
    if not math.isfinite(value):
        folder.fault(place, f"{cell} is too large for a measurement.", "Correct the value.")
    elif value < column.least or value <= column.above:
        limit = f"at least {column.least:g}" if value < column.least else f"more than {column.above:g}"
        folder.fault(place, f"the value is {cell}; it must be {limit}.", "Correct the value.")
    elif column.kind == "whole" and value != int(value):
        folder.fault(place, f"the value is {cell}; it must be a whole number.", "Correct the value.")
    return int(value) if column.kind == "whole" and math.isfinite(value) else value


def _no_number(cell: str) -> tuple[str, str]:
    if _COMMA_NUMBER.fullmatch(cell):
        return decimal_comma(cell)
    if cell.casefold().lstrip("+-") in {"nan", "inf", "infinity", "n/a", "na", "-", "none"}:
        return f"{cell} is no measurement.", "Write the measured value or remove the row."
    return f"{cell!r} is not a number.", "Write the number alone, with a decimal point and no unit."
