"""Texts of a study folder: TOML and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

import numpy as np


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A CSV table with a header."""
    store = io.StringIO()
    writer = csv.writer(store, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return store.getvalue()


def toml_table(title: str, entries: Mapping[str, object]) -> str:
    """A table of a TOML document; `title` includes its brackets; entries that are None are left out."""
    lines = [f"{key} = {toml_value(value)}" for key, value in entries.items() if value is not None]
    return "\n".join([title, *lines]) + "\n"


def toml_value(value: object) -> str:
    """`value` in TOML: text, number, truth, list, inline table or array."""
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_value(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, np.ndarray):
        return toml_value(value.tolist())
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(inner) for inner in value) + "]"
    if isinstance(value, (int, float)):
        return repr(value)
    raise ValueError(f"{value!r} has no TOML form here; use text, numbers, lists or mappings")
