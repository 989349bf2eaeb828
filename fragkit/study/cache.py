"""Results of stages kept on disk, so that a study computes again only what has changed."""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from collections import OrderedDict
from pathlib import Path
from typing import Any

from platformdirs import user_cache_path

from fragkit.parcel import packed, read_only, unpacked

SIZE_LIMIT_BYTES = 4_000_000_000
"""The cache keeps the results used last, up to this size: about 60 photographs of 24 megapixels."""

HELD_BYTES = 1_000_000_000
"""Of the results kept on disk, those used last are also held in memory, up to this size."""

_PICKLE_ERRORS = (pickle.PickleError, AttributeError, TypeError)


class StageCache:
    """Stage results by key: in a folder, and those used last in memory too; without a folder all in memory.

    Results are pickles, which can run code when opened: the folder belongs to the user alone, and a result is
    opened only if it is whole.
    """

    def __init__(self, folder: Path | None, *, note: str | None = None) -> None:
        self.folder = folder
        self.note = note
        self._held: OrderedDict[str, tuple[Any, int]] = OrderedDict()

    def __getstate__(self) -> dict[str, Any]:
        return self.__dict__ | {"_held": OrderedDict()}

    def holds(self, key: str) -> bool:
        """Whether the result is there; one that turns out to be damaged may still fail to load."""
        path = self._path(key)
        return key in self._held or (path is not None and path.is_file())

    def load(self, key: str) -> tuple[bool, Any]:
        """Whether the result is there, and the result."""
        if key in self._held:
            self._held.move_to_end(key)
            return True, self._held[key][0]
        path = self._path(key)
        if path is None or not path.is_file():
            return False, None
        try:
            content = path.read_bytes()
            if hashlib.sha256(content[32:]).digest() != content[:32]:
                raise pickle.UnpicklingError("cut off or altered")
            value = unpacked(content[32:])
            os.utime(path)
        except (OSError, EOFError, ImportError, *_PICKLE_ERRORS):
            path.unlink(missing_ok=True)
            return False, None
        self._hold(key, value, len(content))
        return True, value

    def store(self, key: str, value: Any) -> bool:
        """Keep a result, and say whether it is on disk; if not, it is remembered, and costs time at the next run."""
        path = self._path(key)
        if path is None:
            self.remember(key, value)
            return False
        try:
            content = packed(value)
            _write_whole(path, hashlib.sha256(content).digest() + content)
        except (OSError, *_PICKLE_ERRORS) as error:
            self.note = f"Some results could not be kept for the next run ({error})."
            self.remember(key, value)
            return False
        self._hold(key, read_only(value), len(content))
        return True

    def remember(self, key: str, value: Any) -> None:
        """Hold a result in memory as long as this cache lives."""
        self._held[key] = (read_only(value), 0)

    def _hold(self, key: str, value: Any, n_bytes: int) -> None:
        self._held[key] = (value, n_bytes)
        total = sum(size for _, size in self._held.values())
        for old, (_, size) in list(self._held.items()):
            if total <= HELD_BYTES or old == key:
                break
            if size:
                del self._held[old]
                total -= size

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


def _write_whole(path: Path, content: bytes) -> None:
    """Write beside, then rename; on a full disk what was written is removed again."""
    descriptor, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(descriptor, "wb") as beside:
            beside.write(content)
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise
