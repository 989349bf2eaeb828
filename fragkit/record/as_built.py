"""New work as photographed against its layout: what deviates, by how much, and whether within the tolerance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.layout import Layout, PlacedCentres
from fragkit.record.comparing import pairs_within
from fragkit.record.reading import Record
from fragkit.sketch import sketch_bars

WITHIN, OUTSIDE, UNDECIDED = "within", "outside", "cannot be told"
FOUND = ("seen", "partly seen")
MIN_PAIRS = 3
_SURE = 0.95


@dataclass(frozen=True, eq=False, kw_only=True)
class AsBuilt:
    """What was made on one wall against what was laid out.

    Attributes
    ----------
    wall : str
    id : tuple of str
        Motifs of the layout that were found on the new work.
    xy_mm, deviation_mm : (n, 2) arrays
        Where each was laid out; where it is minus where it should be, wall frame.
    sd_mm : (n,) array
        One standard deviation of each deviation per coordinate.
    verdict : tuple of str
        Of each motif: "within", "outside" or "cannot be told".
    tolerance_mm : float
        Largest distance from its place that was agreed.
    n_missing, n_extra : int
        Motifs of the layout inside what was photographed that were not found; motifs found where none is laid out.
    notes : tuple of str
    """

    wall: str
    id: tuple[str, ...]
    xy_mm: NDArray[np.float64]
    deviation_mm: NDArray[np.float64]
    sd_mm: NDArray[np.float64]
    verdict: tuple[str, ...]
    tolerance_mm: float
    n_missing: int
    n_extra: int
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("xy_mm", "deviation_mm", "sd_mm"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    @property
    def distance_mm(self) -> NDArray[np.float64]:
        """How far each motif is from its place."""
        return np.hypot(*self.deviation_mm.T)

    @property
    def words(self) -> str:
        """The verdict on the wall in a sentence."""
        n_within, n_outside = (self.verdict.count(kind) for kind in (WITHIN, OUTSIDE))
        total = len(self.id)
        return (
            f"Of {total:,} motifs photographed, {n_within:,} are within {self.tolerance_mm:g} mm, {n_outside:,} are "
            f"not, and {total - n_within - n_outside:,} cannot be told; {self.n_missing:,} are missing and "
            f"{self.n_extra:,} stand where none is laid out."
        )

    def worst(self, n: int = 10) -> tuple[tuple[str, float, float], ...]:
        """Id, distance and its standard deviation of the `n` motifs furthest from their places."""
        order = np.argsort(-self.distance_mm)[:n]
        return tuple((self.id[k], float(self.distance_mm[k]), float(self.sd_mm[k])) for k in order)

    def __repr__(self) -> str:
        return f"AsBuilt({self.wall!r}, {len(self.id)} motifs, {self.verdict.count(OUTSIDE)} outside)"

    def _repr_html_(self) -> str:
        rows = [(name, f"{distance:.1f} ± {sd:.1f} mm") for name, distance, sd in self.worst(5)]
        off = {name: distance for name, distance, _ in self.worst(5)}
        drawn = sketch_bars("The motifs furthest from their places", off, unit="mm")
        return card(f"As built: wall {self.wall}", [("verdict", self.words), *rows], notes=self.notes, drawing=drawn)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Planned:
    """What is compared of a wall that was laid out."""

    name: str
    id: tuple[str, ...]
    xy_mm: NDArray[np.float64]
    repeat_mm: tuple[float, float]


def compare_as_built(
    placed: Sequence[PlacedCentres], layout: Layout | Record, *, tolerance_mm: float
) -> tuple[AsBuilt, ...]:
    """Each photographed wall of the new work against its layout.

    Parameters
    ----------
    placed : sequence of PlacedCentres
        Motifs found on photographs of the new work, in the frame of their wall: `placed` of a study of them.
    layout : Layout or Record
        What was to be made, as laid out or as recorded.
    tolerance_mm : float
        Largest distance of a motif from its place that was agreed.

    Returns
    -------
    tuple of AsBuilt
        One for each wall that was photographed.

    Raises
    ------
    ValueError
        A tolerance that is not positive, or a wall that the layout does not have.
    EstimationError
        Fewer than three motifs of a wall lie within half a repeat of their places.

    Notes
    -----
    With d the measured deviation and s its standard deviation per coordinate, the true distance exceeds the tolerance t
    with the chance 1 − F(t² / s²), F a non-central χ² of 2 degrees of freedom and non-centrality d² / s². A motif is
    "within" when that chance is under 5 %, "outside" when it is over 95 %, else it "cannot be told".

    References
    ----------
    JCGM 106:2012, section 8.3 (guarded acceptance and guarded rejection).
    """
    if not tolerance_mm > 0:
        raise ValueError(
            f"A tolerance of {tolerance_mm} mm: give the largest distance in mm that was agreed, such as 3."
        )
    walls = {wall.name: wall for wall in (_recorded(layout) if isinstance(layout, Record) else _laid_out(layout))}
    unknown = sorted({one.wall for one in placed} - set(walls))
    if unknown:
        raise ValueError(f"Wall {unknown[0]!r} is not in the layout. It has: {', '.join(walls)}.")
    names = [name for name in walls if any(one.wall == name for one in placed)]
    return tuple(_one_wall(walls[name], [one for one in placed if one.wall == name], tolerance_mm) for name in names)


def _laid_out(layout: Layout) -> list[_Planned]:
    return [
        _Planned(name=wall.name, id=tuple(wall.id), xy_mm=wall.xy_mm, repeat_mm=(wall.across_mm, wall.down_mm))
        for wall in layout.walls
    ]


def _recorded(record: Record) -> list[_Planned]:
    if "layout" not in record.tables:
        raise ValueError(f"The record in {record.folder} holds no layout: nothing says where motifs were to stand.")
    walls = []
    for wall in record.results["walls"]:
        rows = [row for row in record.tables["layout"] if row["wall"] == wall["name"]]
        xy = np.array([(row["x_mm"], row["y_mm"]) for row in rows], float).reshape(-1, 2)
        across, down = wall["spacing_mm"]
        walls.append(
            _Planned(name=wall["name"], id=tuple(row["id"] for row in rows), xy_mm=xy, repeat_mm=(across, down))
        )
    return walls


def _one_wall(wall: _Planned, placed: Sequence[PlacedCentres], tolerance_mm: float) -> AsBuilt:
    made, sd = _found(placed)
    reach_mm = 0.5 * min(wall.repeat_mm)
    pairs = pairs_within(wall.xy_mm, made, reach_mm=reach_mm)
    if len(pairs) < MIN_PAIRS:
        raise EstimationError(
            f"Wall {wall.name}: the photographs cannot be laid over the layout.",
            found=f"{len(pairs)} motifs within {reach_mm:.0f} mm of a place",
            needed=f"{MIN_PAIRS}; check the fragment's wall and origin",
        )
    planned, there = (np.array(side, int) for side in zip(*pairs, strict=True))
    deviation = made[there] - wall.xy_mm[planned]
    risk = chance_beyond(np.hypot(*deviation.T), sd[there], tolerance_mm=tolerance_mm)
    return AsBuilt(
        wall=wall.name,
        id=tuple(wall.id[k] for k in planned),
        xy_mm=wall.xy_mm[planned],
        deviation_mm=deviation,
        sd_mm=sd[there],
        verdict=tuple(WITHIN if one < 1 - _SURE else OUTSIDE if one > _SURE else UNDECIDED for one in risk),
        tolerance_mm=float(tolerance_mm),
        n_missing=_n_missing(wall, placed, set(planned.tolist()), reach_mm),
        n_extra=len(made) - len(pairs),
        notes=tuple(_doubts(deviation, sd[there], tolerance_mm)),
    )


def chance_beyond(
    distance_mm: NDArray[np.float64], sd_mm: NDArray[np.float64], *, tolerance_mm: float
) -> NDArray[np.float64]:
    """The chance (n,) that the true distance exceeds the tolerance; see `compare_as_built`."""
    sd = np.maximum(sd_mm, 0.01 * tolerance_mm)  # better than this changes no verdict, and keeps the series short
    far = np.minimum(distance_mm, 10.0 * tolerance_mm)
    return 1.0 - np.asarray(chndtr((tolerance_mm / sd) ** 2, 2.0, (far / sd) ** 2), float)


def _doubts(deviation_mm: NDArray[np.float64], sd_mm: NDArray[np.float64], tolerance_mm: float) -> Iterator[str]:
    common = deviation_mm.mean(axis=0)
    if np.hypot(*common) > 0.5 * tolerance_mm:
        yield (
            f"All motifs together stand {common[0]:+.1f} mm across and {common[1]:+.1f} mm up from their places: "
            "the new work, or the place of the photograph on the wall, is off as a whole."
        )
    middle = float(np.median(sd_mm))
    if middle > tolerance_mm / 3.0:
        yield (
            f"A motif's place is known to {middle:.1f} mm (one standard deviation), too coarse for a tolerance of "
            f"{tolerance_mm:g} mm: measure where the photograph lies on the wall to {tolerance_mm / 5.0:.1f} mm."
        )


def _found(placed: Sequence[PlacedCentres]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places and standard deviations of all motifs seen."""
    parts: list[tuple[Any, Any]] = []
    for one in placed:
        seen = np.array([status in FOUND for status in one.status], bool)
        parts.append((one.xy_mm[seen], np.broadcast_to(one.sd_mm, seen.shape)[seen]))
    xy, sd = (np.concatenate(side) for side in zip(*parts, strict=True))
    return np.asarray(xy, float), np.asarray(sd, float)


def _n_missing(wall: _Planned, placed: Sequence[PlacedCentres], paired: set[int], reach_mm: float) -> int:
    """Places of the layout at which a photograph shows the surface without its motif."""
    bare = np.concatenate(
        [one.xy_mm[np.array([status == "not there" for status in one.status], bool)] for one in placed]
    )
    return sum(planned not in paired for planned, _ in pairs_within(wall.xy_mm, bare, reach_mm=reach_mm))
