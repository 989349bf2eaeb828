"""Reading a record back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fragkit.card import card
from fragkit.record.results import SCHEMA_VERSION
from fragkit.record.tables import read_csv
from fragkit.record.writing import RESULTS

Table = tuple[Mapping[str, str], ...]


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
        Files that are missing or were changed since the record was written.
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
        return card(f"Record in {self.folder.name}", rows, notes=self.notes)


def read_record(out: Path) -> Record:
    """The record in the folder `out`: `results.json` and its tables.

    Raises
    ------
    ValueError
        If there is no record, or it was written by a later version of fragkit.
    """
    out = Path(out)
    path = out / RESULTS
    if not path.is_file():
        raise ValueError(f"{out} holds no {RESULTS}, so no complete record. Run the study again with --out {out}.")
    results = json.loads(path.read_text(encoding="utf-8"))
    version = results.get("schema_version")
    if version != SCHEMA_VERSION:
        raise ValueError(
            f"{path} has schema_version {version!r}; this fragkit reads {SCHEMA_VERSION}. "
            "Use the fragkit that wrote it, or run the study again."
        )
    files: dict[str, str] = results.get("files", {})
    notes = tuple(note for name, digest in files.items() if (note := _difference(out / name, name, digest)))
    tables = {
        name.removesuffix(".csv"): read_csv((out / name).read_text(encoding="utf-8"))
        for name in files
        if name.endswith(".csv") and (out / name).is_file()
    }
    return Record(folder=out, results=results, tables=tables, notes=notes)


def _difference(path: Path, name: str, digest: str) -> str:
    if not path.is_file():
        return f"{name} is missing."
    if hashlib.sha256(path.read_bytes()).hexdigest() != digest:
        return f"{name} was changed after the record was written, or the writing was cut off."
    return ""
