"""What a study may state of the making: the answers, the signs of the trade, and the entries that hold them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

PLACINGS = ("on set-out lines", "stepped off from the neighbour", "rigid groups", "continuous print")
FORMINGS = ("drawn free", "along an outline", "through a plate", "by block or roller")

SPEAKS_FOR: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "ties": ("through a plate",),
        "stop-dead edges": ("through a plate",),
        "raised lip": ("by block or roller",),
        "register marks": ("through a plate", "by block or roller", "rigid groups"),
        "pounce dots": ("along an outline",),
        "incised outline": ("along an outline",),
        "brush follows the form": ("drawn free", "along an outline"),
        "brush crosses the edge": ("through a plate",),
        "snapped line": ("on set-out lines",),
        "unbroken run": ("continuous print",),
    }
)
"""Signs of the trade and the answers they speak for; synthesis of conservation practice."""


@dataclass(frozen=True, eq=False, kw_only=True)
class MarksEntry:
    """Marks that one person set on the spot by "eye", "grid" or "plate", with the error of measuring them.

    `index` (n, 2) holds column and row of each, `xy_mm` (n, 2) its place, `group` the plate's columns and rows.
    """

    method: str
    person: str
    index: IntArray
    xy_mm: FloatArray
    sd_mm: float
    group: tuple[int, int] = (1, 1)


@dataclass(frozen=True, eq=False, kw_only=True)
class SignEntry:
    """A tool mark that somebody saw; `odds` say how much it counts for the answers it `favours`."""

    what: str
    odds: float
    favours: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True, eq=False, kw_only=True)
class TechniqueEntry:
    """What is assumed of the making beforehand, where it differs from the defaults, and what the eye saw.

    `placing` and `forming` weigh the answers; `scatter_mm` gives median and log-sd of each placing's scatter,
    `outline_spread_mm` of each forming's spread of outlines (rms, for a motif of this size).
    """

    placing: Mapping[str, float] = field(default_factory=dict)
    forming: Mapping[str, float] = field(default_factory=dict)
    scatter_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    outline_spread_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    reason: str = ""
    marks: tuple[MarksEntry, ...] = ()
    signs: tuple[SignEntry, ...] = ()
