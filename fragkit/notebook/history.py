"""Undo and redo over plain values; kept in the kernel, so that it outlives the page."""

from __future__ import annotations

import copy
from typing import Any


class History:
    """The values that something has had, and which of them stands now."""

    def __init__(self, value: Any) -> None:
        self._values = [copy.deepcopy(value)]
        self._at = 0

    def keep(self, value: Any) -> None:
        """`value` stands now; what was undone before it is forgotten."""
        if value != self._values[self._at]:
            self._values[self._at + 1 :] = [copy.deepcopy(value)]
            self._at += 1

    def step(self, by: int) -> Any | None:
        """The value one step back (-1) or forward (+1), which stands from now on; None at the end."""
        if not 0 <= self._at + by < len(self._values):
            return None
        self._at += by
        return copy.deepcopy(self._values[self._at])
