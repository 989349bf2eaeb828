"""Metals side by side over fifty years, and the price of leaf at which the cheaper one changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fragkit.works.costs import leaf_metal, three, unit_name
from fragkit.works.metals import metal_in
from fragkit.works.montecarlo import Distribution, Drawn, PositiveRange, Spread, spread_of

if TYPE_CHECKING:
    from fragkit.survey import PriceEntry, WorksEntry
    from fragkit.works.takeoff import MetalNeed, TakeOff

FloatArray = NDArray[np.float64]
Three = tuple[float, float, float]

HORIZON_YEARS = 50.0


@dataclass(frozen=True, kw_only=True)
class MetalCost:
    """One metal at the user's price and assumed life; what is not stated is None, and `gap` says so.

    Attributes
    ----------
    metal : str
    leaf : Spread or None
        Leaf for the work once.
    life_years : (low, high) or None
        As the user assumes.
    n_renewals : (p05, p50, p95) or None
        Times it is done again within fifty years.
    over_horizon : Spread or None
        Leaf and repeated lines, first time and renewals, at today's prices.
    gap : str
    """

    metal: str
    leaf: Spread | None
    life_years: tuple[float, float] | None
    n_renewals: Three | None
    over_horizon: Spread | None
    gap: str


@dataclass(frozen=True, kw_only=True)
class PriceFlip:
    """How the cost of one metal moves with its price of leaf, against another at its own.

    Attributes
    ----------
    moving, fixed : str
        The metal whose price moves, and the other.
    unit : str
        Of the price, such as "book".
    price : float
        Today's.
    flip_price : (p05, p50, p95) or None
        Where both cost the same; None when the moving metal costs more at any price.
    never_ratio : float
        Share of the draws in which it costs more at any price.
    over_years : float or None
        Compared over this span; None when only the leaf for the first time is compared.
    prices : (m,) array
    moving_cost, fixed_cost : (m, 3), (3,) arrays
        5, 50, 95 % points.
    """

    moving: str
    fixed: str
    unit: str
    price: float
    flip_price: Three | None
    never_ratio: float
    over_years: float | None
    prices: FloatArray
    moving_cost: FloatArray
    fixed_cost: FloatArray

    @property
    def words(self) -> str:
        span = "in leaf for the first time" if self.over_years is None else f"over {self.over_years:g} years"
        if self.flip_price is None:
            odds = "always" if self.never_ratio >= 0.995 else f"in {100 * self.never_ratio:.0f} of 100 drawn cases"
            return f"Even with its leaf for nothing, {self.moving} costs more than {self.fixed} {span} {odds}."
        low, middle, high = self.flip_price
        known = f"{middle:.3g} a {self.unit}" + (f" ({low:.3g} to {high:.3g})" if high > 1.005 * low else "")
        now = "below" if self.price < middle else "above"
        return (
            f"{self.moving} and {self.fixed} cost the same {span} when {self.moving} leaf is at {known}; "
            f"today's {self.price:.4g} is {now} that{self._doubt}."
        )

    @property
    def _doubt(self) -> str:
        if self.never_ratio < 0.005:
            return ""
        return f"; in {100 * self.never_ratio:.0f} of 100 drawn cases it costs more even with its leaf for nothing"


@dataclass(frozen=True, kw_only=True)
class _Drawn:
    """Draws of one metal: units of leaf, price, times done within the horizon (None without a life)."""

    metal: str
    price: PriceEntry
    units: FloatArray
    prices: FloatArray
    times: FloatArray | None


def life_inputs(works: WorksEntry) -> dict[str, Distribution]:
    """What is open about how long each metal lasts."""
    found: dict[str, Distribution] = {}
    for name, (low, high) in works.life_years.items():
        found[f"life of {_plain(name)}"] = PositiveRange(low, high) if high > low else Drawn(np.array([low]))
    return found


def times_done(life_years: FloatArray, *, horizon_years: float = HORIZON_YEARS) -> FloatArray:
    """How often the work is done within the horizon: at the start and whenever a life ends before its end."""
    return np.ceil(horizon_years / np.asarray(life_years, float) - 1e-9)


def compare_metals(
    takeoff: TakeOff, works: WorksEntry, *, draws: Mapping[str, FloatArray], again: FloatArray | float
) -> tuple[MetalCost, ...]:
    """Every metal that is stated, priced or given a life.

    Parameters
    ----------
    draws : mapping of input to (n,) array
        Torn leaf, prices of leaf and lives.
    again : (n,) array or float
        Draws of the other lines that are paid each time.

    Notes
    -----
    `times · (leaf + again)`, `times = ceil(50 / life)`, at today's prices, without interest or inflation, nothing
    credited for what is left of a life at the end.
    """
    rows = []
    for need in takeoff.metals:
        life = _life(works, need.metal)
        drawn = _draw(need, takeoff, works, draws)
        if drawn is None and life is None and not need.stated:
            continue
        missing = [] if drawn else ["no price of leaf stated"]
        missing += [] if life else ["no life assumed"]
        times = times_done(draws[f"life of {need.metal}"]) if life else None
        leaf = drawn.units * drawn.prices if drawn else None
        whole = None if leaf is None or times is None else times * (leaf + again)
        rows.append(
            MetalCost(
                metal=need.metal,
                leaf=None if leaf is None else spread_of(leaf),
                life_years=life,
                n_renewals=None if times is None else three(times - 1),
                over_horizon=None if whole is None else spread_of(whole),
                gap="; ".join(missing),
            )
        )
    return tuple(rows)


def flip_prices(
    takeoff: TakeOff, works: WorksEntry, *, draws: Mapping[str, FloatArray], again: FloatArray | float
) -> tuple[PriceFlip, ...]:
    """The stated metal's price moved against every other metal that has a price.

    Notes
    -----
    Costs are straight lines in the price, `times · (units · price + again)`, so the flip is exact for each draw.
    Over fifty years when both lives are assumed, else leaf for the first time only.
    """
    drawn = [one for need in takeoff.metals if (one := _draw(need, takeoff, works, draws)) is not None]
    stated = metal_in(works.metal) if works.metal is not None else None
    own = next((one for one in drawn if stated is not None and one.metal == stated.name), None)
    return tuple(_flip(own, other, again) for other in drawn if other is not own) if own is not None else ()


def _flip(own: _Drawn, other: _Drawn, again: FloatArray | float) -> PriceFlip:
    lasting = own.times is not None and other.times is not None
    times = own.times if lasting and own.times is not None else np.ones(1)
    other_times = other.times if lasting and other.times is not None else np.ones(1)
    rest = np.asarray(again if lasting else 0.0, float)
    fixed = other_times * (other.units * other.prices + rest)
    flip = np.atleast_1d((fixed / times - rest) / own.units)
    ever = flip > 0
    middle = float(np.median(flip[ever])) if ever.any() else 0.0
    prices = np.linspace(0.0, 2.0 * max(own.price.price, min(middle, 5 * own.price.price)), 25)
    moving = np.array([three(times * (own.units * price + rest)) for price in prices])
    return PriceFlip(
        moving=own.metal,
        fixed=other.metal,
        unit=unit_name(own.price.unit),
        price=own.price.price,
        flip_price=three(flip[ever]) if ever.mean() >= 0.5 else None,
        never_ratio=float(1 - ever.mean()),
        over_years=HORIZON_YEARS if lasting else None,
        prices=prices,
        moving_cost=moving,
        fixed_cost=np.array(three(fixed)),
    )


def leaf_units(need: MetalNeed, unit: str, n_leaves: FloatArray) -> FloatArray | None:
    """Leaves in the unit that is priced: whole books, whole leaves, or thousands."""
    if unit == "book":
        return np.ceil(n_leaves / need.leaves_per_book - 1e-9)
    return {"leaf": np.ceil(n_leaves - 1e-9), "1000 leaves": n_leaves / 1000.0}.get(unit)


def _draw(need: MetalNeed, takeoff: TakeOff, works: WorksEntry, draws: Mapping[str, FloatArray]) -> _Drawn | None:
    price = _price(works.prices, need)
    if price is None:
        return None
    reserve = takeoff.n_leaves_reserve / max(takeoff.n_leaves_cut, 1)
    torn = draws.get("torn leaf", np.zeros(1))
    n_leaves = need.n_leaves_cut * (1 + torn) + np.ceil(need.n_leaves_cut * reserve - 1e-9)
    units = leaf_units(need, unit_name(price.unit), np.atleast_1d(n_leaves))
    if units is None or need.n_leaves_cut == 0:
        return None
    life = draws.get(f"life of {need.metal}")
    return _Drawn(
        metal=need.metal,
        price=price,
        units=units,
        prices=draws.get(f"price of {price.item}", np.array([price.price])),
        times=None if life is None else times_done(life),
    )


def _price(prices: Sequence[PriceEntry], need: MetalNeed) -> PriceEntry | None:
    return next((price for price in prices if leaf_metal(price.item) == need.metal), None)


def _life(works: WorksEntry, metal: str) -> tuple[float, float] | None:
    return next((years for name, years in works.life_years.items() if _plain(name) == metal), None)


def _plain(name: str) -> str:
    found = metal_in(name)
    return name if found is None else found.name
