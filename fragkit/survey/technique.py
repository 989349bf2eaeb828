"""What is assumed of the making beforehand, marks set on the spot, and tool marks that the eye saw."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from fragkit.frozen import frozen_array
from fragkit.survey.document import Document, validated
from fragkit.survey.folder import Folder
from fragkit.survey.schema import TechniqueTable
from fragkit.survey.tables import Column, CsvTable, read_table
from fragkit.survey.technique_entries import SPEAKS_FOR, MarksEntry, SignEntry, TechniqueEntry

METHODS = ("eye", "grid", "plate")
LEAST_MARKS = 12

_MARK_COLUMNS = (
    Column("method", "text"),
    Column("person", "text"),
    Column("column", "whole"),
    Column("row", "whole"),
    Column("x_mm"),
    Column("y_mm"),
    Column("sd_mm", above=0.0),
    Column("plate_columns", "whole", optional=True, blank=True, least=1),
    Column("plate_rows", "whole", optional=True, blank=True, least=1),
)


def read_technique(folder: Folder, document: Document) -> TechniqueEntry | None:
    """`[technique]` with its table of marks, or None and its faults."""
    table = validated(folder, document, TechniqueTable, document.data.get("technique", {}), ("technique",))
    if table is None:
        return None
    return TechniqueEntry(
        placing={str(name): weight for name, weight in table.placing.items()},
        forming={str(name): weight for name, weight in table.forming.items()},
        scatter_mm={name: (median, log_sd) for name, (median, log_sd) in table.scatter_mm.items()},
        outline_spread_mm={name: (median, log_sd) for name, (median, log_sd) in table.outline_spread_mm.items()},
        reason=table.reason,
        marks=_read_marks(folder, document, table.marks),
        signs=tuple(
            SignEntry(
                what=seen.what,
                odds=seen.odds,
                favours=tuple(seen.favours) or SPEAKS_FOR[seen.what],
                reason=seen.reason,
            )
            for seen in table.seen
        ),
    )


def _read_marks(folder: Folder, document: Document, name: str | None) -> tuple[MarksEntry, ...]:
    path = folder.find(name, document.place("technique", "marks"), "the table of marks") if name else None
    table = read_table(folder, path, _MARK_COLUMNS) if path else None
    if table is None:
        return ()
    for k, method in enumerate(table.columns["method"]):
        if method not in METHODS:
            folder.fault(table.place(k, "method"), f"the method is {method!r}.", f"Use one of {', '.join(METHODS)}.")
    return tuple(_sets_of_marks(folder, table))


def _sets_of_marks(folder: Folder, table: CsvTable) -> Iterator[MarksEntry]:
    """One entry for each person and method, in the order of the table."""
    keys = list(zip(table.columns["method"], table.columns["person"], strict=True))
    for method, person in dict.fromkeys(keys):
        rows = [k for k, key in enumerate(keys) if key == (method, person)]
        columns, plate_rows = (_cell(table, name, rows[0]) or 1 for name in ("plate_columns", "plate_rows"))
        if len(rows) < LEAST_MARKS:
            message = f"{person} set {len(rows)} marks by {method}."
            folder.fault(table.place(rows[0]), message, f"At least {LEAST_MARKS} are needed; 48 are better.")
        elif method == "plate" and columns * plate_rows < 2:
            message = f"the plate of {person} has one opening."
            folder.fault(table.place(rows[0]), message, "Write its openings under plate_columns and plate_rows.")
        elif method in METHODS:
            yield MarksEntry(
                method=method,
                person=person,
                index=frozen_array(np.column_stack([table.columns["column"], table.columns["row"]])[rows], dtype=int),
                xy_mm=frozen_array(np.column_stack([table.numbers("x_mm"), table.numbers("y_mm")])[rows]),
                sd_mm=float(np.median(table.numbers("sd_mm")[rows])),
                group=(columns, plate_rows),
            )


def _cell(table: CsvTable, name: str, row: int) -> Any:
    return table.columns[name][row] if name in table.columns else None
