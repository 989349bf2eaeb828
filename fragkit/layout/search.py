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
from fragkit.layout.scanning import Stretches, outside, whole_numbers

FloatArray = NDArray[np.float64]

N_PRICED = 8
"""At least so many distinct fits of each wall are priced in full and offered."""
EYE_BAND_MM = 400.0
"""Above and below eye level; an assumption."""


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
    share, pitch = 1.0 / max(n_motifs, 1), min(across.repeat_mm, down.repeat_mm)
    out_of_true, out_of_line = ground.departures_mm
    joint = {
        "motifs eased at edges": share * len(xy),
        "motifs left out": share * n_dropped,
        "lines out of true": out_of_true / pitch,
        "lines out of line with a visible edge": out_of_line / pitch,
        **_corner_steps(ground, across, down),
    }
    if ground.eye_mm is not None:
        joint["motifs eased at eye level"] = share * int(np.sum(np.abs(xy[:, 1] - ground.eye_mm) <= EYE_BAND_MM))
    terms = _summed(across.terms, down.terms, weighted(joint, weights))
    return Net(across=across, down=down, n_motifs=n_motifs, n_eased=len(xy), n_dropped=n_dropped, terms=terms)


def least_costs(
    ground: Ground, across: Sequence[Fit], down: Fit, *, weights: Mapping[str, float], rows: Rows
) -> FloatArray:
    """What each fit across (n,) with the rows of `down` costs at least: all but corners, and some motifs left out.

    Notes
    -----
    Sites on the free wall, sites with room for the whole motif, and sites that may be moved there are only
    counted, for all fits at once.
    """
    start, repeat = (
        np.array(values)[:, None] for values in zip(*((f.start_mm, f.repeat_mm) for f in across), strict=True)
    )
    free, clear, near = (
        _counts(ground, start, repeat, rows, stretches) for stretches in (rows.free, rows.clear, rows.near)
    )
    lost = weights["motifs eased at edges"] * (free - clear) + weights["motifs left out"] * (free - near)
    return np.asarray(lost / np.maximum(free, 1) + down.cost + [fit.cost for fit in across])


def _counts(
    ground: Ground, start_mm: FloatArray, repeat_mm: FloatArray, rows: Rows, stretches: Stretches
) -> NDArray[np.int64]:
    shift = ground.offset_ratio * rows.number[stretches.row]
    first, last = whole_numbers(
        (stretches.begin - start_mm) / repeat_mm - shift, (stretches.end - start_mm) / repeat_mm - shift
    )
    return np.asarray(np.maximum(last - first + 1, 0).sum(axis=1))


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
            j = np.rint(down.number_at(corner.row_mm))
            along = across.number_at(corner.site_mm) - ground.offset_ratio * j
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
    Two bounds from below: the terms of each direction alone, and with them the motifs that must be eased,
    counted row by row. Pairs are looked at in the order of the first bound until it exceeds the cheapest price
    found, and priced in full where the second does not exceed it, so the rest cannot be cheaper (branch and
    bound). At least eight distinct pairs are priced.
    """
    bound = np.add.outer([fit.cost for fit in across], [fit.cost for fit in down])
    nets: dict[tuple[object, ...], Net] = {}
    rows: dict[int, tuple[Rows, FloatArray]] = {}
    best = np.inf
    for flat in np.argsort(bound, axis=None, kind="stable"):
        a, d = (int(k) for k in np.unravel_index(flat, bound.shape))
        if bound[a, d] >= best and len(nets) >= N_PRICED:
            break
        if d not in rows:
            found = rows_on(ground, down[d])
            rows[d] = found, least_costs(ground, across, down[d], weights=weights, rows=found)
        key = (across[a].n_lines, across[a].anchor, down[d].n_lines, down[d].anchor)
        known = nets[key].cost if key in nets else np.inf
        if rows[d][1][a] >= (min(best, known) if len(nets) >= N_PRICED else known):
            continue
        net = price_net(ground, across[a], down[d], weights=weights, rows=rows[d][0])
        best = min(best, net.cost)
        if net.cost < known:
            nets[key] = net
    return sorted(nets.values(), key=lambda net: net.cost)


def cheapest_with(ground: Ground, across: Sequence[Fit], down: Fit, *, weights: Mapping[str, float]) -> float:
    """The cost of the cheapest net with the rows of `down`."""
    rows, best = rows_on(ground, down), np.inf
    least = least_costs(ground, across, down, weights=weights, rows=rows)
    for a in np.argsort(least):
        if least[a] >= best:
            break
        best = min(best, price_net(ground, across[int(a)], down, weights=weights, rows=rows).cost)
    return float(best)
