"""Writing what was pointed at back into a study folder: control tables, labels, and their names in survey.toml."""

from __future__ import annotations

import io
import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from csv import writer
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fragkit.errors import OutputError
from fragkit.record.folder import replace_file
from fragkit.survey import LABEL_NAMES
from fragkit.survey.marked import DISTANCE_HEADER, PIXEL_HEADER, POINT_HEADER, MarkedPoint, TapedDistance
from fragkit.survey.toml_lines import line_map

SURVEY_FILE = "survey.toml"
PX_DECIMALS, MM_DECIMALS = 3, 4
"""Far below what can be picked or measured, so that a table gives back what was solved."""


def write_control(points: Sequence[MarkedPoint], path: Path, *, with_mm: bool = True) -> None:
    """Write a table of marked points; a point that is not measured yet leaves its cells blank.

    Parameters
    ----------
    points : sequence of MarkedPoint
    path : Path
        The CSV; an earlier one is replaced whole.
    with_mm : bool
        Off: names and pixels only, as control by tape has them.

    Raises
    ------
    ValueError
        A name that is empty, used twice, or that a spreadsheet would run as a formula.
    OutputError
        The table cannot be written; what was there before is then untouched.
    """
    _check_names([point.name for point in points])
    header = POINT_HEADER if with_mm else PIXEL_HEADER
    rows = [
        (
            point.name,
            *(written(value, PX_DECIMALS) for value in (point.x_px, point.y_px)),
            *(written(value, MM_DECIMALS) for value in (point.x_mm, point.y_mm, point.sd_mm)),
        )[: len(header)]
        for point in points
    ]
    replace_file(path, csv_text(header, rows))


def write_distances(distances: Iterable[TapedDistance], path: Path) -> None:
    """Write a table of taped distances; errors as in `write_control`."""
    rows = [
        (taped.start, taped.end, written(taped.distance_mm, MM_DECIMALS), written(taped.sd_mm, MM_DECIMALS))
        for taped in distances
    ]
    replace_file(path, csv_text(DISTANCE_HEADER, rows))


def write_labels(codes: NDArray[np.uint8], path: Path) -> None:
    """Write a label picture (h, w): a PNG of one channel whose codes `LABEL_NAMES` explains.

    Raises
    ------
    ValueError
        An array of another kind, or a code that has no meaning.
    OutputError
        The picture cannot be written; what was there before is then untouched.
    """
    if codes.dtype != np.uint8 or codes.ndim != 2 or codes.max(initial=0) >= len(LABEL_NAMES):
        raise ValueError(
            f"Labels of {codes.dtype}, shape {codes.shape}, up to {codes.max(initial=0)}; "
            f"they are (h, w) uint8 codes from 0 to {len(LABEL_NAMES) - 1}."
        )
    content = io.BytesIO()
    Image.fromarray(codes).save(content, "PNG")
    replace_file(path, content.getvalue())


def name_in_survey(folder: Path, photo_file: str, keys: Mapping[str, Any]) -> bool:
    """Set keys of the photograph `photo_file` in survey.toml, one line each; all else stays as it is.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo_file : str
        As `file` of its [[photo]] names it.
    keys : mapping of str to text, number, list or mapping
        Keys that have the value already are left alone.

    Returns
    -------
    bool
        False when there is no survey.toml, or none that names the photograph: nothing is then written.

    Raises
    ------
    OutputError
        The file cannot be edited safely or written; it says which lines to write by hand.
    """
    path = folder / SURVEY_FILE
    if not path.is_file():
        return False
    text = path.read_text(encoding="utf-8")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise OutputError(f"{SURVEY_FILE} cannot be read ({error}): correct it, then save again.") from None
    photos = data.get("photo", [])
    number = next((k for k, photo in enumerate(photos) if photo.get("file") == photo_file), None)
    if number is None:
        return False
    merged = {key: _merged(photos[number].get(key), value) for key, value in keys.items()}
    changed = {key: value for key, value in merged.items() if photos[number].get(key) != value}
    if not changed:
        return True
    new_text = edited(text, ("photo", number), changed)
    photos[number].update(changed)
    if parsed(new_text) != data:
        lines = "; ".join(f"{key} = {toml_value(value)}" for key, value in changed.items())
        raise OutputError(f"{SURVEY_FILE} was left as it is. Write into its photograph {photo_file!r}: {lines}")
    replace_file(path, new_text)
    return True


def edited(text: str, table: tuple[str | int, ...], keys: Mapping[str, Any]) -> str:
    """Text of survey.toml with one line for each key of `table`: its own replaced, or a new one after `file`."""
    places = line_map(text)
    lines = text.splitlines()
    after = places.get((*table, "file"), places[table])
    for key, value in keys.items():
        line = f"{key} = {toml_value(value)}"
        if (*table, key) in places:
            lines[places[(*table, key)] - 1] = line
        else:
            lines[after - 1] += f"\n{line}"
    return "\n".join(lines) + "\n"


def _merged(before: Any, value: Any) -> Any:
    """A table of the same kind keeps the keys that are not set now."""
    is_same_kind = (
        isinstance(before, Mapping) and isinstance(value, Mapping) and before.get("kind") == value.get("kind")
    )
    return {**before, **value} if is_same_kind else value


def parsed(text: str) -> Any:
    """What the text says, or None when it is no TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def toml_value(value: Any) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)


def _check_names(names: Sequence[str]) -> None:
    for name in names:
        if not name.strip() or name[0] in "=+-@" or not name.isprintable():
            raise ValueError(f"A point cannot be called {name!r}: begin its name with a letter or a figure.")
        if names.count(name) > 1:
            raise ValueError(f"Two points are called {name!r}: give each a name of its own.")


def written(value: float | None, decimals: int) -> str:
    """A number for a table; nothing for None."""
    return "" if value is None else repr(round(value, decimals) + 0.0)


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as CSV."""
    text = io.StringIO()
    table = writer(text, lineterminator="\n")
    table.writerow(header)
    table.writerows(rows)
    return text.getvalue()
