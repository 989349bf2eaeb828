"""Areas that are too regular for hand work: overlapping neighbourhoods of a fragment, at a false discovery rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.lattice import Fitted, free_contrasts
from fragkit.placing import OnLines, Process, RigidGroups, covariance
from fragkit.sketch import sketch
from fragkit.technique.discoveries import false_discoveries, tail_chance
from fragkit.technique.handwork import HandWork, hand_work, with_shuffles
from fragkit.units import by_chance

FloatArray = NDArray[np.float64]
IntArray = NDArray[Any]

_Standing = tuple[IntArray, float, float]

NEIGHBOURHOODS = (((5, 4), 0.98), ((3, 3), 0.02))
ROW_NEIGHBOURHOODS = (((8, 1), 1.0),)
"""Columns and rows of the areas that are tried at every place, in a net and in a single row, and how probable each is
where there is one: nine motifs seldom tell a plate, and must not take the chance from twenty that do. With a tenth for
them 3 patches of 100 were lost; those that do tell it have odds beside which their share is nothing."""

LEAST_SITES = 6
LARGEST_PLATE = (4, 3)
PLATE = (1.0, 1.0, 0.12, 0.05)
"""Shift, turn × width, seats and own scatter of a plate, in units of the hand's scatter."""
EXACT_RATIO = 0.15
"""Scatter of an exact placing (block or print), in units of the hand's."""
N_SHUFFLES = (99, 399)
DOUBTED_P = 0.15
"""Shuffled walls: a few, and where they leave a smaller chance than this, many, which tell one in twenty to a fifth of
itself."""
LEAST_RATIO = 10.0
"""Where hand and plate hardly differ, a small p-value says nothing; the likelihoods must differ by this factor, too."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RegularArea:
    """An area that is more regular than the rest of its fragment allows for hand work.

    Attributes
    ----------
    fragment : int
        Number of the fragment, in the order given to `weigh_technique`.
    outline_mm : (m, 2) array
        Round its cells, in the fragment's frame.
    index : (n, 2) int array
        The motifs in it, as the net counts them.
    p : float
        Share of neighbourhoods of shuffled hand work that are as regular as its most regular one.
    words : str
    """

    fragment: int
    outline_mm: FloatArray
    index: IntArray
    p: float
    words: str

    def __repr__(self) -> str:
        return f"<RegularArea {self.words}>"

    def _repr_html_(self) -> str:
        rows = [("motifs", str(len(self.index))), ("finding", self.words)]
        drawn = sketch("Sites of the area, one step between neighbours", dots_mm=self.index)
        return card("Suspiciously regular area", rows, drawing=drawn)


def map_regularity(
    lattice: Fitted, *, rng: np.random.Generator, rate: float = 0.05, fragment: int = 0
) -> tuple[RegularArea, ...]:
    """The areas of one fragment that are too regular for hand work.

    Parameters
    ----------
    lattice : Lattice or RowFit
    rng : numpy.random.Generator
    rate : float
        Expected share of false areas among those found.
    fragment : int
        Number to write into the areas.

    Notes
    -----
    Hand work is what the whole fragment looks like: on lines or stepped off, with its own scatter. In every
    neighbourhood the mean likelihood of plates of all sizes and phases, and of exact placing, is divided by that of
    hand work; only places within the neighbourhood count. First the whole fragment is judged: the mean of these ratios
    over all neighbourhoods, which says how probable a patch is somewhere, must be one that few walls reach on which the
    errors of this very wall are dealt out anew among its motifs (`with_shuffles`), so that neither its scatter nor a
    few strays make a difference. Then the clearest neighbourhood stands, and all others that the procedure of Benjamini
    and Hochberg leaves; since it takes overlapping neighbourhoods for many more than they are, it would lose patches
    that the first step finds. The p-value of a neighbourhood is the share of shuffled ones that reach its ratio, which
    must be 10 at least.

    A patch of 5 × 4 in a freehand wall of 12 × 9, a fifth lost, by plates of two to twelve motifs: 102 of 120 were
    found. Who knows net, scatters and all but the patch's place and its plates' size and phase (Neyman and Pearson)
    tells 106 of the same walls from those without at one false alarm in twenty, and of 105 where the patch is. Of 400
    walls without a patch 14 showed one.
    """
    work = hand_work(lattice, n_simulated=0, rng=rng)
    kinds = _kinds(work)
    for n, most in zip(N_SHUFFLES, (DOUBTED_P, rate), strict=True):
        wall = with_shuffles(work, n_shuffles=n, rng=rng)
        searches = [one for kind in kinds if (one := _Search.of(wall, kind)) is not None]
        if not searches:
            return ()
        whole = logsumexp([one.mean for one in searches], axis=0)
        if tail_chance(float(whole[0]), whole[1:]) > most:
            return ()
    clearest = max(float(one.weighted[:, 0].max()) for one in searches)
    found = [area for one in searches for area in one.standing(rate, clearest)]
    return tuple(_area(lattice, work.chosen[members], p, fragment) for members, p in _merge(found))


@dataclass(frozen=True, eq=False)
class _Kind:
    """Neighbourhoods of one size, their share, and covariances (k, 2n, 2n) of regular placings with log weights."""

    size: tuple[int, int]
    share: float
    regular: FloatArray
    log_weights: FloatArray


def _kinds(wall: HandWork) -> list[_Kind]:
    sizes = NEIGHBOURHOODS if np.ptp(wall.sites[:, 1]) else ROW_NEIGHBOURHOODS
    return [_Kind(size, share, *_regular_covariances(size, wall)) for size, share in sizes]


@dataclass(frozen=True, eq=False)
class _Search:
    """Neighbourhoods of one size: their members, and log ratios (windows, 1 + k) of the real and of shuffled walls."""

    windows: list[IntArray]
    log_ratios: FloatArray
    share: float

    @staticmethod
    def of(wall: HandWork, kind: _Kind) -> _Search | None:
        every, windows, ratios = np.arange(len(kind.regular)), [], []
        for seats, members in _windows(wall.sites, kind.size):
            windows.append(members)
            ratios.append(_log_ratios(wall, members, kind.regular[np.ix_(every, seats, seats)], kind.log_weights))
        return _Search(windows, np.array(ratios), kind.share) if windows else None

    @property
    def weighted(self) -> FloatArray:
        """Log ratios times how probable each neighbourhood is beforehand, (windows, 1 + k)."""
        return np.asarray(self.log_ratios + np.log(self.share / len(self.windows)))

    @property
    def mean(self) -> FloatArray:
        """Log of the weighted sum over all neighbourhoods (1 + k,)."""
        return np.asarray(logsumexp(self.weighted, axis=0))

    def standing(self, rate: float, clearest: float) -> Iterator[_Standing]:
        """Neighbourhoods that stand in a fragment that stands out: members, log ratio and p-value."""
        real, shuffled = self.log_ratios[:, 0], np.sort(self.log_ratios[:, 1:], axis=None)
        p = np.asarray((1.0 + len(shuffled) - np.searchsorted(shuffled, real)) / (1.0 + len(shuffled)), float)
        kept = false_discoveries(p, rate=self.share * rate) | (self.weighted[:, 0] >= clearest)
        for k in np.flatnonzero(kept & (real > np.log(LEAST_RATIO))):
            yield self.windows[k], float(real[k]), float(p[k])


def _windows(sites: IntArray, size: tuple[int, int]) -> Iterator[tuple[NDArray[Any], NDArray[Any]]]:
    """Coordinates within the neighbourhood, and members, of every neighbourhood that holds enough motifs."""
    low, high = sites.min(axis=0), sites.max(axis=0)
    known = set()
    for i in range(low[0], max(low[0], high[0] - size[0] + 1) + 1):
        for j in range(low[1], max(low[1], high[1] - size[1] + 1) + 1):
            members = np.flatnonzero(np.all((sites >= (i, j)) & (sites < (i + size[0], j + size[1])), axis=1))
            if len(members) >= max(LEAST_SITES, size[0] * size[1] // 2) and members.tobytes() not in known:
                known.add(members.tobytes())
                seat = (sites[members] - (i, j)) @ [1, size[0]]
                yield (2 * seat[:, None] + [0, 1]).ravel(), members


def _log_ratios(wall: HandWork, members: IntArray, regular: FloatArray, log_weights: FloatArray) -> FloatArray:
    """Log of the mean likelihood of regular placings over that of hand work, (1 + k,); translation left out."""
    both = (2 * members[:, None] + [0, 1]).ravel()
    contrasts = free_contrasts(np.asarray(np.kron(np.ones((len(members), 1)), np.eye(2)), float)).T
    noise = wall.noise_mm2[np.ix_(both, both)]
    units = np.concatenate([wall.hand_mm2[np.ix_(both, both)][None], regular]) + noise
    spreads = contrasts @ units @ contrasts.T
    squares = _squares(np.linalg.inv(spreads), contrasts @ wall.offsets_mm[both])
    logs = -0.5 * (np.linalg.slogdet(spreads)[1][:, None] + squares)
    return np.asarray(logsumexp(logs[1:] + log_weights[:, None], axis=0) - logs[0])


def _squares(precisions: FloatArray, data: FloatArray) -> FloatArray:
    """Quadratic forms (p, k) of p symmetric matrices (m, m) for k columns of data (m, k), in one product."""
    row, column = np.triu_indices(len(data))
    folded = precisions[:, row, column] * np.where(row == column, 1.0, 2.0)
    return np.asarray(folded @ (data[row] * data[column]))


def _regular_covariances(size: tuple[int, int], wall: HandWork) -> tuple[FloatArray, FloatArray]:
    """Covariance in mm² of a full neighbourhood under each different regular placing, and log weights."""
    sites = np.array([(i, j) for j in range(size[1]) for i in range(size[0])])
    places = sites * np.array(wall.spacing_mm)
    weights: dict[bytes, float] = {}
    different: dict[bytes, FloatArray] = {}
    for share, process in _regular(size, wall):
        unit = covariance(process, sites, places)
        different[unit.tobytes()] = unit
        weights[unit.tobytes()] = weights.get(unit.tobytes(), 0.0) + share
    return np.array(list(different.values())), np.log(list(weights.values()))


def _regular(size: tuple[int, int], wall: HandWork) -> Iterator[tuple[float, Process]]:
    """Regular placings with their shares: exact, one plate under all, plates of every size and phase."""
    scatter = wall.scatter_mm
    yield 0.1, OnLines(sd_x_mm=EXACT_RATIO * scatter, sd_y_mm=EXACT_RATIO * scatter)
    yield 0.3, _plate(size, (0, 0), scatter, wall.spacing_mm)
    groups = [(c + 1, r + 1) for c, r in np.ndindex(LARGEST_PLATE) if c + r > 0]
    for group in groups:
        phases = list(np.ndindex(group))
        for phase in phases:
            yield 0.6 / (len(groups) * len(phases)), _plate(group, phase, scatter, wall.spacing_mm)


def _plate(
    size: tuple[int, int], phase: tuple[int, ...], scatter_mm: float, spacing_mm: tuple[float, float]
) -> RigidGroups:
    shift, turn, seat, own = (scatter_mm * ratio for ratio in PLATE)
    return RigidGroups(
        columns=size[0],
        rows=size[1],
        shift_sd_mm=shift,
        turn_sd_rad=turn / max(size[0] * spacing_mm[0], size[1] * spacing_mm[1]),
        seat_sd_mm=seat,
        own_sd_mm=own,
        phase=(phase[0], phase[1]),
    )


def _merge(found: list[_Standing]) -> list[tuple[IntArray, float]]:
    """Neighbourhoods that overlap as one area; those that are regular only by what they share with it are left out.

    One of which a share f lies in the area, the rest being hand work, has about f times the area's log ratio, give or
    take what chance does; so its rest must add as much as a neighbourhood needs by itself. Without that, areas of 3 in
    a hundred patches lay outside for the greater part.
    """
    areas: list[tuple[set[int], float, float]] = []
    for window, log_ratio, p in sorted(found, key=lambda one: -one[1]):
        members = set(window.tolist())
        touching = next((n for n, (area, _, _) in enumerate(areas) if area & members), None)
        if touching is None:
            areas.append((members, log_ratio, p))
        else:
            area, clearest, least = areas[touching]
            if log_ratio > clearest * len(area & members) / len(members) + np.log(LEAST_RATIO):
                areas[touching] = area | members, clearest, least
    return [(np.array(sorted(area)), least) for area, _, least in areas]


def _area(lattice: Fitted, chosen: IntArray, p: float, fragment: int) -> RegularArea:
    row, up = lattice.repeat_mm
    across = row / np.hypot(*row)
    upright = up - (up @ across) * across
    corners = 0.5 * np.array([-row - upright, row - upright, row + upright, upright - row])
    ideal = lattice.origin_mm + lattice.places_mm[chosen]
    cells = shapely.union_all([shapely.Polygon(1.001 * corners + centre) for centre in ideal])
    outline = cells if isinstance(cells, shapely.Polygon) else cells.convex_hull
    return RegularArea(
        fragment=fragment,
        outline_mm=frozen_array(np.asarray(outline.exterior.coords)[:-1]),
        index=frozen_array(lattice.index[chosen]),
        p=p,
        words=f"{len(chosen)} motifs are more regular than the hand of this fragment allows (by chance {by_chance(p)})",
    )
