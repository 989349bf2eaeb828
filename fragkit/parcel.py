"""Results as bytes, for a file or another process, and whole again: read-only as they were."""

from __future__ import annotations

import io
import pickle
from collections.abc import Mapping
from dataclasses import is_dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

_LEAVES = (str, bytes, bool, int, float, type(None))
"""Most of what a result holds, and holds no array."""


class _Pickler(pickle.Pickler):
    """Read-only mappings are kept too, which the plain pickler refuses."""

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, MappingProxyType):
            return _mapping, (dict(value),)
        return NotImplemented


def _mapping(items: dict[Any, Any]) -> Mapping[Any, Any]:
    return MappingProxyType(items)


def packed(value: Any) -> bytes:
    """The value as bytes. They can run code when they are opened: open only what fragkit itself has packed."""
    stream = io.BytesIO()
    _Pickler(stream, protocol=5).dump(value)
    return stream.getvalue()


def unpacked(content: bytes) -> Any:
    """The value that `packed` made these bytes of."""
    return read_only(pickle.loads(content))


def read_only(value: Any) -> Any:
    """The value, with all arrays in it read-only again: pickling forgets that they were."""
    todo, seen = [value], set()
    while todo:
        item = todo.pop()
        if type(item) in _LEAVES or id(item) in seen:
            continue
        seen.add(id(item))
        if isinstance(item, np.ndarray):
            item.setflags(write=False)
        elif is_dataclass(item) and not isinstance(item, type):
            todo.extend(vars(item).values())
        elif isinstance(item, Mapping):
            todo.extend(item.values())
        elif isinstance(item, (tuple, list)):
            todo.extend(item)
    return value
