"""A typed repeat in place of the measured one, and what it overrides."""

from __future__ import annotations

from dataclasses import replace

from fragkit.lattice import Pooled
from fragkit.survey import ProposalEntry


def adopt_proposal(pooled: Pooled, proposal: ProposalEntry | None) -> Pooled:
    """The repeat to lay out: a typed one, when there is one, takes the place of the measured one.

    Notes
    -----
    What the evidence says of the spread between walls stays: the intervals move with the typed repeat and
    keep their width. The notes say what was overridden and by how many mm.
    """
    if proposal is None:
        return pooled
    moved = {key: getattr(proposal, key) - getattr(pooled, key) for key in ("across_mm", "down_mm", "offset_ratio")}
    on_new_wall = {key: _moved(limits, moved[key]) for key, limits in pooled.interval_new_wall.items()}
    note = (
        f"The repeat was typed, not measured: {proposal.across_mm:g} × {proposal.down_mm:g} mm, offset "
        f"{proposal.offset_ratio:g}. The fragments give {pooled.across_mm:.1f} × {pooled.down_mm:.1f} mm, "
        f"offset {pooled.offset_ratio:.2f}. Reason given: {proposal.reason}"
    )
    return replace(
        pooled,
        across_mm=proposal.across_mm,
        down_mm=proposal.down_mm,
        offset_ratio=proposal.offset_ratio,
        interval_across_mm=_moved(pooled.interval_across_mm, moved["across_mm"]),
        interval_down_mm=_moved(pooled.interval_down_mm, moved["down_mm"]),
        interval_new_wall=on_new_wall,
        basis="typed",
        notes=(*pooled.notes, note),
    )


def _moved(interval: tuple[float, float], by: float) -> tuple[float, float]:
    return interval[0] + by, interval[1] + by
