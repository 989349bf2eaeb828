"""A study folder while it is being read: the faults found and the files used so far."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from fragkit.errors import Fault

TEXT_LIMIT_BYTES = 5_000_000
"""Largest survey file or table that is read: far beyond any real one, far below what stalls a computer."""

NAME_LIMIT = 200
"""Longest name of a file, with its folders: within what every file system takes."""

_ENDLESS = re.compile(r"(\S{60})\S{140,}")


class Place(NamedTuple):
    """Where something was said: a file of the study and a line, row or key in it."""

    file: str
    where: str = ""


class Folder:
    """A study folder being read: every fault is noted here, and every file passes through here."""

    def __init__(self, root: Path) -> None:
        self.root = Path(root)
        self.faults: list[Fault] = []
        self.notes: list[str] = []
        self.sources: dict[str, str] = {}
        self._inside = self.root.resolve()

    def fault(self, place: Place, message: str, remedy: str = "") -> None:
        """Note one fault; endless words of a damaged file are cut short in it."""
        message = _ENDLESS.sub(r"\1…", message)
        self.faults.append(Fault(file=place.file, where=place.where, message=message, remedy=remedy))

    def label(self, path: Path) -> str:
        """Path as it is written in messages: relative to the folder, with forward slashes."""
        return path.relative_to(self.root).as_posix()

    def find(self, name: str, place: Place, what: str) -> Path | None:
        """The file `name`, or None and a fault when it is missing or lies outside the folder."""
        if len(name) > NAME_LIMIT:
            self.fault(place, f"{what} has a name of {len(name)} characters.", "Give the file a shorter name.")
            return None
        path = self.root / name
        if not self._is_inside(name, path):
            remedy = "Copy the file into the study folder and name it from there, without ../ and without links."
            self.fault(place, f"{what} {name!r} lies outside the study folder.", remedy)
            return None
        if path.is_dir():
            self.fault(place, f"{what} {name!r} is a folder.", "Name the file itself.")
            return None
        if not path.is_file():
            self.fault(place, f"{what} {name!r} is not there.", self._near_name(name))
            return None
        return path

    def find_all(self, pattern: str, place: Place, what: str) -> list[Path]:
        """The files that match `pattern` (as `board-*.jpg`), sorted; a fault when there is none."""
        if not self._is_plain(pattern):
            self.fault(place, f"{what} {pattern!r} lies outside the study folder.", "Name files from the folder.")
            return []
        found = sorted(path for path in self.root.glob(pattern) if path.is_file())
        if not found:
            self.fault(place, f"{what} {pattern!r}: no file has such a name.", "Correct it or add the files.")
        inside = [path for path in found if self._is_inside(self.label(path), path)]
        for path in set(found) - set(inside):
            remedy = "Copy the file itself instead of a link to it."
            self.fault(place, f"{what} {self.label(path)!r} is a link out of the study folder.", remedy)
        return inside

    def read_bytes(self, path: Path) -> bytes:
        """Content of a file of the study; its SHA-256 joins the sources."""
        content = path.read_bytes()
        self.sources[self.label(path)] = hashlib.sha256(content).hexdigest()
        return content

    def read_text(self, path: Path) -> str | None:
        """Text of a file in UTF-8, or None and a fault."""
        place = Place(self.label(path))
        if path.stat().st_size > TEXT_LIMIT_BYTES:
            size = path.stat().st_size / 1e6
            self.fault(
                place,
                f"the file is {size:.0f} MB; {TEXT_LIMIT_BYTES / 1e6:.0f} MB is the most.",
                "Shorten it.",
            )
            return None
        try:
            return self.read_bytes(path).decode("utf-8-sig")
        except UnicodeDecodeError as error:
            message = f"the text is not UTF-8 (byte {error.start + 1} cannot be read)."
            self.fault(place, message, "Save it again as UTF-8 (in a spreadsheet: CSV UTF-8).")
            return None

    def _is_plain(self, name: str) -> bool:
        parts = PurePosixPath(name.replace("\\", "/"))
        return bool(name) and "\0" not in name and not parts.is_absolute() and ".." not in parts.parts

    def _is_inside(self, name: str, path: Path) -> bool:
        return self._is_plain(name) and path.resolve().is_relative_to(self._inside)

    def _near_name(self, name: str) -> str:
        from_case = [p.name for p in self.root.glob("*") if p.name.casefold() == Path(name).name.casefold()]
        if from_case:
            return f"There is {from_case[0]!r}: capitals and small letters count."
        return "Put the file into the study folder or correct its name."
