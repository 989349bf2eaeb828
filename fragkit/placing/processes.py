"""The four ways of placing motifs, with their spreads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class OnLines:
    """Every motif on set-out lines: independent errors, which may be tight along one coordinate.

    Attributes
    ----------
    sd_x_mm, sd_y_mm : float
        One standard deviation along and across the rows.
    """

    sd_x_mm: float
    sd_y_mm: float


@dataclass(frozen=True, kw_only=True)
class SteppedOff:
    """Every motif stepped off from its neighbour: errors add up along a line; each line starts afresh.

    Attributes
    ----------
    step_sd_mm : float
        One standard deviation of one step, per coordinate.
    start_sd_mm : float
        Of the first motif of each line.
    along : {"rows", "columns"}
    own_sd_mm : float
        Of each motif about the place stepped off; it is not handed on.
    """

    step_sd_mm: float
    start_sd_mm: float
    along: str = "rows"
    own_sd_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.along not in ("rows", "columns"):
            raise ValueError(f'along is {self.along!r}; it must be "rows" or "columns"')


@dataclass(frozen=True, kw_only=True)
class RigidGroups:
    """Groups of `columns` × `rows` motifs placed as one: a plate, or a block.

    Attributes
    ----------
    columns, rows : int
    shift_sd_mm : float
        One standard deviation of the shift of a whole group, per coordinate.
    turn_sd_rad : float
        Of its turn about its own middle, in radians (small).
    seat_sd_mm : float
        Of the errors of the openings, which recur at every placing.
    own_sd_mm : float
        Of what remains for each motif alone.
    phase : (int, int)
        Seat of site (0, 0) in its group.
    """

    columns: int
    rows: int
    shift_sd_mm: float
    turn_sd_rad: float
    seat_sd_mm: float
    own_sd_mm: float
    phase: tuple[int, int] = (0, 0)

    def __post_init__(self) -> None:
        if self.columns < 1 or self.rows < 1:
            raise ValueError(f"a group of {self.columns} × {self.rows} motifs is impossible; use at least 1 × 1")


@dataclass(frozen=True, kw_only=True)
class ContinuousPrint:
    """Printed in one run: the period is exact, the run swings sideways and stretches slowly.

    Attributes
    ----------
    swing_sd_mm : float
        One standard deviation of the sideways swing, which is smooth along the run.
    stretch_sd_ratio : float
        Of the stretch of the run, also smooth along it.
    own_sd_mm : float
        Of each motif about the print, per coordinate.
    correlation_mm : float
        Length over which swing and stretch stay alike.
    along : {"columns", "rows"}
        The direction of the run: columns for lengths hung upright.
    """

    swing_sd_mm: float
    stretch_sd_ratio: float
    own_sd_mm: float
    correlation_mm: float
    along: str = "columns"

    def __post_init__(self) -> None:
        if self.along not in ("rows", "columns"):
            raise ValueError(f'along is {self.along!r}; it must be "rows" or "columns"')
        if not self.correlation_mm > 0:
            raise ValueError(f"correlation_mm is {self.correlation_mm}; it must be above 0")


Process = OnLines | SteppedOff | RigidGroups | ContinuousPrint
