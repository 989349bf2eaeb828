"""The ways of placing that are weighed: every one at unit scatter, with its share within its kind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

from fragkit.placing import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff
from fragkit.technique.priors import PLACINGS

LARGEST_GROUP = (4, 3)

LINE_SPREADS = ((0.90, (1.0, 1.0)), (0.05, (1.0, 0.4)), (0.05, (0.4, 1.0)))
"""Weight, and scatter along and across the rows in units of s: alike, or tight across a snapped line."""

STEP_OWN_MM = ((0.90, 0.0), (0.10, 0.4))
"""Weight, and independent scatter in mm of each motif about the place stepped off: mostly the steps rule."""

STEP_DIRECTIONS = (("rows", 0.9), ("columns", 0.1))
"""A hand works along a row more often than down a column. Common practice, no source."""

CLEAN_PLATE = (1.0, 1.0, 0.12, 0.05)
LOOSE_PLATE = (1.0, 1.0, 0.12, 1.0)
BADLY_CUT_PLATE = (1.0, 1.0, 0.8, 0.05)
"""Shift, turn × width, seats and own scatter in units of s."""

PLATE_SPREADS = (
    (0.69, CLEAN_PLATE, 0.0),
    (0.04, CLEAN_PLATE, 0.3),
    (0.21, CLEAN_PLATE, 0.4),
    (0.02, CLEAN_PLATE, 0.6),
    (0.03, LOOSE_PLATE, 0.0),
    (0.01, BADLY_CUT_PLATE, 0.3),
)
"""Weight, spreads, and what brush and paint edge add in mm to each motif, however far the plate itself strays: as
much as is assumed of outlines. A plate whose motifs stray by themselves as far as it does is next to hand work, and
thought rare; at three in a hundred the odds of such plates are still better than none (Cllr 0.85 at 1.4 mm, where one
in a hundred with a scatter of 0.7 s gave 1.7), and clean plates lose nothing. Assumptions, no source."""

BLOCK_SPREADS = ((1.0, (0.15, 0.0, 0.10, 0.01), 0.0),)
"""A block set to register marks: small shift, no turn."""

PRINT_SWINGS = (0.15, 0.5)
PRINT_LENGTHS_MM = (150.0, 400.0, 1000.0)
PRINT_DIRECTIONS = (("columns", 0.9), ("rows", 0.1))
FRIEZE_DIRECTIONS = (("rows", 1.0),)
"""A printed wall is hung in upright lengths, a printed border runs along its rows. Common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Hypothesis:
    """One way of placing at unit scatter (s = 1 mm): equally probable phases, and its share in its placing.

    `kind` says it in a word or two ("plate", "block", "along rows", …); `group` is the group's columns and rows;
    `own_mm` is what every motif strays besides, whatever s is.
    """

    placing: str
    kind: str
    prior: float
    phases: tuple[Process, ...]
    group: tuple[int, int] = (1, 1)
    own_mm: float = 0.0

    @property
    def family(self) -> tuple[str, str, tuple[int, int]]:
        """Placing, kind and group: what is told apart in the result."""
        return self.placing, self.kind, self.group


def placing_hypotheses(*, across_mm: float, down_mm: float, frieze: bool = False) -> tuple[Hypothesis, ...]:
    """All ways of placing for a net with these spacings; the shares within each placing sum to 1.

    Parameters
    ----------
    across_mm, down_mm : float
    frieze : bool
        Whether there are single rows only.

    Notes
    -----
    Groups of 1 × 1 are left out here: a plate with a single motif is placed exactly like handwork on lines, so
    positions cannot tell them apart; that question belongs to the forming.
    """
    return (
        *_lines(),
        *_steps(),
        *_groups(across_mm, down_mm),
        *_prints(FRIEZE_DIRECTIONS if frieze else PRINT_DIRECTIONS),
    )


def _lines() -> Iterator[Hypothesis]:
    for prior, (along, across) in LINE_SPREADS:
        process = OnLines(sd_x_mm=along, sd_y_mm=across)
        yield Hypothesis(placing=PLACINGS[0], kind="motif by motif", prior=prior, phases=(process,))


def _steps() -> Iterator[Hypothesis]:
    for along, share in STEP_DIRECTIONS:
        walk = SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0, along=along)
        for prior, own in STEP_OWN_MM:
            kind = f"along {along}"
            yield Hypothesis(placing=PLACINGS[1], kind=kind, prior=share * prior, phases=(walk,), own_mm=own)


def _groups(across_mm: float, down_mm: float) -> Iterator[Hypothesis]:
    sizes = [(c + 1, r + 1) for c in range(LARGEST_GROUP[0]) for r in range(LARGEST_GROUP[1]) if c + r > 0]
    for group in sizes:
        width = max(group[0] * across_mm, group[1] * down_mm)
        for kind, spreads in (("plate", PLATE_SPREADS), ("block", BLOCK_SPREADS)):
            for prior, spread, own in spreads:
                yield Hypothesis(
                    placing=PLACINGS[2],
                    kind=kind,
                    prior=prior / (2.0 * len(sizes)),
                    phases=plate_phases(group, spread, width_mm=width),
                    group=group,
                    own_mm=own,
                )


def plate_phases(group: tuple[int, int], spread: tuple[float, ...], *, width_mm: float) -> tuple[RigidGroups, ...]:
    """A plate or block of these spreads at unit scatter, in each of its phases."""
    shift, turn, seat, own = spread
    return tuple(
        RigidGroups(
            columns=group[0],
            rows=group[1],
            shift_sd_mm=shift,
            turn_sd_rad=turn / width_mm,
            seat_sd_mm=seat,
            own_sd_mm=own,
            phase=(p, q),
        )
        for p in range(group[0])
        for q in range(group[1])
    )


def _prints(directions: tuple[tuple[str, float], ...]) -> Iterator[Hypothesis]:
    share = 1.0 / (len(PRINT_SWINGS) * len(PRINT_LENGTHS_MM))
    for (along, weight), swing, length in product(directions, PRINT_SWINGS, PRINT_LENGTHS_MM):
        run = ContinuousPrint(
            swing_sd_mm=swing, stretch_sd_ratio=swing / length, own_sd_mm=0.03, correlation_mm=length, along=along
        )
        yield Hypothesis(placing=PLACINGS[3], kind="continuous", prior=weight * share, phases=(run,))
