"""The cheapest fit of a wall: fits across × fits down, best first, until no cheaper one can be left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.costs import weighted
from fragkit.layout.easing import governing_rules
from fragkit.layout.fits import Fit
from fragkit.layout.frames import Frame
from fragkit.layout.grounds import Ground, Rows, numbers_in, rows_on, site_places
from fragkit.layout.scanning import outside

FloatArray = NDArray[np.float64]

N_PRICED = 8
"""At least so many distinct fits of each wall are priced in full and offered."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Net:
    """The net of a pair of fits on one wall, priced.

    Attributes
    ----------
    n_motifs, n_eased, n_dropped : int
        Sites on the free wall; those where the whole motif has no room; those of them that no shift within
        its bound rescues.
    terms : mapping of str to float
    """

    across: Fit
    down: Fit
    n_motifs: int
    n_eased: int
    n_dropped: int
    terms: Mapping[str, float] = field(default_factory=dict)

    @property
    def cost(self) -> float:
        """Sum of the terms."""
        return sum(self.terms.values())


def price_net(ground: Ground, across: Fit, down: Fit, *, weights: Mapping[str, float], rows: Rows | None = None) -> Net:
    """A pair of fits laid on the wall and priced; `rows` are those of `down` when they are known."""
    rows = rows or rows_on(ground, down)
    free, clear = (numbers_in(ground, across, rows, stretches) for stretches in (rows.free, rows.clear))
    n_motifs = int(np.maximum(free[1] - free[0] + 1, 0).sum())
    number, row = outside(free, clear)
    _, xy = site_places(ground, across, rows, number=number, row=row)
    n_dropped = _beyond_shift(ground, xy)
    share = 1.0 / max(n_motifs, 1)
    joint = {
        "motifs eased at edges": share * len(xy),
        "motifs left out": share * n_dropped,
        **_corner_steps(ground, across, down),
    }
    terms = _summed(across.terms, down.terms, weighted(joint, weights))
    return Net(across=across, down=down, n_motifs=n_motifs, n_eased=len(xy), n_dropped=n_dropped, terms=terms)


def _beyond_shift(ground: Ground, xy_mm: FloatArray) -> int:
    if not len(xy_mm):
        return 0
    number = governing_rules(xy_mm, ground.wall, ground.rules, ground.insets.boundary)
    allowed = np.array([-1.0 if rule.rule == "omit" else rule.max_shift_mm for rule in ground.rules])[number]
    need = shapely.distance(shapely.points(xy_mm), ground.insets.of(ground.whole))
    return int(np.sum(~(need <= allowed)))


def _corner_steps(ground: Ground, across: Fit, down: Fit) -> dict[str, float]:
    rows = columns = 0.0
    for corner in ground.corners:
        steps_mm = row_steps_mm(ground.frame, down, row_mm=corner.row_mm, down_mm=corner.down_mm)
        rows += 2.0 * float(steps_mm.mean()) / corner.down_mm
        if corner.site_mm is not None:
            j = np.rint((corner.row_mm - down.start_mm) / down.repeat_mm)
            along = (corner.site_mm - across.start_mm) / across.repeat_mm - ground.offset_ratio * j
            columns += 2.0 * abs(along - np.rint(along))
    if not ground.corners:
        return {}
    return {"rows step at a corner": rows, "columns step at a corner": columns}


def row_steps_mm(frame: Frame, down: Fit, *, row_mm: float, down_mm: float) -> FloatArray:
    """How far each row (m,) of a wall is from the nearest of a neighbour's, at `row_mm + k down_mm`."""
    first = np.ceil((frame.bottom.at_mm - down.start_mm) / down.repeat_mm)
    n_rows = max(1, int(frame.height_mm / down.repeat_mm))
    rows = down.start_mm + (first + np.arange(n_rows)) * down.repeat_mm
    off = (rows - row_mm) / down_mm
    return np.asarray(np.abs(off - np.rint(off)) * down_mm)


def _summed(*parts: Mapping[str, float]) -> dict[str, float]:
    total: dict[str, float] = {}
    for part in parts:
        for name, value in part.items():
            total[name] = total.get(name, 0.0) + value
    return total


def search(ground: Ground, across: Sequence[Fit], down: Sequence[Fit], *, weights: Mapping[str, float]) -> list[Net]:
    """Nets of one wall, cheapest first; the first is the optimum over all pairs of the fits given.

    Notes
    -----
    The terms of a direction alone bound the cost from below. Pairs are priced in the order of that bound
    until it exceeds the cheapest price found, so the rest need not be looked at (branch and bound). At least
    eight distinct pairs are priced.
    """
    bound = np.add.outer([fit.cost for fit in across], [fit.cost for fit in down])
    nets: dict[tuple[object, ...], Net] = {}
    rows: dict[int, Rows] = {}
    best = np.inf
    for flat in np.argsort(bound, axis=None, kind="stable"):
        a, d = (int(k) for k in np.unravel_index(flat, bound.shape))
        if bound[a, d] >= best and len(nets) >= N_PRICED:
            break
        if d not in rows:
            rows[d] = rows_on(ground, down[d])
        net = price_net(ground, across[a], down[d], weights=weights, rows=rows[d])
        best = min(best, net.cost)
        key = (net.across.n_lines, net.across.anchor, net.down.n_lines, net.down.anchor)
        if key not in nets or net.cost < nets[key].cost:
            nets[key] = net
    return sorted(nets.values(), key=lambda net: net.cost)
