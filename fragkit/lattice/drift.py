"""Slow change of a net over a fragment: growth of the spacing, bowed rows, rows that fan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.units import Z95, with_sd

FloatArray = NDArray[np.float64]

FIELDS = (
    ("growth", "rows"),
    ("growth", "columns"),
    ("bow", "rows"),
    ("bow", "columns"),
    ("fan", "rows"),
    ("fan", "columns"),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Drift:
    """A slow change of the net, or the statement that none can be told.

    Attributes
    ----------
    kind : {"none", "growth", "bow", "fan"}
    value, sd : float or None
        Size of the field and one standard deviation, the plane's share included; None when the kind is none.
    unit : str
        Growth: mm per motif. Bow: mm, rise of the middle of a line above its ends. Fan: degrees per line.
    distinguishable : bool
        Whether the field stands above scatter and the photograph's own error.
    along : {"rows", "columns"} or None
        The lines that grow, bow or fan.
    support : float
        Posterior weight of the field, against no field and the five others.
    text : str
        The finding in words.
    """

    kind: str
    value: float | None
    sd: float | None
    unit: str
    distinguishable: bool
    text: str
    along: str | None = None
    support: float = 0.0

    def __repr__(self) -> str:
        return f"<Drift {self.text}>"

    def _repr_html_(self) -> str:
        return card("Drift", [("kind", self.kind), ("finding", self.text)])


def field_shapes(places: FloatArray) -> tuple[tuple[FloatArray, int], ...]:
    """Shape (n,) and coordinate (0 along, 1 across the rows) of each of `FIELDS`.

    Parameters
    ----------
    places : (n, 2) array
        Place along a row in motifs, and row number, both counted from the fragment's middle.

    Notes
    -----
    Growth along rows is u²/2 along the row, so its coefficient is the change of spacing per motif; a bow of
    rows is u²/2 across the row; a fan of rows is u·v across the row: the slope changes from row to row.
    Likewise for columns. Shear and scale are the net's own; no data can tell them from it.
    """
    u, v = places.T
    along_rows, along_columns, both = 0.5 * u**2, 0.5 * v**2, u * v
    return (
        (along_rows, 0),
        (along_columns, 1),
        (along_rows, 1),
        (along_columns, 0),
        (both, 1),
        (both, 0),
    )


def in_trade_units(which: int, *, places: FloatArray, across_mm: float, down_mm: float) -> tuple[float, str]:
    """Factor from the coefficient of a field (mm per motif²) to the unit in which it is stated."""
    kind, along = FIELDS[which]
    if kind == "growth":
        return 1.0, "mm per motif"
    if kind == "bow":
        reach = np.ptp(places[:, 0 if along == "rows" else 1])
        return -(float(reach) ** 2) / 8.0, "mm"
    return float(np.degrees(1.0 / (across_mm if along == "rows" else -down_mm))), "degrees per line"


def state_drift(which: int, *, value: float, sd: float, unit: str, support: float) -> Drift:
    """The finding, for a field that stands above scatter and the plane's error."""
    kind, along = FIELDS[which]
    verbs = {
        "growth": f"the spacing along {along} grows by {with_sd(value, sd, unit)}",
        "bow": f"{along} bow by {with_sd(value, sd, unit)} over the fragment",
        "fan": f"{along} fan by {with_sd(value, sd, unit)}",
    }
    return Drift(
        kind=kind,
        value=value,
        sd=sd,
        unit=unit,
        distinguishable=True,
        text=verbs[kind],
        along=along,
        support=support,
    )


def state_no_drift(*, growths: Mapping[str, tuple[float, float, str]], support: float) -> Drift:
    """The finding when no field can be told; `growths` maps rows or columns to (value, sd, unit)."""
    if growths:
        found = ", ".join(f"along {along} {with_sd(*size)}" for along, size in growths.items())
        limit = max(abs(value) + Z95 * sd for value, sd, _ in growths.values())
        text = f"not distinguishable: growth {found}; below {limit:.2g} mm per motif it cannot be excluded"
    else:
        text = "not distinguishable: the centres are too few, or in too few rows and columns, to show a drift"
    return Drift(
        kind="none",
        value=None,
        sd=None,
        unit="mm per motif",
        distinguishable=False,
        text=text,
        support=support,
    )
