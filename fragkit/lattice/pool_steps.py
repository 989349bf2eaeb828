"""The step of a frieze from the single rows of several fragments, with the interval that a new wall needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.lattice.fitted import overall_scatter_mm
from fragkit.lattice.one_row import RowFit
from fragkit.lattice.random_effects import random_effects
from fragkit.sketch import sketch
from fragkit.units import interval, with_sd

SAME_STEP_RATIO = 0.15


@dataclass(frozen=True, eq=False, kw_only=True)
class PooledStep:
    """The step from motif to motif of a single row, from all fragments.

    Attributes
    ----------
    step_mm, sd_mm : float
        Mean over the fragments, and its standard deviation.
    interval_mm : (float, float)
        95 % interval of the mean.
    interval_new_wall : (float, float)
        95 % interval, in mm, for one unseen wall of the same scheme.
    between_sd_mm : float
        Expected difference between fragments.
    n_fragments, n_centres : int
    residual_sd_mm : float
        Placing scatter per coordinate, over all fragments.
    notes : tuple of str
    """

    step_mm: float
    sd_mm: float
    interval_mm: tuple[float, float]
    interval_new_wall: tuple[float, float]
    between_sd_mm: float
    n_fragments: int
    n_centres: int
    residual_sd_mm: float
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"<PooledStep {with_sd(self.step_mm, self.sd_mm, 'mm')}, {self.n_fragments} fragments>"

    def _repr_html_(self) -> str:
        rows = [
            ("from motif to motif", with_sd(self.step_mm, self.sd_mm, "mm")),
            ("on a new wall", interval(self.interval_new_wall, "mm")),
            ("fragments", f"{self.n_fragments} with {self.n_centres} centres"),
        ]
        places = np.column_stack([np.arange(6) * self.step_mm, np.zeros(6)])
        return card("The step of the row", rows, notes=self.notes, drawing=sketch("The row, level", dots_mm=places))


def pool_steps(rows: Sequence[RowFit], *, between_sd_ratio: float = 0.01) -> PooledStep:
    """The step of a frieze, from the single rows of its fragments.

    Parameters
    ----------
    rows : sequence of RowFit
    between_sd_ratio : float
        Scale of the half-normal prior on the difference between fragments, as a share of the step. An assumption,
        stated in the notes.

    Raises
    ------
    EstimationError
        No row, or rows whose steps are not the same.
    """
    if not rows:
        raise EstimationError("There is no row to pool.", found="0 rows", needed="at least one fitted row")
    if not between_sd_ratio > 0:
        raise ValueError(f"between_sd_ratio is {between_sd_ratio}; it must be above 0, for instance 0.01")
    lengths = np.array([row.length_mm for row in rows])
    middle = float(np.median(lengths))
    if np.abs(lengths - middle).max() > SAME_STEP_RATIO * middle:
        raise EstimationError(
            "The fragments do not carry the same row.",
            found="steps of " + ", ".join(f"{length:.1f}" for length in lengths) + " mm",
            needed=f"agreement within {100 * SAME_STEP_RATIO:.0f} %; check the scales, or make studies of their own",
        )
    variances = np.array([row.length_sd_mm**2 for row in rows])
    effect = random_effects(lengths, variances, between_scale=between_sd_ratio * float(lengths.mean()))
    return PooledStep(
        step_mm=effect.mean,
        sd_mm=effect.sd,
        interval_mm=effect.interval,
        interval_new_wall=effect.interval_new,
        between_sd_mm=effect.between_sd,
        n_fragments=len(rows),
        n_centres=sum(row.n_centres for row in rows),
        residual_sd_mm=overall_scatter_mm(rows),
        notes=_notes(len(rows), between_sd_ratio),
    )


def _notes(n_fragments: int, between_sd_ratio: float) -> tuple[str, ...]:
    notes = [
        f"assumption: fragments and walls of one scheme differ by about {100 * between_sd_ratio:.2g} % of the step "
        "(half-normal)",
        "a single row does not say how far apart rows stand",
    ]
    if n_fragments == 1:
        notes.append("one fragment only: how walls differ rests on the assumption alone")
    return tuple(notes)
