"""Change of a net over a fragment: growing spacing, bowed rows, rows that fan, seams between strips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.units import Z95, with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

KIND_SHARES = {"growth": 0.25, "bow": 0.0625, "fan": 0.0625}
"""Prior share of each low-order drift, along rows and along columns alike: small errors of a measure or a slow stretch
make a spacing grow; to bow or fan, rows must be set out askew. An assumption."""

SEAM_SHARE = 0.0625
"""Prior share of all jumps, strips and stretches at all seams. An assumption."""

LEAST_BESIDE_SEAM = 2
"""Columns (or rows) that must lie on each side of a seam."""


@dataclass(frozen=True, eq=False, kw_only=True)
class DriftShape:
    """A field of displacement along one coordinate (0 along, 1 across the rows), for a coefficient of 1 mm.

    `values` (n,) are the displacements, `share` is the prior share among all drifts, and `seam` the number of the
    column or row after which the net jumps or changes its spacing.
    """

    kind: str
    along: str
    coordinate: int
    values: FloatArray
    share: float
    seam: int | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Drift:
    """A slow change of the net, or the statement that none can be told.

    Attributes
    ----------
    kind : {"none", "growth", "bow", "fan", "jump", "strip", "stretch"}
    value, sd : float or None
        Size of the field and one standard deviation, the plane's share included; None when the kind is none.
    unit : str
        Growth, strip and stretch: mm per motif. Bow: mm, rise of the middle of a line above its ends. Fan: degrees per
        line. Jump: mm.
    distinguishable : bool
        Whether the field stands above scatter and the photograph's own error.
    along : {"rows", "columns"} or None
        The lines that grow, bow or fan, or that a seam cuts.
    support : float
        Posterior weight of the field, against no field and all others.
    seam : int or None
        Column (or row) after which the net jumps or changes its spacing.
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
    seam: int | None = None

    def __repr__(self) -> str:
        return f"<Drift {self.text}>"

    def _repr_html_(self) -> str:
        percent = 100.0 * self.support
        weights = {self.kind: percent, "none, or another": 100.0 - percent} if self.value is not None else {}
        drawn = sketch_bars("Weight of the drift found, and of all else", weights, unit="%")
        return card("Drift", [("kind", self.kind), ("finding", self.text)], drawing=drawn)


def drift_shapes(places: FloatArray, sites: IntArray) -> tuple[DriftShape, ...]:
    """The family of drifts that are tried.

    Parameters
    ----------
    places : (n, 2) array
        Place along a row in motifs, and row number, both counted from the fragment's middle.
    sites : (n, 2) int array
        Column and row as the maker counted them.

    Notes
    -----
    Growth along rows is u²/2 along the row, so its coefficient is the change of spacing per motif; a bow of
    rows is u²/2 across the row; a fan of rows is u·v across the row: the slope changes from row to row.
    Likewise for columns. A jump is a step at a seam; in a strip the step across the seam's side differs, and where
    one side was stretched along the seam, as lengths of paper are when they are hung, the spacing along it. Shear
    and scale are the net's own; no data can tell them from it.
    """
    u, v = places.T
    low_order = (
        ("growth", "rows", 0, 0.5 * u**2),
        ("growth", "columns", 1, 0.5 * v**2),
        ("bow", "rows", 1, 0.5 * u**2),
        ("bow", "columns", 0, 0.5 * v**2),
        ("fan", "rows", 1, u * v),
        ("fan", "columns", 0, u * v),
    )
    shapes = [
        DriftShape(kind=kind, along=along, coordinate=axis, values=values, share=KIND_SHARES[kind])
        for kind, along, axis, values in low_order
    ]
    return (*shapes, *_at_seams(places, sites))


def _at_seams(places: FloatArray, sites: IntArray) -> tuple[DriftShape, ...]:
    """Jumps, strips and stretches at every seam between columns (which cut rows) and between rows."""
    seams = []
    for axis, along in ((0, "rows"), (1, "columns")):
        lines = np.unique(sites[:, axis])
        for last, following in pairwise(lines):
            if LEAST_BESIDE_SEAM <= np.sum(lines <= last) <= len(lines) - LEAST_BESIDE_SEAM:
                beyond = sites[:, axis] > last
                first = places[sites[:, axis] == following, axis].mean()
                run, beside = beyond * (places[:, axis] - first + 0.5), beyond * places[:, 1 - axis]
                both = [(kind, k, v) for k in range(2) for kind, v in (("jump", beyond.astype(float)), ("strip", run))]
                seams += [(along, int(last), *one) for one in (*both, ("stretch", 1 - axis, beside))]
    return tuple(
        DriftShape(kind=kind, along=along, coordinate=axis, values=values, share=SEAM_SHARE / len(seams), seam=last)
        for along, last, kind, axis, values in seams
    )


def in_trade_units(shape: DriftShape, *, places: FloatArray, across_mm: float, down_mm: float) -> tuple[float, str]:
    """Factor from the coefficient of a field to the unit in which it is stated, and that unit."""
    if shape.kind in ("growth", "strip", "stretch"):
        return 1.0, "mm per motif"
    if shape.kind == "jump":
        return 1.0, "mm"
    if shape.kind == "bow":
        reach = np.ptp(places[:, 0 if shape.along == "rows" else 1])
        return -(float(reach) ** 2) / 8.0, "mm"
    return float(np.degrees(1.0 / (across_mm if shape.along == "rows" else -down_mm))), "degrees per line"


def state_drift(shape: DriftShape, *, value: float, sd: float, unit: str, support: float) -> Drift:
    """The finding, for a field that stands above scatter and the plane's error."""
    return Drift(
        kind=shape.kind,
        value=value,
        sd=sd,
        unit=unit,
        distinguishable=True,
        text=_finding(shape, with_sd(value, sd, unit)),
        along=shape.along,
        support=support,
        seam=shape.seam,
    )


def _finding(shape: DriftShape, size: str) -> str:
    along = shape.along
    if shape.kind == "growth":
        return f"the spacing along {along} grows by {size}"
    if shape.kind == "bow":
        return f"{along} bow by {size} over the fragment"
    if shape.kind == "fan":
        return f"{along} fan by {size}"
    cut = "column" if along == "rows" else "row"
    seam = f"at a seam after {cut} {shape.seam}"
    if shape.kind == "stretch":
        spacing = "from row to row" if along == "rows" else "along the rows"
        return f"the spacing {spacing} changes by {size} {seam}"
    direction = "along the rows" if shape.coordinate == 0 else "across the rows"
    if shape.kind == "jump":
        return f"the net jumps by {size} {direction} {seam}"
    return f"each step along {along} changes by {size} {direction} {seam}"


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
