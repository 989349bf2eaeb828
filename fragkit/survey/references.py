"""Names in survey.toml that point at other tables: they must exist, and be unique."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fragkit.survey.document import Document
from fragkit.survey.folder import Folder, Place
from fragkit.survey.wording import suggestion

_POINTERS = (
    ("photo", "fragment", "fragment"),
    ("photo", "lens", "lens"),
    ("fragment", "wall", "wall"),
    ("wall", "next", "wall"),
)


def _names(document: Document, section: str) -> list[str]:
    if section == "lens":
        return list(document.data.get("lens", {}))
    return [str(table["name"]) for table in document.tables(section) if "name" in table]


def check_references(folder: Folder, document: Document) -> None:
    """Names that point at another table must exist; names that others point at must be unique."""
    for section, key, target in _POINTERS:
        known = _names(document, target)
        for k, table in enumerate(document.tables(section)):
            if isinstance(name := table.get(key), str) and name not in known:
                who = f"{section} {table.get('name', k + 1)!r}"
                message = f"{who} names the {target} {name!r}, which is not described."
                brackets = f"[lens.{name}]" if target == "lens" else f"[[{target}]]"
                remedy = f"{suggestion(name, known)} Or describe it in a table {brackets}."
                folder.fault(document.place(section, k, key), message, remedy)
    for k, pin in enumerate(_pins(document)):
        if isinstance(name := pin.get("wall"), str) and name not in _names(document, "wall"):
            message = f"pinned motif {k + 1} names the wall {name!r}, which is not described."
            folder.fault(document.place("layout", "pinned"), message, suggestion(name, _names(document, "wall")))
    _check_layout_walls(folder, document)
    for section in ("photo", "fragment", "wall"):
        _check_unique_names(folder, document, section)


def _check_layout_walls(folder: Folder, document: Document) -> None:
    """The wall that takes the closing error, and those of the panels, must be described."""
    layout = document.data.get("layout", {})
    panels = layout.get("panels", [])
    named = [("closing", layout.get("closing"))]
    named += [("panels", panel.get("wall")) for panel in panels if isinstance(panel, dict)]
    for key, name in named:
        if isinstance(name, str) and name not in _names(document, "wall"):
            message = f"[layout]: {key} names the wall {name!r}, which is not described."
            folder.fault(document.place("layout", key), message, suggestion(name, _names(document, "wall")))


def _pins(document: Document) -> list[Mapping[str, Any]]:
    pins = document.data.get("layout", {}).get("pinned", [])
    return [pin for pin in pins if isinstance(pin, dict)] if isinstance(pins, list) else []


def _check_unique_names(folder: Folder, document: Document, section: str) -> None:
    seen: dict[str, int] = {}
    for k, table in enumerate(document.tables(section)):
        name = str(table.get("name", "")).casefold()
        if name and name in seen:
            first = document.place(section, seen[name]).where
            message = f"two {section}s are called {table['name']!r} (the first in line {first})."
            folder.fault(document.place(section, k, "name"), message, "Give each its own name; capitals do not count.")
        seen.setdefault(name, k)


def check_evidence(folder: Folder, document: Document) -> None:
    """Every fragment has either photographs or a table of centres."""
    fragments = document.tables("fragment")
    if not fragments:
        remedy = "Add a [[fragment]] table and its [[photo]] or its table of centres."
        folder.fault(Place("survey.toml"), "the study has no fragment.", remedy)
    shown = [photo.get("fragment") for photo in document.tables("photo")]
    for k, table in enumerate(fragments):
        if table.get("name") not in shown and "centres" not in table:
            message = f"fragment {table.get('name', k + 1)!r} has neither a photograph nor a table of centres."
            folder.fault(document.place("fragment", k), message, 'Add a [[photo]] of it, or centres = "….csv".')
        if table.get("name") in shown and "centres" in table:
            message = f"fragment {table.get('name')!r} has both photographs and a table of centres."
            folder.fault(
                document.place("fragment", k),
                message,
                "Keep one: make two fragments of it if both are wanted.",
            )
