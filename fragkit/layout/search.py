"""The cheapest fit of a wall: fits across × fits down, best first, until no cheaper one can be left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.costs import weighted
from fragkit.layout.easing import Rule, governing_rules
from fragkit.layout.fits import Fit
from fragkit.layout.frames import Frame
from fragkit.layout.insets import Insets
from fragkit.layout.shapes import Form
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

N_PRICED = 8
"""At least so many distinct fits of each wall are priced in full and offered."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Corner:
    """The rows and columns of a neighbouring wall, continued round the corner into this wall's frame.

    `row_mm`: a level line at the corner; `site_mm`: a motif of that row, measured in this wall's x.
    """

    neighbour: str
    continues: bool
    row_mm: float
    down_mm: float
    site_mm: float
    across_mm: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Ground:
    """A wall made ready for the fit."""

    wall: WallEntry
    frame: Frame
    insets: Insets
    rules: tuple[Rule, ...]
    whole: Form
    offset_ratio: float
    follow: str
    corners: tuple[Corner, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Net:
    """The net of a pair of fits on one wall, and how its sites stand to the boundaries.

    Attributes
    ----------
    index : (n, 2) int array
    xy_mm : (n, 2) array
        Sites on the free wall.
    fits : (n,) bool array
        The whole motif stands there as it is.
    n_dropped : int
        Sites that no shift within its bound rescues.
    terms : mapping of str to float
    """

    across: Fit
    down: Fit
    index: NDArray[np.int64]
    xy_mm: FloatArray
    fits: NDArray[np.bool_]
    n_dropped: int
    terms: Mapping[str, float] = field(default_factory=dict)

    @property
    def cost(self) -> float:
        """Sum of the terms."""
        return sum(self.terms.values())


def sites(ground: Ground, across: Fit, down: Fit) -> tuple[NDArray[np.int64], FloatArray]:
    """Sites (n, 2) of a net that could lie on the wall, and where they are, level or bent to the edges."""
    x0, y0, x1, y1 = shapely.bounds(ground.insets.area)
    lean = 0.0
    if ground.follow == "edges":
        frame = ground.frame
        lean = max(abs(e.lean) for e in (frame.left, frame.right, frame.bottom, frame.top)) * max(x1 - x0, y1 - y0)
    j = np.arange(
        np.ceil((y0 - lean - down.start_mm) / down.repeat_mm),
        np.floor((y1 + lean - down.start_mm) / down.repeat_mm) + 1,
    )
    row_start = across.start_mm + ground.offset_ratio * j * across.repeat_mm
    first = np.ceil((x0 - lean - row_start) / across.repeat_mm)
    n_columns = int(np.ceil((x1 - x0 + 2 * lean) / across.repeat_mm)) + 1
    i = first[:, None] + np.arange(n_columns)
    xy = np.column_stack(
        [
            (row_start[:, None] + i * across.repeat_mm).ravel(),
            np.repeat(down.start_mm + j * down.repeat_mm, n_columns),
        ]
    )
    index = np.column_stack([i.ravel(), np.repeat(j, n_columns)]).astype(np.int64)
    return index, xy + ground.frame.bend(xy) if ground.follow == "edges" else xy


def lay_net(ground: Ground, across: Fit, down: Fit, weights: Mapping[str, float]) -> Net:
    """A pair of fits laid on the wall and priced."""
    index, xy = sites(ground, across, down)
    inside = ground.insets.of(ground.whole)
    fits = shapely.contains_xy(inside, xy[:, 0], xy[:, 1])
    on_wall = fits.copy()
    on_wall[~fits] = shapely.contains_xy(ground.insets.area, *xy[~fits].T)
    index, xy, fits = index[on_wall], xy[on_wall], fits[on_wall]
    n_dropped = _beyond_shift(ground, xy[~fits], inside)
    share = 1.0 / max(len(xy), 1)
    joint = {
        "motifs eased at edges": share * int((~fits).sum()),
        "motifs left out": share * n_dropped,
        **_corner_steps(ground, across, down),
    }
    terms = _summed(across.terms, down.terms, weighted(joint, weights))
    return Net(across=across, down=down, index=index, xy_mm=xy, fits=fits, n_dropped=n_dropped, terms=terms)


def _beyond_shift(ground: Ground, xy_mm: FloatArray, inside: Any) -> int:
    if not len(xy_mm):
        return 0
    number = governing_rules(xy_mm, ground.wall, ground.rules, ground.insets.area)
    allowed = np.array([-1.0 if rule.rule == "omit" else rule.max_shift_mm for rule in ground.rules])[number]
    need = shapely.distance(shapely.points(xy_mm), inside)
    return int(np.sum(~(need <= allowed)))


def _corner_steps(ground: Ground, across: Fit, down: Fit) -> dict[str, float]:
    rows = columns = 0.0
    for corner in ground.corners:
        steps_mm = row_steps_mm(ground.frame, down, row_mm=corner.row_mm, down_mm=corner.down_mm)
        rows += 2.0 * float(steps_mm.mean()) / corner.down_mm
        j = np.rint((corner.row_mm - down.start_mm) / down.repeat_mm)
        if corner.continues:
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
    until it exceeds
    the cheapest price found, so the rest need not be looked at (branch and bound). At least eight distinct
    pairs are priced.
    """
    bound = np.add.outer([fit.cost for fit in across], [fit.cost for fit in down])
    nets: dict[tuple[object, ...], Net] = {}
    best = np.inf
    for flat in np.argsort(bound, axis=None, kind="stable"):
        a, d = np.unravel_index(flat, bound.shape)
        if bound[a, d] >= best and len(nets) >= N_PRICED:
            break
        net = lay_net(ground, across[int(a)], down[int(d)], weights)
        best = min(best, net.cost)
        key = (net.across.n_lines, net.across.anchor, net.down.n_lines, net.down.anchor)
        if key not in nets or net.cost < nets[key].cost:
            nets[key] = net
    return sorted(nets.values(), key=lambda net: net.cost)
