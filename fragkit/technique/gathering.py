"""Whether marks lie together, keep apart, or stand as chance would have them: losses, flakes, nail holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.motifs import Centres
from fragkit.sketch import sketch
from fragkit.units import by_chance

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LEAST_MARKED = 4
N_SIMULATED = 499
N_REACHES = 8
LARGEST_REACH = 0.4
"""Pairs of marks are counted up to this share of the shorter side; beyond it the edge hides too many."""
TELLING_P = 0.05

TOGETHER, APART, CHANCE = "lie together", "keep apart", "stand as chance would have them"


@dataclass(frozen=True, eq=False, kw_only=True)
class Gathering:
    """How marks lie to each other.

    Attributes
    ----------
    finding : str
        "lie together", "keep apart" or "stand as chance would have them".
    p : float
        Chance of marks so close together, or so far apart, at any distance, if each stood where chance put it.
    nearest_ratio : float
        Mean distance of a mark from the one nearest to it, in units of what chance gives: below 1 together.
    reach_mm, pairs_ratio : float
        The distance at which the number of pairs departs most from chance, and how many times as many pairs of marks
        stand within it as chance gives.
    marked_mm, others_mm : (n, 2) arrays
        The marks, and the places where none is.
    words : str
    """

    finding: str
    p: float
    nearest_ratio: float
    reach_mm: float
    pairs_ratio: float
    marked_mm: FloatArray
    others_mm: FloatArray
    words: str

    def __repr__(self) -> str:
        return f"<Gathering {self.words}>"

    def _repr_html_(self) -> str:
        rows = [
            ("finding", self.words),
            ("distance to the nearest", f"{self.nearest_ratio:.2f} of what chance gives"),
        ]
        label = "Marks (dots) and places without one (circles)"
        drawn = sketch(label, dots_mm=self.marked_mm, circles_mm=self.others_mm)
        return card("Do they lie together?", rows, drawing=drawn)


def find_gathering(
    places_mm: FloatArray, marked: BoolArray, *, rng: np.random.Generator, what: str = "marks"
) -> Gathering:
    """Whether the marked ones of given places lie together: lost motifs among all, motifs that stray far, repairs.

    Parameters
    ----------
    places_mm : (n, 2) array
        Every place that could bear a mark: the motifs of a fragment, or the sites of its net.
    marked : (n,) bool array
    rng : numpy.random.Generator
    what : str
        What the marks are, for the words: "losses".

    Raises
    ------
    EstimationError
        With fewer than four marks, or fewer than four places without one.

    Notes
    -----
    Chance is the same number of marks on any of the same places, drawn 499 times; so neither the net nor the outline
    of the fragment is taken for a gathering. Weighed are the mean distance to the nearest mark and the number of pairs
    within eight distances; the p-value is that of the most unusual of the nine.
    """
    places, mark = np.asarray(places_mm, float), np.asarray(marked, bool)
    if places.ndim != 2 or places.shape[1] != 2 or mark.shape != (len(places),):
        raise ValueError(f"places_mm is {places.shape} and marked {mark.shape}; give (n, 2) and (n,)")
    if min(mark.sum(), (~mark).sum()) < LEAST_MARKED:
        raise EstimationError(
            "Too few marks, or too few places without one.",
            found=f"{mark.sum()} of {len(mark)} places are marked",
            needed=f"{LEAST_MARKED} with and {LEAST_MARKED} without",
        )
    apart = np.linalg.norm(places[:, None] - places, axis=2)
    reaches = _reaches(float(np.ptp(places, axis=0).min()), float(np.min(apart[apart > 0.0], initial=np.inf)))
    near = [(apart <= reach) & ~np.eye(len(places), dtype=bool) for reach in reaches]
    draws = [mark, *(rng.permutation(mark) for _ in range(N_SIMULATED))]
    table = np.array([_on_sites(apart, near, one) for one in draws])
    return _judge(table, reaches, places[mark], places[~mark], f"{what} at {mark.sum()} of {len(mark)} places")


def find_losses(centres: Centres, *, rng: np.random.Generator) -> Gathering:
    """Whether the losses inside a fragment lie together.

    Parameters
    ----------
    centres : Centres
    rng : numpy.random.Generator

    Raises
    ------
    EstimationError
        If too few motifs inside are lost, or too few are whole.

    Notes
    -----
    A loss is a site whose motif is not seen for the greater part. Lost sites that are joined to the edge of the picture
    are what the fragment ends at, not losses; those and the motifs along them, whose outer part is always gone, do not
    take part.
    """
    inside = _well_inside(centres)
    spoilt = np.array([status != "seen" for status in centres.status])
    return find_gathering(centres.xy_mm[inside], spoilt[inside], rng=rng, what="losses")


def _well_inside(centres: Centres) -> BoolArray:
    """Sites (n,) with no neighbour beyond the fragment's end."""
    status = dict(zip(map(tuple, np.asarray(centres.index).tolist()), centres.status, strict=True))
    beyond: set[tuple[int, ...]] = set()
    todo = [site for site, one in status.items() if one == "outside" or any(n not in status for n in _near(site))]
    while todo:
        site = todo.pop()
        if site not in beyond and status[site] in ("lost", "outside"):
            beyond.add(site)
            todo += [near for near in _near(site) if near in status]
    return np.array([all(n in status and n not in beyond for n in (site, *_near(site))) for site in status])


def _near(site: tuple[int, ...]) -> list[tuple[int, ...]]:
    i, j = site
    return [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)]


def find_gathering_within(
    points_mm: FloatArray, *, window_mm: FloatArray, rng: np.random.Generator, what: str = "points"
) -> Gathering:
    """Whether points that may lie anywhere in a rectangle lie together: flakes, nail holes, splashes.

    Parameters
    ----------
    points_mm : (n, 2) array
    window_mm : (2, 2) array
        Least and largest x and y of the area that was searched: ((x0, y0), (x1, y1)).
    rng : numpy.random.Generator
    what : str
        What the points are, for the words: "flakes".

    Raises
    ------
    EstimationError
        With fewer than four points.
    """
    points, window = _checked(points_mm, window_mm)
    if len(points) < LEAST_MARKED:
        raise EstimationError("Too few points.", found=f"{len(points)}", needed=f"{LEAST_MARKED}")
    sides = window[1] - window[0]
    reaches = _reaches(float(sides.min()), 0.1 * float(sides.min()))
    draws = [points, *(window[0] + sides * rng.random(points.shape) for _ in range(N_SIMULATED))]
    table = np.array(
        [[nearest_ratio(one, window_mm=window)[0], *ripley_k(one, reaches, window_mm=window)] for one in draws]
    )
    return _judge(table, reaches, points, np.empty((0, 2)), f"{len(points)} {what}")


def nearest_ratio(points_mm: FloatArray, *, window_mm: FloatArray) -> tuple[float, float]:
    """Mean distance to the nearest point over that of chance, and its departure from 1 in standard deviations.

    Notes
    -----
    Below 1 the points lie together; a square net has 2. Corrected for points beyond the edge that are not seen.

    References
    ----------
    Clark, P. J., Evans, F. C. (1954) Ecology 35, 445–453. Donnelly, K. P. (1978) in Simulation Studies in Archaeology,
    Cambridge, 91–95, for the edge.
    """
    points, window = _checked(points_mm, window_mm)
    n, sides = len(points), window[1] - window[0]
    area, edge = float(np.prod(sides)), 2.0 * float(sides.sum())
    expected = 0.5 * np.sqrt(area / n) + (0.0514 + 0.0412 / np.sqrt(n)) * edge / n
    sd = np.sqrt(0.0703 * area + 0.037 * edge * np.sqrt(area / n)) / n
    found = _nearest(np.linalg.norm(points[:, None] - points, axis=2))
    return found / expected, (found - expected) / sd


def ripley_k(points_mm: FloatArray, reaches_mm: FloatArray, *, window_mm: FloatArray) -> FloatArray:
    """Mean area in mm² (reaches,) that further points within each distance of a point stand for; chance gives πr².

    Notes
    -----
    Pairs are weighted by how much of the rectangle, moved by their distance, still overlaps it.

    References
    ----------
    Ripley, B. D. (1977) J. R. Statist. Soc. B 39, 172–212.
    """
    points, window = _checked(points_mm, window_mm)
    n, sides = len(points), window[1] - window[0]
    steps = np.abs(points[:, None] - points)
    weights = np.prod(sides) / np.prod(sides - steps, axis=2)
    np.fill_diagonal(weights, 0.0)
    apart = np.linalg.norm(steps, axis=2)
    sums = np.array([weights[apart <= reach].sum() for reach in np.asarray(reaches_mm, float)])
    return np.asarray(sums * np.prod(sides) / (n * (n - 1)))


def _checked(points_mm: FloatArray, window_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    points, window = np.asarray(points_mm, float), np.asarray(window_mm, float)
    if points.ndim != 2 or points.shape[1] != 2 or window.shape != (2, 2):
        raise ValueError(f"points_mm is {points.shape} and window_mm {window.shape}; give (n, 2) and (2, 2)")
    if np.any(window[0] >= window[1]) or np.any((points < window[0]) | (points > window[1])):
        raise ValueError(f"window_mm is {window.tolist()}; every point must lie between its first and second corner")
    return points, window


def _reaches(shorter_mm: float, least_mm: float) -> FloatArray:
    """Distances at which pairs are counted, from just above the least to a share of the shorter side."""
    return np.linspace(1.01 * least_mm, max(LARGEST_REACH * shorter_mm, 2.0 * least_mm), N_REACHES)


def _on_sites(apart: FloatArray, near: list[BoolArray], mark: BoolArray) -> list[float]:
    """Mean distance to the nearest mark, and pairs of marks within each reach."""
    both = np.ix_(mark, mark)
    return [_nearest(apart[both]), *(float(one[both].sum()) for one in near)]


def _nearest(apart: FloatArray) -> float:
    return float(np.mean(np.min(apart + np.diag(np.full(len(apart), np.inf)), axis=1)))


def _judge(
    table: FloatArray, reaches_mm: FloatArray, marked_mm: FloatArray, others_mm: FloatArray, what: str
) -> Gathering:
    """The finding from nearest distances and pairs (1 + simulated, 1 + reaches), the real ones first."""
    chance = table[1:]
    mean, sd = chance.mean(axis=0), np.maximum(chance.std(axis=0), 1e-12)
    departure = (table - mean) / sd * np.r_[-1.0, np.ones(len(reaches_mm))]
    most = np.abs(departure).max(axis=1)
    p = float(np.mean(most >= most[0]))
    best = 1 + int(np.argmax(np.abs(departure[0, 1:])))
    ratio, reach = float(table[0, best] / max(mean[best], 1e-12)), float(reaches_mm[best - 1])
    together = departure[0, int(np.argmax(np.abs(departure[0])))] > 0.0
    told = f": within {reach:.0f} mm of each other stand {ratio:.1f} times the pairs that chance gives"
    finding = CHANCE if p > TELLING_P else TOGETHER if together else APART
    return Gathering(
        finding=finding,
        p=p,
        nearest_ratio=float(table[0, 0] / mean[0]),
        reach_mm=reach,
        pairs_ratio=ratio,
        marked_mm=frozen_array(marked_mm),
        others_mm=frozen_array(others_mm),
        words=f"{what} {finding} (chance alone departs as far {by_chance(p)})" + ("" if finding == CHANCE else told),
    )
