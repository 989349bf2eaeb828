"""Lengths at which blocks, sheets, rollers and rolls begin anew, where the motifs of a fragment jump by one of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.lattice import Fitted, free_contrasts
from fragkit.technique.discoveries import tail_chance
from fragkit.technique.handwork import HandWork, hand_work
from fragkit.units import by_chance

FloatArray = NDArray[np.float64]

STRIP_RATIOS = (1.0, 3.0)
"""Prior on the shift of a strip: normal, with one of these sds in units of the hand's scatter, equally probable."""
N_PHASES = 12
N_SIMULATED = 100
LEAST_RATIO = 10.0
"""Strips must suit the motifs this many times better than none, however rarely hand work does as much."""
RIVALS_RATIO = 100.0
"""A length that suits them this many times worse than another in the same direction is no candidate."""

TRADE_LENGTHS_MM = (
    ("wood block of 21 inches", 533.0),
    ("sheet of elephant paper, short side", 559.0),
    ("sheet of elephant paper, long side", 813.0),
    ("Continental sheet, short side", 420.0),
    ("printing roller, one turn", 503.0),
    ("roll of 18 inches", 457.0),
)
"""Lengths at which blocks, sheets, rollers and rolls begin anew: surviving blocks and rollers of the nineteenth
century, papers before machine paper, and rolls of 1923, as published; a measured plate can be added."""


@dataclass(frozen=True, kw_only=True)
class TradeLength:
    """A known length at which the residuals jump.

    Attributes
    ----------
    name : str
    length_mm : float
    along : {"rows", "columns"}
    log10_bayes_factor : float
        For jumps at this length, its phase averaged, against none.
    p : float
        Chance that in work of one hand some known length suits as well.
    fragment : int
        Number of the fragment, in the order given to `weigh_technique`.
    """

    name: str
    length_mm: float
    along: str
    log10_bayes_factor: float
    p: float
    fragment: int = 0

    @property
    def words(self) -> str:
        """What jumps how often, as a sentence without its stop."""
        return (
            f"along the {self.along}, strips of {self.length_mm:.0f} mm ({self.name}) that stand aside from each other "
            f"suit the motifs better than none (as well by chance {by_chance(self.p)})"
        )


def find_trade_lengths(
    lattice: Fitted,
    *,
    rng: np.random.Generator,
    lengths: tuple[tuple[str, float], ...] = TRADE_LENGTHS_MM,
    rate: float = 0.05,
    fragment: int = 0,
) -> tuple[TradeLength, ...]:
    """Known lengths of blocks, sheets, rollers and rolls at which the residuals jump: candidates, clearest first.

    Parameters
    ----------
    lattice : Lattice or RowFit
    rng : numpy.random.Generator
    lengths : tuple of (name, mm)
    rate : float
        Share of fragments of one hand in which a length may be named.
    fragment : int
        Number to write into what is found.

    Notes
    -----
    Motifs of one strip share a shift; strips begin at multiples of the length from an unknown place, which is averaged
    over twelve phases. The ratio to no strips must be 10 at least, and higher than that of the best length in all but
    `rate` of the walls simulated of the fragment's own hand. Lengths that are next to each other can hardly be told
    apart, so all that suit within a factor of 100 of the best are named. A length that holds no border inside the
    fragment, or parts every motif, cannot be judged.
    """
    work = hand_work(lattice, n_simulated=N_SIMULATED, rng=rng)
    tried = list(_fitting(work, lengths))
    if not tried:
        return ()
    sieve = _sieve(work)
    data = sieve @ work.offsets_mm
    logs = np.array([_log_ratios(sieve, data, work.places_mm[:, k], mm, work.scatter_mm) for _, mm, k in tried])
    found = []
    for (name, length, axis), (real, *_) in zip(tried, logs, strict=True):
        p = tail_chance(float(real), logs[:, 1:].max(axis=0))
        rivals = [other[0] for (_, _, theirs), other in zip(tried, logs, strict=True) if theirs == axis]
        if p <= rate and real >= max(np.log(LEAST_RATIO), max(rivals) - np.log(RIVALS_RATIO)):
            along, log10 = ("rows", "columns")[axis], float(real / np.log(10.0))
            found.append(
                TradeLength(name=name, length_mm=length, along=along, log10_bayes_factor=log10, p=p, fragment=fragment)
            )
    return tuple(sorted(found, key=lambda one: -one.log10_bayes_factor))


def _fitting(work: HandWork, lengths: tuple[tuple[str, float], ...]) -> Iterator[tuple[str, float, int]]:
    """Lengths with the axis along which they hold a border inside the fragment, and more than one motif."""
    for name, length in lengths:
        for axis in (0, 1):
            if np.ptp(work.places_mm[:, axis]) > length > 1.5 * work.spacing_mm[axis]:
                yield name, length, axis


def _sieve(work: HandWork) -> FloatArray:
    """Contrasts (m, 2n) that are free of the net and white under hand and measurement."""
    root = np.linalg.cholesky(work.hand_mm2 + work.noise_mm2)
    contrasts = free_contrasts(np.linalg.solve(root, np.asarray(np.kron(work.net, np.eye(2)), float)))
    return np.asarray(np.linalg.solve(root.T, contrasts).T)


def _log_ratios(
    sieve: FloatArray, data: FloatArray, place_mm: FloatArray, length_mm: float, scatter_mm: float
) -> FloatArray:
    """Log of the mean likelihood of strips of this length, shifted against each other, over that of none, (1 + k,)."""
    logs = []
    for phase in np.arange(N_PHASES) * length_mm / N_PHASES:
        strip = np.floor((place_mm - place_mm.min() + phase) / length_mm).astype(int)
        shifts = sieve @ np.kron(strip[:, None] == np.unique(strip), np.eye(2))
        spectrum, axes = np.linalg.eigh(shifts.T @ shifts)  # as many as shifts: the other contrasts stay white
        squares = (axes.T @ (shifts.T @ data)) ** 2
        for variance in (np.array(STRIP_RATIOS) * scatter_mm) ** 2:
            spread = 1.0 + variance * np.maximum(spectrum, 0.0)
            logs.append(0.5 * ((variance / spread) @ squares - np.log(spread).sum()))
    return np.asarray(logsumexp(logs, axis=0) - np.log(len(logs)))
