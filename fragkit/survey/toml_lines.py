"""On which line of a TOML file each key stands, so that a fault can name it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_DECIMAL_COMMA = re.compile(r"^(\s*[A-Za-z0-9_.-]+\s*=\s*[+-]?\d+),(\d+\s*(?:#.*)?)$")


def line_map(text: str) -> dict[Path, int]:
    """Line number (from 1) of every table and key, by its path, as ("photo", 0, "file")."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            here = _table_path(header[2], header[1] == "[[", counts)
            lines.setdefault(here, number)
        elif key := _KEY.match(line):
            lines.setdefault(here + tuple(_parts(key[1])), number)
    return lines


def line_of(lines: Mapping[Path, int], path: Path) -> int | None:
    """Line of `path` or of the nearest table that holds it."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def mend_decimal_commas(text: str) -> tuple[str, list[tuple[int, str]]]:
    """Text with `key = 0,4` read as 0.4, and (line, number as written) of each such place.

    TOML stops at the first of them; mending lets the rest of the file be checked in the same pass.
    """
    mended, found = [], []
    for number, line in enumerate(text.splitlines(), start=1):
        if match := _DECIMAL_COMMA.match(line):
            found.append((number, line.split("=", 1)[1].split("#")[0].strip()))
            line = f"{match[1]}.{match[2]}"
        mended.append(line)
    return "\n".join(mended) + "\n", found


def locate(data: Any, loc: tuple[Any, ...]) -> Path:
    """Path in `data` of a validation error's location, without the names of union members in it."""
    path: list[str | int] = []
    for part in loc:
        in_table = isinstance(data, Mapping) and part in data
        in_list = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if in_table or in_list:
            path.append(part)
            data = data[part]
    return tuple(path)


def _table_path(name: str, is_array: bool, counts: dict[Path, int]) -> Path:
    path: Path = ()
    parts = list(_parts(name))
    for part in parts[:-1]:
        path += (part,)
        if path in counts:
            path += (counts[path],)
    path += (parts[-1],)
    if is_array:
        counts[path] = counts.get(path, -1) + 1
        path += (counts[path],)
    return path


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)] or [dotted]
