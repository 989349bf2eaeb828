"""survey.toml, read table by table, each wrong key named by its line and in plain words."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from fragkit.survey.folder import Folder, Place
from fragkit.survey.toml_lines import Path, line_map, line_of, locate, mend_decimal_commas
from fragkit.survey.wording import decimal_comma, explain, suggestion

FILE = "survey.toml"
SECTIONS = {
    "study": dict,
    "lens": dict,
    "photo": list,
    "fragment": list,
    "wall": list,
    "proposal": dict,
    "layout": dict,
    "technique": dict,
    "works": dict,
    "decision": list,
}
_KEYS = ("schema", *SECTIONS)
T = TypeVar("T", bound=BaseModel)


@dataclass(frozen=True)
class Document:
    """survey.toml as read: its tables and the line of each key."""

    data: Mapping[str, Any]
    lines: Mapping[Path, int]

    def place(self, *path: str | int) -> Place:
        """Where `path` stands in the file."""
        line = line_of(self.lines, path)
        return Place(FILE, "" if line is None else str(line))

    def tables(self, section: str) -> list[dict[str, Any]]:
        """The tables `[[section]]`."""
        return list(self.data.get(section, []))


def read_document(folder: Folder) -> Document | None:
    """The survey file, or None and its faults when it is no TOML at all."""
    path = folder.find(FILE, Place(FILE), "the survey file")
    text = folder.read_text(path) if path else None
    if text is None:
        return None
    mended, commas = mend_decimal_commas(text)
    for line, written in commas:
        folder.fault(Place(FILE, str(line)), *decimal_comma(written))
    try:
        data = tomllib.loads(mended)
    except tomllib.TOMLDecodeError as error:
        _syntax_fault(folder, error, mended)
        return None
    except (RecursionError, ValueError):  # the reader's own limits
        message = "the file cannot be read: brackets within brackets without end, or a number of thousands of digits."
        folder.fault(Place(FILE), message, "Write it as the README shows.")
        return None
    document = Document(_sections(folder, data, line_map(mended)), line_map(mended))
    _check_schema(folder, document)
    return document


def validated(folder: Folder, document: Document, model: type[T], data: Any, path: Path) -> T | None:
    """`data`, the table at `path`, as `model`, and one fault for each wrong key.

    Keys that are wrong but not needed are left out, so that the files which the table names are checked in
    the same pass; None when what is left is no such table.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        details = error.errors(include_url=False)
    for detail in details:
        inner = locate(data, detail["loc"])
        message, remedy = explain(detail, _keys_beside(model, detail))
        folder.fault(document.place(*path, *inner), f"{_title(path, data)}{message}", remedy)
    try:
        return model.model_validate(_without(model, data, details))
    except ValidationError:
        return None


def _without(model: type[BaseModel], data: Any, details: list[ErrorDetails]) -> Any:
    """A copy of `data` without unknown keys and without wrong ones that have a default."""
    kept = copy.deepcopy(data)
    for detail in details:
        *above, last = locate(data, detail["loc"]) or ("",)
        field = model.model_fields.get(str(last)) if not above else None
        has_default = field is not None and not field.is_required() and field.default is not None
        if detail["type"] == "extra_forbidden" or has_default:
            table = kept
            for part in above:
                table = table[part]
            del table[last]
    return kept


def _sections(folder: Folder, data: dict[str, Any], lines: Mapping[Path, int]) -> dict[str, Any]:
    kept = {}
    for key, value in data.items():
        place = Place(FILE, str(line_of(lines, (key,)) or ""))
        kind = SECTIONS.get(key)
        if key != "schema" and kind is None:
            folder.fault(place, f"unknown key {key!r}.", suggestion(key, _KEYS))
        elif kind is not None and not (isinstance(value, kind) and _holds_tables(key, value)):
            brackets = f"[[{key}]]" if kind is list else f"[{key}{'.NAME' if key == 'lens' else ''}]"
            folder.fault(place, f"{key!r} is not a table of the kind that belongs here.", f"Write {brackets}.")
        else:
            kept[key] = value
    return kept


def _holds_tables(key: str, value: Any) -> bool:
    inner = value if isinstance(value, list) else value.values() if key == "lens" else []
    return all(isinstance(item, dict) for item in inner)


def _check_schema(folder: Folder, document: Document) -> None:
    schema = document.data.get("schema")
    if schema is None:
        folder.fault(Place(FILE), "key 'schema' is missing.", "Write `schema = 1` as the first line.")
    elif schema != 1 or isinstance(schema, bool):
        remedy = "This version of fragkit reads schema 1."
        folder.fault(document.place("schema"), f"schema is {schema!r}.", remedy)


def _syntax_fault(folder: Folder, error: tomllib.TOMLDecodeError, text: str) -> None:
    found = re.search(r"\s*\(at line (\d+), column (\d+)\)", str(error))
    line = found[1] if found else str(text.count("\n") or 1)
    reason = str(error)[: found.start()] if found else str(error)
    remedy = "The rest of the folder can only be checked once this line is put right."
    folder.fault(Place(FILE, line), f"the line cannot be read: {reason[:1].lower()}{reason[1:]}.", remedy)


def _keys_beside(model: type[BaseModel], detail: ErrorDetails) -> list[str]:
    """Keys known in the table where the error lies."""
    for part in detail["loc"][:-1]:
        inner = _inner_models(model, part)
        if inner is not None:
            model = inner
    return list(model.model_fields)


def _inner_models(model: type[BaseModel], part: Any) -> type[BaseModel] | None:
    field = model.model_fields.get(part) if isinstance(part, str) else None
    todo = [field.annotation] if field else [f.annotation for f in model.model_fields.values()]
    found = []
    while todo:
        kind = todo.pop()
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found.append(kind)
        todo.extend(getattr(kind, "__args__", ()))
    if field and len(found) == 1:
        return found[0]
    tagged = [m for m in found if _tag(m) == part]
    return tagged[0] if tagged else None


def _tag(model: type[BaseModel]) -> Any:
    kind = model.model_fields.get("kind")
    return getattr(kind.annotation, "__args__", (None,))[0] if kind else None


def _title(path: Path, data: Any) -> str:
    """`photo 'north-1': ` or `[works]: `, so that the reader knows which table is meant."""
    name = data.get("name") if isinstance(data, Mapping) else None
    words = [str(part) for part in path if isinstance(part, str)]
    if isinstance(name, str):
        return f"{words[-1]} {name!r}: "
    number = [part for part in path if isinstance(part, int)]
    return f"{words[-1]} {number[-1] + 1}: " if number else f"[{'.'.join(words)}]: "
