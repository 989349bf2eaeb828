"""Results of stages kept on disk, so that a study computes again only what has changed."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import tempfile
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from platformdirs import user_cache_path

SIZE_LIMIT_BYTES = 4_000_000_000
"""The cache keeps the results used last, up to this size: about 60 photographs of 24 megapixels."""

_PICKLE_ERRORS = (pickle.PickleError, AttributeError, TypeError)


class StageCache:
    """A folder of stage results by key; without a folder it keeps nothing.

    Results are pickles, which can run code when opened: the folder belongs to the user alone, and a result is
    opened only if it is whole.
    """

    def __init__(self, folder: Path | None, *, note: str | None = None) -> None:
        self.folder = folder
        self.note = note

    def load(self, key: str) -> tuple[bool, Any]:
        """Whether the result is there, and the result."""
        path = self._path(key)
        if path is None or not path.is_file():
            return False, None
        try:
            content = path.read_bytes()
            if hashlib.sha256(content[32:]).digest() != content[:32]:
                raise pickle.UnpicklingError("cut off or altered")
            value = pickle.loads(content[32:])
            os.utime(path)
        except (OSError, EOFError, ImportError, *_PICKLE_ERRORS):
            path.unlink(missing_ok=True)
            return False, None
        return True, _made_read_only(value)

    def store(self, key: str, value: Any) -> None:
        """Keep a result; one that cannot be kept costs time at the next run and no more."""
        path = self._path(key)
        if path is None:
            return
        try:
            content = _pickled(value)
            with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as beside:
                beside.write(hashlib.sha256(content).digest())
                beside.write(content)
            os.replace(beside.name, path)
        except (OSError, *_PICKLE_ERRORS) as error:
            self.note = f"Some results could not be kept for the next run ({error})."

    def prune(self, *, limit_bytes: int = SIZE_LIMIT_BYTES) -> None:
        """Remove the results that were not used for longest until the rest is within the limit."""
        if self.folder is None:
            return
        seen = [(path, path.stat()) for path in self.folder.glob("*.p*")]
        total = 0
        for path, state in sorted(seen, key=lambda item: item[1].st_mtime, reverse=True):
            total += state.st_size
            if total > limit_bytes:
                path.unlink(missing_ok=True)

    def _path(self, key: str) -> Path | None:
        return self.folder / f"{key}.pickle" if self.folder is not None else None


def open_cache(folder: Path | None = None) -> StageCache:
    """The cache in `folder`, else where FRAGKIT_CACHE says, else in the user's cache folder.

    FRAGKIT_CACHE=off keeps nothing. A folder that cannot be written keeps nothing either, with a note.
    """
    chosen = os.environ.get("FRAGKIT_CACHE", "")
    if folder is None and chosen.casefold() == "off":
        return StageCache(None)
    place = Path(folder or chosen or user_cache_path("fragkit") / "stages")
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.NamedTemporaryFile(dir=place):
            pass
    except OSError as error:
        reason = error.strerror or str(error)
        note = f"Nothing is kept for the next run: the cache folder {place} cannot be written ({reason})."
        return StageCache(None, note=note)
    return StageCache(place)


class _Pickler(pickle.Pickler):
    """Read-only mappings are kept too, which the plain pickler refuses."""

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, MappingProxyType):
            return _read_only, (dict(value),)
        return NotImplemented


def _read_only(mapping: dict[Any, Any]) -> Mapping[Any, Any]:
    return MappingProxyType(mapping)


def _pickled(value: Any) -> bytes:
    stream = io.BytesIO()
    _Pickler(stream, protocol=5).dump(value)
    return stream.getvalue()


def _made_read_only(value: Any) -> Any:
    """The value, with all arrays in it read-only again: pickling forgets that they were."""
    todo, seen = [value], set()
    while todo:
        item = todo.pop()
        if id(item) in seen:
            continue
        seen.add(id(item))
        if isinstance(item, np.ndarray):
            item.setflags(write=False)
        elif is_dataclass(item) and not isinstance(item, type):
            todo.extend(getattr(item, field.name) for field in fields(item))
        elif isinstance(item, Mapping):
            todo.extend(item.values())
        elif isinstance(item, (tuple, list)):
            todo.extend(item)
    return value
