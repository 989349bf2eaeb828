"""Writing choices back into a study folder: reviewed motifs, and keys and decisions of survey.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from fragkit.errors import OutputError
from fragkit.record.control import MM_DECIMALS, SURVEY_FILE, csv_text, edited, parsed, toml_value, written
from fragkit.record.folder import replace_file
from fragkit.survey.review import REVIEW_HEADER, ReviewEntry


def write_review(review: ReviewEntry, path: Path) -> None:
    """Write the decisions about the motifs of a photograph; an earlier table is replaced whole.

    Raises
    ------
    OutputError
        The table cannot be written; what was there before is then untouched.
    """
    rows = []
    for (x, y), verdict, to, sd in zip(review.xy_mm, review.verdict, review.to_xy_mm, review.sd_mm, strict=True):
        moved = (*to, sd) if verdict == "move" else (None, None, None)
        places = [written(None if value is None else float(value), MM_DECIMALS) for value in (x, y, *moved)]
        rows.append((*places[:2], verdict, *places[2:]))
    replace_file(path, csv_text(REVIEW_HEADER, rows))


def write_choices(
    folder: Path,
    tables: Mapping[str, Mapping[str, Any] | None],
    *,
    inner: Mapping[tuple[str | int, ...], Mapping[str, Any]] = MappingProxyType({}),
    decision: Mapping[str, str] | None = None,
) -> None:
    """Set keys of tables such as [layout] in survey.toml, and log the decision; all else stays as it is.

    Parameters
    ----------
    folder : Path
        The study folder.
    tables : mapping of str to mapping of str to text, number, list or mapping
        Tables by name, made when they are not there. None takes the keys of a table away.
    inner : mapping of tuple to mapping
        Keys of tables within tables, which are there, by path as ("wall", 0, "edge", 1).
    decision : mapping of str to str, optional
        One more [[decision]]: what, choice, reason, and perhaps who and date.

    Raises
    ------
    OutputError
        The file cannot be edited safely or written; it is then untouched, and it says what to write by hand.
    """
    path = folder / SURVEY_FILE
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise OutputError(f"{path} cannot be read ({error}): correct it, then save again.") from None
    for name, keys in tables.items():
        wanted = {**data.get(name, {}), **keys} if keys is not None else None
        text = _with_table(text, data, name, wanted)
        data = {key: value for key, value in data.items() if key != name} | ({name: wanted} if wanted else {})
    for where, keys in inner.items():
        table = _at(data, where)
        changed = {key: value for key, value in keys.items() if table.get(key) != value}
        text = edited(text, where, changed)
        table.update(changed)
    if decision is not None:
        text = _with_decision(text, decision)
        data["decision"] = [*data.get("decision", []), dict(decision)]
    if parsed(text) != data:
        every = {**tables, **{" ".join(map(str, where)): keys for where, keys in inner.items()}}
        asked = "; ".join(f"[{name}] {dict(keys or {})}" for name, keys in every.items())
        raise OutputError(f"{SURVEY_FILE} was left as it is. Write into it: {asked}")
    replace_file(path, text)


def _at(data: Any, where: tuple[str | int, ...]) -> Any:
    for part in where:
        data = data[part]
    return data


def _with_table(text: str, data: Mapping[str, Any], name: str, wanted: Mapping[str, Any] | None) -> str:
    before = data.get(name)
    if wanted is None:
        return text if before is None else _without_table(text, name)
    if before is None:
        lines = "\n".join(f"{key} = {toml_value(value)}" for key, value in wanted.items())
        return f"{text.rstrip()}\n\n[{name}]\n{lines}\n"
    changed = {key: value for key, value in wanted.items() if before.get(key) != value}
    return edited(text, (name,), changed) if changed else text


def _without_table(text: str, name: str) -> str:
    """Text without the lines of the table, up to the next header."""
    kept, is_inside = [], False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            is_inside = line.split("#")[0].strip() == f"[{name}]"
        if not is_inside:
            kept.append(line)
    return "\n".join(kept) + "\n"


def _with_decision(text: str, decision: Mapping[str, str]) -> str:
    lines = "\n".join(f"{key} = {toml_value(value)}" for key, value in decision.items())
    return f"{text.rstrip()}\n\n[[decision]]\n{lines}\n"
