"""Where a new day, plate or strip begins: lines beyond which the whole net steps aside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.lattice import Fitted, free_contrasts, least_squares
from fragkit.placing import covariance
from fragkit.sketch import sketch
from fragkit.technique.discoveries import false_discoveries, tail_chance
from fragkit.technique.handwork import HAND_SCATTERS, HandWork, hand_work, hands, per_motif, suiting_hand
from fragkit.technique.likelihoods import rank_gain
from fragkit.units import by_chance

FloatArray = NDArray[np.float64]
IntArray = NDArray[Any]

_Line = tuple[str, int, FloatArray]
"""Direction, first column (row) after the line, and 1 for every motif beyond it."""

N_SIMULATED = 300
LEAST_SITES = 6
STEP_RATIOS = (1.0, 3.0)
"""Prior on a step: normal, with one of these sds in units of the hand's scatter, equally probable."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Change:
    """A line at which the net steps aside.

    Attributes
    ----------
    along : {"rows", "columns"}
        "rows" when one walks along the rows and crosses an upright line.
    before : int
        The first column (row) after the line, as the maker counted them.
    step_mm, step_sd_mm : (2,) array
        Step along and across the rows, and one standard deviation.
    p : float
        Chance of so clear a step at this line in work of one hand.
    line_mm : (2, 2) array
        Both ends of the line, in the fragment's frame.
    places_mm : (n, 2) array
        The motifs, in the same frame.
    fragment : int
        Number of the fragment, in the order given to `weigh_technique`.
    """

    along: str
    before: int
    step_mm: FloatArray
    step_sd_mm: FloatArray
    p: float
    line_mm: FloatArray
    places_mm: FloatArray
    fragment: int = 0

    @property
    def words(self) -> str:
        """What steps aside where, as a sentence without its stop."""
        line, after = ("column", "to the right") if self.along == "rows" else ("row", "above")
        parts = [
            f"{abs(step):.1f} ± {sd:.1f} mm {way[int(step < 0.0)]}"
            for step, sd, way in zip(self.step_mm, self.step_sd_mm, (("right", "left"), ("up", "down")), strict=True)
        ]
        where = f"from {line} {self.before} on, everything {after}"
        by_hand = f"so clear a step comes by chance {by_chance(self.p)}"
        return f"{where} stands {' and '.join(parts)} of what the rest of the net gives ({by_hand})"

    def __repr__(self) -> str:
        x, y = self.step_mm
        return f"<Change along {self.along} before {self.before}: {x:+.1f}, {y:+.1f} mm; p = {self.p:.1g}>"

    def _repr_html_(self) -> str:
        rows = [("finding", self.words), ("may be", "a new day, another plate or strip, or a later join")]
        label = "Motifs, and the line beyond which they stand aside"
        drawn = sketch(label, dots_mm=self.places_mm, lines_mm=[self.line_mm])
        return card("Where something new begins", rows, drawing=drawn)


def find_changes(
    lattice: Fitted, *, rng: np.random.Generator, rate: float = 0.05, fragment: int = 0
) -> tuple[Change, ...]:
    """Lines at which the net steps aside, strongest first: where a new day, plate or strip may begin.

    Parameters
    ----------
    lattice : Lattice or RowFit
    rng : numpy.random.Generator
    rate : float
        Expected share of false lines among those found (Benjamini and Hochberg).
    fragment : int
        Number to write into the changes.

    Notes
    -----
    Every column and every row with six motifs on either side is tried. Every way of hand work with a step there, of
    unknown size and direction, is weighed against every way of hand work without; net and scatter are integrated out.
    The ratio is compared with that of the same line in walls simulated of the fragment's own hand. The clearest line is
    kept, and the others are weighed anew with its step set free, until none stands; so one step is not named twice.
    Columns or rows that all stand aside from each other, as in stepping off, are the hand's own, and are not named.
    """
    work = hand_work(lattice, n_simulated=N_SIMULATED, rng=rng)
    lines = list(_lines(work.sites))
    kept: list[tuple[_Line, float]] = []
    while lines:
        found = _clearest(work, lines, [line for line, _ in kept], rate)
        if found is None:
            break
        kept.append(found)
        lines = [line for line in lines if not _near(line, found[0])]
    chances = {line[:2]: p for line, p in kept}
    changes = _changes(work, lattice, [line for line, _ in kept])
    return tuple(replace(one, p=chances[one.along, one.before], fragment=fragment) for one in changes)


def _clearest(work: HandWork, lines: list[_Line], known: list[_Line], rate: float) -> tuple[_Line, float] | None:
    """The clearest line that stands, with its p-value, when the steps at known lines are free."""
    weigher = _StepWeigher.of(work, [beyond for _, _, beyond in known])
    without = weigher.log_evidence(None)
    gains = np.array([weigher.log_evidence(beyond) - without for _, _, beyond in lines])
    p = np.array([tail_chance(float(one[0]), one[1:]) for one in gains])
    stand = np.flatnonzero(false_discoveries(p, rate=rate))
    if not len(stand):
        return None
    best = int(stand[np.argmax(gains[stand, 0])])
    return lines[best], float(p[best])


def _near(line: _Line, other: _Line) -> bool:
    """Whether two lines are within two columns (rows) of each other."""
    return line[0] == other[0] and abs(line[1] - other[1]) <= 2


@dataclass(frozen=True, eq=False)
class _StepWeigher:
    """Positions freed of the net by contrasts (m, n), weighed under every way of hand work."""

    contrasts: FloatArray
    hands: tuple[_WeighedHand, ...]

    @staticmethod
    def of(work: HandWork, steps: list[FloatArray]) -> _StepWeigher:
        """With the net free, and any steps that are known to be there."""
        contrasts = free_contrasts(np.column_stack([work.net, *steps])).T
        data = contrasts @ work.offsets_mm.reshape(len(work.sites), -1)
        kernels = (covariance(hand, work.sites, work.places_mm)[::2, ::2] for hand in hands())
        noise = float(np.diag(work.noise_mm2).mean())
        weighed = (_WeighedHand.of(contrasts @ kernel @ contrasts.T, data, noise) for kernel in kernels)
        return _StepWeigher(contrasts, tuple(weighed))

    def log_evidence(self, beyond: FloatArray | None) -> FloatArray:
        """Log evidence (sets,) with a step beyond a line, or without any."""
        if beyond is None:
            return np.asarray(logsumexp([hand.logs for hand in self.hands], axis=(0, 1)))
        step = self.contrasts @ beyond
        logs = [hand.logs + gain for hand in self.hands for gain in hand.gains(step)]
        return np.asarray(logsumexp(logs, axis=(0, 1)) - np.log(len(STEP_RATIOS)))


@dataclass(frozen=True, eq=False)
class _WeighedHand:
    """One way of hand work at every scatter: log likelihood (scatters, sets), and what a step adds to it.

    A step is one rank more, so the eigenvalue problem of the hand alone serves every line.
    """

    axes: FloatArray
    precision: FloatArray
    values: FloatArray
    logs: FloatArray

    @staticmethod
    def of(kernel: FloatArray, data: FloatArray, noise_mm2: float) -> _WeighedHand:
        spectrum, axes = np.linalg.eigh(kernel)
        precision = 1.0 / (noise_mm2 + HAND_SCATTERS[:, None] ** 2 * np.maximum(spectrum, 0.0))
        values = axes.T @ data
        squares = (values**2).reshape(len(values), 2, -1).sum(axis=1)
        logs = np.log(precision).sum(axis=1)[:, None] - 0.5 * (precision @ squares)
        return _WeighedHand(axes, precision, values, logs)

    def gains(self, step: FloatArray) -> FloatArray:
        """What a step (m,) adds along and across the rows together, (ratios, scatters, sets), by `STEP_RATIOS`."""
        variance = (np.array(STEP_RATIOS)[:, None, None] * HAND_SCATTERS[:, None]) ** 2
        both = rank_gain(self.precision, self.axes.T @ step, self.values, variance=variance)
        return np.asarray(both.reshape(*both.shape[:2], 2, -1).sum(axis=2))


def _changes(work: HandWork, lattice: Fitted, lines: list[_Line]) -> Iterator[Change]:
    """The steps together by least squares under measurement and the hand that suits what they leave."""
    beyond = np.array([line[2] for line in lines]).reshape(len(lines), len(work.sites)).T
    free, found = np.column_stack([beyond, work.net]), work.offsets_mm[:, 0]
    hand = suiting_hand(work.sites, free, work.places_mm, found.reshape(-1, 2), per_motif(work.noise_mm2))
    spread = covariance(hand, work.sites, work.places_mm) + work.noise_mm2
    steps, cov = least_squares(found, np.asarray(np.kron(free, np.eye(2)), float), spread)
    sds = np.sqrt(np.diag(cov))
    for k, (along, before, _) in enumerate(lines):
        axis = 0 if along == "rows" else 1
        yield Change(
            along=along,
            before=before,
            step_mm=frozen_array(steps[2 * k : 2 * k + 2]),
            step_sd_mm=frozen_array(sds[2 * k : 2 * k + 2]),
            p=1.0,
            line_mm=frozen_array(_border(work, lattice, axis, before)),
            places_mm=lattice.xy_mm,
        )


def _border(work: HandWork, lattice: Fitted, axis: int, before: int) -> FloatArray:
    """Ends (2, 2) of the line half a step before a column (axis 0) or row (axis 1), over the height of the motifs."""
    sites = work.sites
    net = np.linalg.lstsq(np.column_stack([np.ones(len(sites)), sites]), lattice.xy_mm[work.chosen], rcond=None)[0]
    if np.ptp(sites[:, 1]) == 0:
        net = np.array([net[0], net[1], lattice.repeat_mm[1]])
    ends = np.empty((2, 2))
    ends[:, axis] = before - 0.5
    ends[:, 1 - axis] = sites[:, 1 - axis].min() - 0.5, sites[:, 1 - axis].max() + 0.5
    return np.asarray(net[0] + ends @ net[1:])


def _lines(sites: IntArray) -> Iterator[_Line]:
    """Direction, first column (row) after the line, and 1 for every motif beyond it."""
    for axis, along in enumerate(("rows", "columns")):
        for first in np.unique(sites[:, axis])[1:]:
            beyond = (sites[:, axis] >= first).astype(float)
            if LEAST_SITES <= beyond.sum() <= len(sites) - LEAST_SITES:
                yield along, int(first), beyond
