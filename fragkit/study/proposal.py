"""The repeat of a study: pooled from its fragments, or along a frieze, and what is typed in place of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from fragkit.frozen import frozen_array
from fragkit.lattice import Lattice, Pooled, PooledStep, RowFit, pool
from fragkit.net.nets import FRIEZE
from fragkit.survey import ProposalEntry, Survey

_WORDS = {"across_mm": "{:g} mm along the row", "down_mm": "{:g} mm from row to row", "offset_ratio": "offset {:g}"}


def pool_fragments(survey: Survey, lattices: Mapping[str, Lattice], rows: Mapping[str, RowFit]) -> Pooled:
    """The repeat to lay out, from the net of each fragment and the step of each that shows a single row."""
    used = [entry for entry in survey.fragments if entry.name in lattices]
    pooled = pool(
        [lattices[entry.name] for entry in used],
        turns_deg=[entry.turn_deg for entry in used],
        turn_sds_deg=[entry.turn_sd_deg for entry in used],
        between_sd_ratio=survey.between_sd_ratio,
        rows=list(rows.values()),
    )
    return adopt_proposal(pooled, survey.proposal)


def adopt_proposal(pooled: Pooled, proposal: ProposalEntry | None) -> Pooled:
    """The repeat to lay out: what is typed takes the place of what was measured.

    Notes
    -----
    What the evidence says of the spread between walls stays: the intervals move with the typed repeat and
    keep their width. The notes say what was overridden and by how many mm.
    """
    if proposal is None:
        return pooled
    typed = proposal.typed
    moved = {key: typed[key] - getattr(pooled, key) for key in typed}
    on_new_wall = {key: _moved(limits, moved.get(key, 0.0)) for key, limits in pooled.interval_new_wall.items()}
    note = (
        f"{_typed_words(typed)}. The fragments give {pooled.across_mm:.1f} × {pooled.down_mm:.1f} mm, "
        f"offset {pooled.offset_ratio:.2f}. Reason given: {proposal.reason}"
    )
    return replace(
        pooled,
        across_mm=typed.get("across_mm", pooled.across_mm),
        down_mm=typed.get("down_mm", pooled.down_mm),
        offset_ratio=typed.get("offset_ratio", pooled.offset_ratio),
        interval_across_mm=_moved(pooled.interval_across_mm, moved.get("across_mm", 0.0)),
        interval_down_mm=_moved(pooled.interval_down_mm, moved.get("down_mm", 0.0)),
        interval_new_wall=on_new_wall,
        typed=tuple(typed),
        notes=(*pooled.notes, note),
    )


def repeat_of_frieze(step: PooledStep, proposal: ProposalEntry | None) -> Pooled | None:
    """The repeat to lay out along a frieze, whose rows stand as far apart as is typed; None when that is not typed.

    Notes
    -----
    A wall no higher than that takes one row. What is typed has no spread of its own.
    """
    if proposal is None or proposal.down_mm is None:
        return None
    down_mm, offset = proposal.down_mm, proposal.offset_ratio or 0.0
    measured = Pooled(
        across_mm=step.step_mm,
        down_mm=down_mm,
        offset_ratio=offset,
        cov=frozen_array(np.diag([step.sd_mm**2, 0.0, 0.0])),
        interval_across_mm=step.interval_mm,
        interval_down_mm=(down_mm, down_mm),
        interval_new_wall={
            "across_mm": step.interval_new_wall,
            "down_mm": (down_mm, down_mm),
            "offset_ratio": (offset, offset),
        },
        between_sd_mm=frozen_array([step.between_sd_mm, 0.0]),
        net_type=FRIEZE,
        n_fragments=step.n_fragments,
        residual_sd_mm=step.residual_sd_mm,
        n_centres=step.n_centres,
        notes=step.notes,
    )
    return adopt_proposal(measured, proposal)


def _typed_words(typed: dict[str, float]) -> str:
    words = ", ".join(_WORDS[key].format(value) for key, value in typed.items())
    return f"Typed, not measured: {words}"


def _moved(interval: tuple[float, float], by: float) -> tuple[float, float]:
    return interval[0] + by, interval[1] + by
