"""Surviving and pinned motifs of a wall: their sites in its net, and the phase they give it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.results import PlacedCentres
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

PASS_SD_MM = 1.0
"""How closely the net should pass the motifs of a fragment among themselves; an assumption."""
PIN_SD_MM = 0.5
"""How closely the net must pass a pinned motif."""
MARKED = ("seen", "partly seen")


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence:
    """Marks through which the net of one wall must pass.

    Attributes
    ----------
    xy_mm : (n, 2) array
    source : (n,) int array
        Number of the fragment (or pin) of each mark.
    sd_mm : (m,) array
        One standard deviation of the place of each source.
    names : tuple of str
        Names of the sources.
    whole : (n,) bool array
        The motif is seen whole, not only in part.
    pins : tuple
        The pinned motifs of the wall, as given.
    """

    xy_mm: FloatArray
    source: NDArray[np.int64]
    sd_mm: FloatArray
    names: tuple[str, ...]
    whole: NDArray[np.bool_]
    pins: tuple[Mapping[str, Any], ...] = ()

    @property
    def n(self) -> int:
        """Number of marks."""
        return len(self.xy_mm)

    @property
    def n_surviving(self) -> int:
        """Marks that are surviving motifs, not pins."""
        return self.n - len(self.pins)

    def weights(self) -> FloatArray:
        """Weight (n,) of each mark: a source counts once, however many motifs it has."""
        counts = np.bincount(self.source, minlength=len(self.sd_mm))
        return 1.0 / (self.sd_mm[self.source] ** 2 * counts[self.source])


def gather(wall: WallEntry, fragments: Sequence[PlacedCentres], pinned: Sequence[Mapping[str, Any]]) -> Evidence:
    """The surviving and pinned motifs of one wall."""
    xy: list[FloatArray] = []
    source: list[int] = []
    sds: list[float] = []
    names: list[str] = []
    whole: list[bool] = []
    for placed in (fragment for fragment in fragments if fragment.wall == wall.name):
        marked = np.array([status in MARKED for status in placed.status], bool)
        if marked.any():
            sd = np.broadcast_to(np.asarray(placed.sd_mm, float), marked.shape)[marked]
            xy.append(np.asarray(placed.xy_mm, float)[marked])
            whole += [status == "seen" for status in np.array(placed.status)[marked]]
            source += [len(names)] * int(marked.sum())
            sds.append(float(np.sqrt(np.mean(sd**2))))
            names.append(placed.fragment)
    pins = tuple(pin for pin in pinned if pin["wall"] == wall.name)
    for pin in pins:
        xy.append(np.array([[pin["x_mm"], pin["y_mm"]]], float))
        source.append(len(names))
        whole.append(False)
        sds.append(PIN_SD_MM)
        names.append(f"pinned motif at x = {pin['x_mm']:.0f}, y = {pin['y_mm']:.0f} mm")
    return Evidence(
        xy_mm=np.concatenate(xy) if xy else np.zeros((0, 2)),
        source=np.array(source, np.int64),
        sd_mm=np.maximum(np.array(sds, float), 1e-3),
        names=tuple(names),
        whole=np.array(whole, bool),
        pins=pins,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Pull:
    """How the marks pull a fit in one direction: each source by its place and by its own repeat.

    Attributes
    ----------
    number, at_mm : (m,) arrays
        Mean site number and mean place of each source.
    spread : (m,) array
        Standard deviation of its site numbers.
    repeat_mm : (m,) array
        The repeat that fits its marks alone; 0 where it has none.
    sd_mm : (m,) array
        One standard deviation of its place.
    """

    number: FloatArray
    at_mm: FloatArray
    spread: FloatArray
    repeat_mm: FloatArray
    sd_mm: FloatArray

    def misses(self, start_mm: float, repeat_mm: float) -> tuple[FloatArray, FloatArray]:
        """Misses (m,) of places, in their sds, and of repeats, in `PASS_SD_MM` at the marks."""
        places = self.at_mm - start_mm - self.number * repeat_mm
        within = self.spread * (self.repeat_mm - repeat_mm)
        return places / self.sd_mm, within / PASS_SD_MM

    def best_repeat_mm(self) -> float | None:
        """The repeat that misses least in the sense of squares; None when the marks do not tell."""
        places = np.column_stack([np.ones_like(self.number), self.number]) / self.sd_mm[:, None]
        within = np.column_stack([np.zeros_like(self.spread), self.spread]) / PASS_SD_MM
        target = np.concatenate([self.at_mm / self.sd_mm, self.spread * self.repeat_mm / PASS_SD_MM])
        solution, _, rank, _ = np.linalg.lstsq(np.concatenate([places, within]), target, rcond=1e-9)
        return float(solution[1]) if rank == 2 else None


def pull(evidence: Evidence, values_mm: FloatArray, numbers: FloatArray) -> Pull:
    """The pull of marks at `values_mm` (n,) whose site numbers (n,) are known."""
    source, m = evidence.source, len(evidence.sd_mm)
    count = np.bincount(source, minlength=m)
    number = np.bincount(source, weights=numbers, minlength=m) / count
    at = np.bincount(source, weights=values_mm, minlength=m) / count
    off = numbers - number[source]
    var = np.bincount(source, weights=off**2, minlength=m) / count
    cov = np.bincount(source, weights=off * (values_mm - at[source]), minlength=m) / count
    repeat = np.divide(cov, var, out=np.zeros(m), where=var > 0)
    return Pull(number=number, at_mm=at, spread=np.sqrt(var), repeat_mm=repeat, sd_mm=evidence.sd_mm)


def phase_mm(values_mm: FloatArray, pitch_mm: float, weights: FloatArray) -> float:
    """Phase in [0, pitch) of values that lie on marks `pitch_mm` apart: the weighted circular mean."""
    turn = np.sum(weights * np.exp(2j * np.pi * values_mm / pitch_mm))
    return float(np.angle(turn) / (2 * np.pi) * pitch_mm % pitch_mm)


def sites_of(
    evidence: Evidence, *, across_mm: float, down_mm: float, offset_ratio: float
) -> tuple[NDArray[np.int64], FloatArray]:
    """Site (n, 2) of each mark in a net of the given repeat, and how far it is from that site, (n, 2) mm.

    Notes
    -----
    Rows first, then places in the row. The nearest whole number is taken, so marks further than half a
    repeat from
    their true site (a fragment placed wrongly, a far repeat) are counted to a wrong one; the distance then
    shows it.
    """
    weights = evidence.weights()
    x, y = evidence.xy_mm.T
    y0 = phase_mm(y, down_mm, weights)
    j = np.rint((y - y0) / down_mm)
    along = x - offset_ratio * j * across_mm
    x0 = phase_mm(along, across_mm, weights)
    i = np.rint((along - x0) / across_mm)
    left = np.column_stack([along - x0 - i * across_mm, y - y0 - j * down_mm])
    return np.column_stack([i, j]).astype(np.int64), left
