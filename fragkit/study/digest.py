"""Content hashes: of the inputs of a stage, and of the code that runs it."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

import fragkit

LIBRARIES = ("numpy", "opencv-python", "scipy", "scikit-image", "shapely")


def digest(*values: Any) -> str:
    """SHA-256 of values by content: numbers, text, arrays, sequences, mappings, frozen results.

    Notes
    -----
    A path counts by its name alone; whoever depends on a file passes the file's own hash as well. An object
    with a `key` (the outcome of a stage) counts by that key.
    """
    total = hashlib.sha256()
    for value in values:
        for piece in _pieces(value):
            total.update(len(piece).to_bytes(8, "big"))
            total.update(piece)
    return total.hexdigest()


@cache
def code_digest() -> str:
    """SHA-256 of the package's own source, so that no result of other code is taken from the cache."""
    root = Path(fragkit.__file__).parent
    total = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        total.update(path.relative_to(root).as_posix().encode())
        total.update(path.read_bytes())
    return total.hexdigest()


@cache
def versions() -> Mapping[str, str]:
    """Versions of fragkit, Python and the libraries whose numbers it uses."""
    found = {"fragkit": fragkit.__version__, "python": platform.python_version()}
    return found | {name: version(name) for name in LIBRARIES}


def _pieces(value: Any) -> Iterator[bytes]:
    yield type(value).__name__.encode()
    if isinstance(value, np.ndarray):
        yield str((value.dtype.str, value.shape)).encode()
        yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, bytes):
        yield value
    elif isinstance(value, Path):
        yield value.name.encode()
    elif isinstance(value, Mapping):
        for key in sorted(value, key=str):
            yield str(key).encode()
            yield from _pieces(value[key])
    elif isinstance(value, str) or not isinstance(value, Sequence):
        yield from _pieces_of_one(value)
    else:
        yield str(len(value)).encode()
        for entry in value:
            yield from _pieces(entry)


def _pieces_of_one(value: Any) -> Iterator[bytes]:
    if isinstance(value, (str, int, float, bool, np.generic)) or value is None:
        yield repr(value).encode()
    elif isinstance(getattr(value, "key", None), str):
        yield value.key.encode()
    elif is_dataclass(value):
        for field in fields(value):
            yield field.name.encode()
            yield from _pieces(getattr(value, field.name))
    else:
        raise TypeError(f"{type(value).__name__} has no content that could be hashed: pass its parts.")
