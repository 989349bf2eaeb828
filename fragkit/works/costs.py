"""Costs at the user's prices only: what has no price or no quantity is a gap, never a zero."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.works.metals import metal_in

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
    "m": "m",
    "metre": "m",
    "litre": "litre",
    "litres": "litre",
    "liter": "litre",
    "l": "litre",
    "kg": "kg",
    "kilogram": "kg",
    "roll": "roll",
    "rolls": "roll",
    "sheet": "sheet",
    "sheets": "sheet",
    "motif": "motif",
    "motifs": "motif",
    "job": "job",
    "lump": "job",
    "lump sum": "job",
}

EXPECTED = (
    "leaf",
    "labour",
    "size",
    "ground",
    "shadow colour",
    "setting-out",
    "tape",
    "sheets",
    "scaffold and protection",
)
"""What such a job pays for; each is a line of the table, priced or not."""

REPEATED = ("labour", "size", "tape", "sheets", "scaffold and protection")
"""Lines beside leaf that are paid again each time the leaf is renewed."""

_KEYWORDS = {
    "leaf": ("leaf",),
    "labour": ("labour", "labor", "wages", "gilder"),
    "size": ("size",),
    "paper or canvas": ("paper", "canvas"),
    "ground": ("ground",),
    "shadow colour": ("shadow",),
    "setting-out": ("setting",),
    "sheets": ("sheet",),
    "scaffold and protection": ("scaffold", "protection", "access"),
    "tape": ("tape",),
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
        raise ValueError(f"Prices are in {', '.join(found)}: they cannot be added. State all in one currency.")
    return found[0] if found else None


def cost_lines(
    prices: Iterable[PriceEntry],
    quantities: Mapping[tuple[str, str], FloatArray | float],
    *,
    drawn_prices: Mapping[str, FloatArray] | None = None,
) -> tuple[tuple[CostLine, ...], dict[str, FloatArray]]:
    """Lines for everything expected and everything priced, and draws of the amounts that are known.

    Parameters
    ----------
    prices : iterable of PriceEntry
    quantities : mapping of (item, unit) to number or draws
        What the job needs; units as in `UNIT_NAMES`.
    drawn_prices : mapping of item to draws, optional
        Of the prices that may move.

    Returns
    -------
    lines : tuple of CostLine
    amounts : mapping of the price's item to (n,) or (1,) array
        Only of the known lines: a sum with gaps is the sum of these.
    """
    moved = drawn_prices or {}
    lines: list[CostLine] = []
    amounts: dict[str, FloatArray] = {}
    priced: set[str] = set()
    for price in prices:
        kind = kind_of(price.item)
        priced.add(kind)
        unit = unit_name(price.unit)
        quantity = quantities.get((kind, unit), 1.0 if unit == "job" else None)
        if price.quantity is not None:
            quantity = price.quantity
        gap = ""
        if quantity is None:
            gap = f"no quantity in {price.unit!r} is computed: state it in the price list, or price it by another unit"
        else:
            amounts[price.item] = np.atleast_1d(quantity) * moved.get(price.item, price.price)
        lines.append(
            CostLine(
                item=price.item,
                unit=price.unit,
                quantity=None if quantity is None else three(quantity),
                price=price.price,
                amount=None if quantity is None else three(amounts[price.item]),
                gap=gap,
            )
        )
    wanted = [*EXPECTED, *(["paper or canvas"] if ("paper or canvas", "roll") in quantities else [])]
    lines += [_missing(item, quantities) for item in wanted if item not in priced]
    return tuple(lines), amounts


def unit_name(unit: str) -> str:
    """The unit as the quantities are keyed."""
    return UNIT_NAMES.get(unit.strip().casefold(), unit)


def kind_of(item: str) -> str:
    """Which of the expected lines an item of the price list is; itself if none."""
    words = item.casefold()
    for name, keywords in _KEYWORDS.items():
        if any(keyword in words for keyword in keywords):
            return name
    return item


def leaf_metal(item: str) -> str | None:
    """The listed metal of a leaf in the price list; None for what is not leaf or names no metal."""
    metal = metal_in(item)
    return metal.name if metal is not None and kind_of(item) == "leaf" else None


def in_the_sum(prices: Sequence[PriceEntry], metal: str | None) -> tuple[PriceEntry, ...]:
    """Prices of the work itself: leaf of other metals is there for comparison only.

    Notes
    -----
    Of several formats of the stated metal the first counts.
    """
    own = metal_in(metal) if metal is not None else None
    kept: list[PriceEntry] = []
    for price in prices:
        other = leaf_metal(price.item)
        twice = kind_of(price.item) == "leaf" and any(kind_of(one.item) == "leaf" for one in kept)
        if (other is not None and own is not None and other != own.name) or twice:
            continue
        kept.append(price)
    return tuple(kept)


def _missing(item: str, quantities: Mapping[tuple[str, str], FloatArray | float]) -> CostLine:
    unit, quantity = next(((u, q) for (name, u), q in quantities.items() if name == item), ("", None))
    return CostLine(
        item=item,
        unit=unit,
        quantity=None if quantity is None else three(quantity),
        price=None,
        amount=None,
        gap="no price stated",
    )


def three(values: FloatArray | float) -> tuple[float, float, float]:
    """5, 50 and 95 % points."""
    low, middle, high = np.quantile(np.atleast_1d(values), [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)
