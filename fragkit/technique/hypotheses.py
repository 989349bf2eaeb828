"""The ways of placing that are weighed, with their priors: stated assumptions, nothing published exists."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.placing import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

FloatArray = NDArray[np.float64]

PLACINGS = ("on set-out lines", "stepped off from the neighbour", "rigid groups", "continuous print")

MEDIAN_SCATTER_MM = 1.4
LOG_SD_SCATTER = 0.6
"""Prior on the scatter s of placing: log-normal. Assumption."""

N_SCATTERS = 13
LARGEST_GROUP = (4, 3)
OWN_RATIOS = (0.0, 0.5, 1.0, 2.0)
"""Independent scatter beside that of the steps, for stepping off."""

GROUP_SPREADS = (
    (0.30, (1.00, 1.0, 0.12, 0.05)),
    (0.15, (0.90, 0.9, 0.12, 0.45)),
    (0.15, (0.70, 0.7, 0.10, 0.70)),
    (0.10, (0.60, 0.6, 0.60, 0.60)),
    (0.30, (0.15, 0.0, 0.10, 0.01)),
)
"""Weight, and (shift, turn × width, seats, own) in units of s: four plates, clean to wobbling; a block."""

PRINT_SWINGS = (0.15, 0.5)
PRINT_LENGTHS_MM = (150.0, 400.0, 1000.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Hypothesis:
    """One way of placing at unit scatter (s = 1 mm): equally probable phases, and its share in its kind."""

    placing: str
    prior: float
    phases: tuple[Process, ...]


def scatter_prior() -> tuple[FloatArray, FloatArray]:
    """Nodes in mm and weights of the log-normal prior on the scatter s."""
    z = np.linspace(-3.0, 3.0, N_SCATTERS)
    weights = np.exp(-0.5 * z**2)
    return MEDIAN_SCATTER_MM * np.exp(LOG_SD_SCATTER * z), weights / weights.sum()


def placing_hypotheses(*, across_mm: float, down_mm: float) -> tuple[Hypothesis, ...]:
    """All ways of placing for a net with these spacings; the shares within each kind sum to 1.

    Notes
    -----
    Groups of 1 × 1 are left out here: a plate with a single motif is placed exactly like handwork on lines,
    so positions cannot tell them apart; that question belongs to the forming.
    """
    groups = [*_lines(), *_steps(), *_groups(across_mm, down_mm), *_prints()]
    totals = {name: sum(h.prior for h in groups if h.placing == name) for name in PLACINGS}
    return tuple(Hypothesis(placing=h.placing, prior=h.prior / totals[h.placing], phases=h.phases) for h in groups)


def _lines() -> Iterator[Hypothesis]:
    for prior, along, across in ((2.0, 1.0, 1.0), (1.0, 1.0, 0.4), (1.0, 0.4, 1.0)):
        yield Hypothesis(placing=PLACINGS[0], prior=prior, phases=(OnLines(sd_x_mm=along, sd_y_mm=across),))


def _steps() -> Iterator[Hypothesis]:
    for along in ("rows", "columns"):
        for own in OWN_RATIOS:
            step = 1.0 / np.hypot(1.0, own)
            walk = SteppedOff(step_sd_mm=step, start_sd_mm=step, along=along, own_sd_mm=own * step)
            yield Hypothesis(placing=PLACINGS[1], prior=1.0, phases=(walk,))


def _groups(across_mm: float, down_mm: float) -> Iterator[Hypothesis]:
    for columns, rows in ((c, r) for c in range(1, LARGEST_GROUP[0] + 1) for r in range(1, LARGEST_GROUP[1] + 1)):
        if columns * rows == 1:
            continue
        width = max(columns * across_mm, rows * down_mm)
        for prior, (shift, turn, seat, own) in GROUP_SPREADS:
            phases = tuple(
                RigidGroups(
                    columns=columns,
                    rows=rows,
                    shift_sd_mm=shift,
                    turn_sd_rad=turn / width,
                    seat_sd_mm=seat,
                    own_sd_mm=own,
                    phase=(p, q),
                )
                for p in range(columns)
                for q in range(rows)
            )
            yield Hypothesis(placing=PLACINGS[2], prior=prior, phases=phases)


def _prints() -> Iterator[Hypothesis]:
    for swing in PRINT_SWINGS:
        for length in PRINT_LENGTHS_MM:
            run = ContinuousPrint(
                swing_sd_mm=swing, stretch_sd_ratio=swing / length, own_sd_mm=0.03, correlation_mm=length
            )
            yield Hypothesis(placing=PLACINGS[3], prior=1.0, phases=(run,))
