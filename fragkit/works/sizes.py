"""Gilding sizes: when they are ready, how long they stay open, and how many motifs one batch may hold."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Any

from fragkit.works.metals import COMMON_PRACTICE

SAFETY_RATIO = 0.7
"""Share of the open time that a batch may fill (common practice, no source)."""

_GILDER = "Gilding Sizes and Oil Sizes, watergild.com"
_MAGAZINE = "How-to: gilding sizes, Picture Framing Magazine, July 2019"
_STUDIO = "What is acrylic emulsion gilding?, gildingstudio.blogspot.com (2007)"


@dataclass(frozen=True, kw_only=True)
class Size:
    """A kind of gilding size; times in hours, as published, at ordinary room conditions."""

    name: str
    ready_h: tuple[float, float]
    open_h: tuple[float, float]
    source: str
    remark: str = ""


SIZES: tuple[Size, ...] = (
    Size(name="oil size, 1 hour", ready_h=(1.0, 1.0), open_h=(1.0, 1.0), source=_GILDER),
    Size(name="oil size, 3 hours", ready_h=(1.0, 3.0), open_h=(1.0, 3.0), source=_MAGAZINE),
    Size(
        name="oil size, 12 hours",
        ready_h=(12.0, 17.0),
        open_h=(8.0, 24.0),
        source=_STUDIO + "; goldleafer.blogspot.com (2011)",
        remark="gild the next day; one working day at most",
    ),
    Size(
        name="water-based size",
        ready_h=(0.17, 0.5),
        open_h=(8.0, 24.0),
        source=_MAGAZINE,
        remark="stays open until dust ends it; does not level, indoors only",
    ),
)


def find_size(name: str) -> Size:
    """The listed size meant by `name` ("oil size, 3 hours", "3 h oil", "water-based", …).

    Raises
    ------
    ValueError
        If none, or more than one, is meant.
    """
    words = set(re.findall(r"\d+|[a-z]+", name.casefold())) - {"size", "gilding", "h", "hour", "hours"}
    found = [size for size in SIZES if words and words <= set(re.findall(r"\d+|[a-z]+", size.name.casefold()))]
    if len(found) != 1:
        listed = ", ".join(repr(size.name) for size in SIZES)
        raise ValueError(f"size is {name!r}; name one of {listed}.")
    return found[0]


@dataclass(frozen=True, kw_only=True)
class Batch:
    """How much to size at once with one kind of size."""

    size: Size
    n_motifs: int
    n_batches: int
    open_h: float
    chosen: bool = False
    source: str = f"0.7 of the shortest open time; the 0.7 is {COMMON_PRACTICE}"


@dataclass(frozen=True, kw_only=True)
class Site:
    """What the study says of the size: the kind chosen and how long it stayed open when tried on site (h)."""

    size: str | None = None
    open_h: tuple[float, float] | None = None


def batches(
    n_motifs: int, *, crew: int, hours_per_day: float, lay_min: float, site: Site | None = None
) -> tuple[Batch, ...]:
    """Motifs that may be sized at once, and how many batches the job has, for every kind of size.

    Parameters
    ----------
    lay_min : float
        Minutes in which one gilder lays one motif.
    site : Site, optional
        The size chosen and its open time as tried on site, which then counts instead of the published one.

    Notes
    -----
    `crew × open hours × 60 / lay_min × 0.7`, with the shortest open time and no more than a working day. Cold,
    damp and the ground change open times, and no formula for that is published: only a trial on site tells.
    """
    if not (crew >= 1 and hours_per_day > 0 and lay_min > 0):
        raise ValueError(
            f"A crew of {crew}, {hours_per_day} h a day and {lay_min} min to lay a motif: all must be above 0."
        )
    found = []
    for size, chosen in _sizes(site or Site()):
        open_h = min(size.open_h[0], hours_per_day)
        per_batch = max(1, math.floor(crew * open_h * 60 / lay_min * SAFETY_RATIO + 1e-9))
        batch = Batch(
            size=size,
            n_motifs=per_batch,
            n_batches=math.ceil(n_motifs / per_batch),
            open_h=open_h,
            chosen=chosen,
        )
        found.append(batch)
    return tuple(found)


def _sizes(site: Site) -> list[tuple[Size, bool]]:
    """Every kind of size, the one chosen marked and with the open time tried on site."""
    chosen = find_size(site.size) if site.size is not None else None
    rows = [(size, size is chosen) for size in SIZES]
    if site.open_h is None:
        return rows
    tried: dict[str, Any] = {"open_h": site.open_h, "source": "tried on site"}
    if chosen is None:
        return [(Size(name="size as tried on site", ready_h=(0.0, 0.0), **tried), True), *rows]
    return [(replace(size, **tried), True) if mine else (size, False) for size, mine in rows]
