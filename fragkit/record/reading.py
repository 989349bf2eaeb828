"""Reading a record back."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fragkit.card import card
from fragkit.record.folder import RESULTS, UNFINISHED
from fragkit.record.schema import SCHEMA_VERSION, SINCE_2, fault_in, upgraded
from fragkit.record.tables import read_csv
from fragkit.sketch import sketch_bars

Table = tuple[Mapping[str, str], ...]

LAYOUT = "layout.csv"
NEEDED = ("wall", "id", "x_mm", "y_mm", "form", "position_class")
NUMBER = re.compile(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?")


@dataclass(frozen=True, eq=False, kw_only=True)
class Record:
    """A record as it lies in its folder.

    Attributes
    ----------
    folder : Path
    results : mapping
        `results.json`.
    tables : mapping of str to rows
        By path without ".csv" ("centres", "layout", "works", "setting-out/north"); cells are text, empty when
        absent.
    notes : tuple of str
        Files that are missing or were changed since the record was written; that the writing was cut off; that
        an earlier fragkit wrote it, and what is therefore absent.
    """

    folder: Path
    results: Mapping[str, Any]
    tables: Mapping[str, Table]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        title = self.results.get("study", {}).get("title", "")
        return f"Record({title!r}, {len(self.tables)} tables)"

    def _repr_html_(self) -> str:
        rows = [(name, f"{len(table)} rows") for name, table in self.tables.items()]
        counts = {str(wall["name"]): float(wall["n_motifs"]) for wall in self.results.get("walls") or ()}
        drawn = sketch_bars("Motifs on each wall", counts)
        return card(f"Record in {self.folder.name}", rows, notes=self.notes, drawing=drawn)


def read_record(out: Path) -> Record:
    """The record in the folder `out`: `results.json` and its tables.

    Raises
    ------
    ValueError
        If there is no record, its writing was cut off before it was complete, it is damaged, or a later
        version of fragkit wrote it.
    """
    out = Path(out)
    written = _read_results(out)
    results = _of_today(written, out / RESULTS)
    files: dict[str, str] = results["files"]
    _refuse_outside(out, files)
    differences = [note for name, digest in files.items() if (note := _difference(out / name, name, digest))]
    if results is not written:
        differences.append(SINCE_2)
    if any(out.glob(UNFINISHED)):
        differences.append("A later run into this folder was cut off while it wrote; this is the record before it.")
    tables = {
        name.removesuffix(".csv"): _read_table(out / name)
        for name in files
        if name.endswith(".csv") and (out / name).is_file()
    }
    return Record(folder=out, results=results, tables=tables, notes=tuple(differences))


def _read_results(out: Path) -> dict[str, Any]:
    """`results.json`, of a version that can be read."""
    path = out / RESULTS
    again = f"Run the study again with --out {out}."
    if not path.is_file() and any(out.glob(UNFINISHED)):
        raise ValueError(f"{out} holds a record whose writing was cut off before it was complete. {again}")
    if not path.is_file():
        raise ValueError(f"{out} holds no {RESULTS}, so no complete record. {again}")
    try:
        results: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        version = results["schema_version"]
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError(f"{path} is damaged or no record ({error}). {again}") from None
    if version not in range(1, SCHEMA_VERSION + 1):
        raise ValueError(
            f"{path} has schema_version {version!r}; this fragkit reads 1 to {SCHEMA_VERSION}. "
            "Use the fragkit that wrote it, or run the study again."
        )
    return results


def _of_today(written: dict[str, Any], path: Path) -> dict[str, Any]:
    """Results in the form of today's schema; refused when they do not have that form."""
    try:
        results = upgraded(written) if written["schema_version"] == 1 else written
        fault = fault_in(results)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        fault = f"{error!r}"
    if fault is not None:
        raise ValueError(f"{path} is damaged or no record ({fault}). Run the study again with --out {path.parent}.")
    return results


def _refuse_outside(out: Path, names: Iterable[str]) -> None:
    place = out.resolve()
    for name in names:
        if not (place / name).resolve().is_relative_to(place):
            raise ValueError(f"{out / RESULTS} names a file outside its folder ({name!r}): it is not read.")


def _read_table(path: Path) -> Table:
    try:
        table = read_csv(path.read_text(encoding="utf-8"))
        if path.name == LAYOUT:
            _check_layout(table)
        return table
    except (ValueError, csv.Error) as error:
        raise ValueError(
            f"{path} cannot be read as the table that was written ({error}). Put the file back as it was, or run the "
            "study again."
        ) from None


def _check_layout(table: Table) -> None:
    """Refuse a layout without the columns by which motifs are found again, or with a place that is no number."""
    for number, row in enumerate(table, start=2):
        for name in NEEDED:
            if name not in row:
                raise ValueError(f"there is no column {name!r}")
        for name in ("x_mm", "y_mm"):
            if not NUMBER.fullmatch(row[name]):
                raise ValueError(f"row {number}, column {name}: {row[name]!r} is no number")


def _difference(path: Path, name: str, digest: str) -> str:
    if not path.is_file():
        return f"{name} is missing."
    if hashlib.sha256(path.read_bytes()).hexdigest() != digest:
        return f"{name} was changed after the record was written, or the writing was cut off."
    return ""
