"""Costs at the user's prices only: what has no price or no quantity is a gap, never a zero."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from fragkit.survey import PriceEntry

FloatArray = NDArray[np.float64]

UNIT_NAMES = {
    "book": "book",
    "books": "book",
    "leaf": "leaf",
    "leaves": "leaf",
    "1000 leaves": "1000 leaves",
    "hour": "hour",
    "hours": "hour",
    "h": "hour",
    "day": "day",
    "days": "day",
    "m2": "m2",
    "m²": "m2",
    "square metre": "m2",
    "motif": "motif",
    "motifs": "motif",
    "job": "job",
    "lump": "job",
    "lump sum": "job",
}

EXPECTED = ("leaf", "labour", "size", "ground", "shadow colour", "setting-out", "scaffold and protection")
"""What such a job pays for; each is a line of the table, priced or not."""

_KEYWORDS = {
    "leaf": ("leaf",),
    "labour": ("labour", "labor", "wages", "gilder"),
    "size": ("size",),
    "ground": ("ground",),
    "shadow colour": ("shadow",),
    "setting-out": ("setting",),
    "scaffold and protection": ("scaffold", "protection", "access"),
}


@dataclass(frozen=True, kw_only=True)
class CostLine:
    """One line of the table of costs.

    Attributes
    ----------
    item, unit : str
    quantity, price, amount : (p05, p50, p95), float, (p05, p50, p95); or None
        None where it is not known: a gap.
    gap : str
        What is missing; empty when nothing is.
    """

    item: str
    unit: str
    quantity: tuple[float, float, float] | None
    price: float | None
    amount: tuple[float, float, float] | None
    gap: str = ""


def currency_of(prices: Iterable[PriceEntry]) -> str | None:
    """The one currency of all prices, or None when there are none.

    Raises
    ------
    ValueError
        If prices are in several currencies.
    """
    found = sorted({price.currency for price in prices})
    if len(found) > 1:
        raise ValueError(
            f"Prices are in {', '.join(found)}: they cannot be added. State all in one currency."
        )
    return found[0] if found else None


def cost_lines(
    prices: Iterable[PriceEntry], quantities: Mapping[tuple[str, str], FloatArray | float]
) -> tuple[tuple[CostLine, ...], FloatArray | None]:
    """Lines for everything expected and everything priced, and draws of the sum of the known ones.

    Parameters
    ----------
    prices : iterable of PriceEntry
    quantities : mapping of (item, unit) to number or draws
        What the job needs; units as in `UNIT_NAMES`.

    Returns
    -------
    lines : tuple of CostLine
    total : (n,) array or None
        None when no line is known. A sum with gaps is the sum of the known lines only.
    """
    lines: list[CostLine] = []
    total: FloatArray | None = None
    priced: set[str] = set()
    for price in prices:
        item = _expected(price.item)
        priced.add(item)
        unit = UNIT_NAMES.get(price.unit.strip().casefold(), price.unit)
        quantity = 1.0 if unit == "job" else quantities.get((item, unit))
        if quantity is None:
            gap = f"no quantity in {price.unit!r} is computed: state the coverage or price it by another unit"
            lines.append(
                CostLine(
                    item=price.item, unit=price.unit, quantity=None, price=price.price, amount=None, gap=gap
                )
            )
            continue
        amount = np.atleast_1d(quantity) * price.price
        total = amount if total is None else total + amount
        lines.append(
            CostLine(
                item=price.item,
                unit=price.unit,
                quantity=_three(quantity),
                price=price.price,
                amount=_three(amount),
            )
        )
    lines += [_missing(item, quantities) for item in EXPECTED if item not in priced]
    return tuple(lines), total


def _expected(item: str) -> str:
    words = item.casefold()
    for name, keywords in _KEYWORDS.items():
        if any(keyword in words for keyword in keywords):
            return name
    return item


def _missing(item: str, quantities: Mapping[tuple[str, str], FloatArray | float]) -> CostLine:
    unit, quantity = next(((u, q) for (name, u), q in quantities.items() if name == item), ("", None))
    return CostLine(
        item=item,
        unit=unit,
        quantity=None if quantity is None else _three(quantity),
        price=None,
        amount=None,
        gap="no price stated",
    )


def _three(values: FloatArray | float) -> tuple[float, float, float]:
    low, middle, high = np.quantile(np.atleast_1d(values), [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)
