"""Writing a folder so that an interrupted run leaves no half file: written beside, renamed at the end."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from fragkit.errors import OutputError

_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{k}" for port in ("com", "lpt") for k in range(1, 10))}

RESULTS = "results.json"
"""Written last: it lists every other file of the record with its SHA-256."""

UNFINISHED = ".unfinished-*"
"""Folders of a run that is writing, or that was cut off while it wrote."""

_DAY_S = 86_400.0


class Drafts:
    """Files of a record while they are being written, beside their final place."""

    def __init__(self, staging: Path) -> None:
        self._staging = staging
        self.sha256: dict[str, str] = {}

    def write(self, relative: str, content: bytes | str) -> None:
        """Put `content` under the path `relative` (with "/" between folders) of the record."""
        data = content.encode("utf-8") if isinstance(content, str) else content
        path = self._staging / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.sha256[relative] = hashlib.sha256(data).hexdigest()


@contextmanager
def drafts(out: Path, *, last: str) -> Iterator[Drafts]:
    """Files written in this block appear in `out` when it ends well, `last` as the last one; else none.

    Raises
    ------
    OutputError
        If the folder cannot be made or written.
    """
    made = not out.exists()
    staging: Path | None = None
    try:
        out.mkdir(parents=True, exist_ok=True)
        _clear_away(out)
        staging = Path(tempfile.mkdtemp(prefix=f"{UNFINISHED.rstrip('*')}{os.getpid()}-", dir=out))
        found = Drafts(staging)
        yield found
        for relative in sorted(found.sha256, key=lambda path: (path == last, path)):
            target = out / relative
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(staging / relative, target)
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(
            f"The record cannot be written to {out}: {reason}. Nothing there was left half-written. "
            "Choose a folder you may write to, with room on its disk (fragkit run STUDY --out DIR)."
        ) from error
    finally:
        if staging is not None:
            shutil.rmtree(staging, ignore_errors=True)
        if made:
            with suppress(OSError):
                out.rmdir()


def _clear_away(out: Path) -> None:
    """Remove what runs that were cut off left behind; the folder of a run that may still be writing stays."""
    for left in out.glob(UNFINISHED):
        writer = left.name.removeprefix(UNFINISHED.rstrip("*")).partition("-")[0]
        is_old = time.time() - left.stat().st_mtime > _DAY_S
        if is_old or (os.name == "posix" and writer.isdigit() and not _runs(int(writer))):
            shutil.rmtree(left, ignore_errors=True)


def _runs(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)  # signal 0 only asks
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def replace_file(path: Path, content: bytes | str) -> None:
    """Put `content` in the place of `path`: written beside it, then renamed."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    beside = ""
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.chmod(beside, 0o644)
        os.replace(beside, path)
    except OSError as error:
        if beside:
            with suppress(OSError):
                os.unlink(beside)
        reason = error.strerror or str(error)
        raise OutputError(f"{path} cannot be written: {reason}. What was there before is untouched.") from error


def remove_stale(out: Path, *, before: Mapping[str, str], now: Iterable[str]) -> None:
    """Remove files of the record before this one that this one no longer has and nobody has changed since.

    Parameters
    ----------
    before : mapping of str to str
        Files of the earlier record and their SHA-256.
    now : iterable of str
    """
    for relative in set(before) - set(now):
        path = (out / relative).resolve()
        if out.resolve() not in path.parents or not path.is_file():
            continue
        if hashlib.sha256(path.read_bytes()).hexdigest() == before[relative]:
            path.unlink()


def file_names(names: Iterable[str]) -> dict[str, str]:
    """A safe, distinct file name (without suffix) for every name of the study.

    Notes
    -----
    Letters and digits of any script, "-" and "_" stay; everything else, so also "/" and "..", becomes "-".
    Names that differ by case only are told apart, since some disks do not.
    """
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        stem = base = _safe(name)
        k = 2
        while stem.casefold() in taken:
            stem, k = f"{base}-{k}", k + 1
        taken.add(stem.casefold())
        found[name] = stem
    return found


def _safe(name: str) -> str:
    plain = unicodedata.normalize("NFC", name)
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in plain)
    stem = kept.strip("-")[:80] or "unnamed"
    return f"{stem}-" if stem.casefold() in _RESERVED else stem
