"""Doubts and reasons of a layout, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from fragkit.layout.gaps import MAX_GAP_RATIO, Gap
from fragkit.layout.jobs import Dropped, Job, Marks, Placed
from fragkit.layout.search import Net

MAX_LEFT_OUT_RATIO = 0.02
MAX_QUIET_STRAIN_RATIO = 0.02
"""Lengths are told apart by eye to about 1 part in 50 (from an older textbook)."""
LEAN_WORTH_SAYING_MM = 1.0
N_GAPS_TOLD = 3


def wall_notes(
    job: Job,
    net: Net,
    marks: Marks | None,
    *,
    placed: Placed,
    gaps: Sequence[Gap],
    follow_mm: float,
) -> tuple[str, ...]:
    """The doubts of one wall."""
    return (
        *_strain_words(net),
        *_evidence_words(job, net, marks),
        *_dropped_words(len(placed.index), placed.dropped),
        *_gap_words(gaps, placed.dropped),
        *_follow_words(job, follow_mm),
    )


def _strain_words(net: Net) -> list[str]:
    words = []
    for fit, direction in ((net.across, "across"), (net.down, "down")):
        if not fit.within:
            words.append(
                "Beyond the evidence: no whole count with these margins lies within the measured "
                f"spread {direction}; "
                f"{fit.repeat_mm:.1f} mm was taken."
            )
    return words


def _evidence_words(job: Job, net: Net, marks: Marks | None) -> list[str]:
    if marks is None:
        return []
    evidence, offset = job.evidence, job.repeat.offset_ratio
    fitted = np.column_stack(
        [
            net.across.start_mm + (marks.index[:, 0] + offset * marks.index[:, 1]) * net.across.repeat_mm,
            net.down.start_mm + marks.index[:, 1] * net.down.repeat_mm,
        ]
    )
    words = []
    for k, name in enumerate(evidence.names):
        miss = (marks.xy_mm - fitted)[evidence.source == k]
        mean, sd = float(np.abs(miss.mean(axis=0)).max()), float(evidence.sd_mm[k])
        worst = float(np.hypot(*miss.T).max())
        verdict = "within" if mean <= sd else "more than"
        words.append(
            f"The net passes {name} at {mean:.1f} mm, {verdict} its place's standard deviation of "
            f"{sd:.1f} mm; its worst motif is {worst:.1f} mm from its site."
        )
    stray = np.abs(marks.misfit_mm) > 0.25 * np.array([job.repeat.across_mm, job.repeat.down_mm])
    if stray.any():
        words.append(
            f"{int(stray.any(axis=1).sum())} surviving motifs lie more than a quarter repeat from any "
            "site: a fragment may be "
            "placed wrongly on the wall, or its turn misread."
        )
    return words


def _dropped_words(n_motifs: int, dropped: Sequence[Dropped]) -> list[str]:
    if not dropped:
        return []
    share = len(dropped) / (n_motifs + len(dropped))
    limit = ", more than the 2 % aimed at" if share > MAX_LEFT_OUT_RATIO else ""
    reasons = Counter(why.split(":")[0] for *_, why in dropped)
    detail = "; ".join(f"{count} {why}" for why, count in reasons.most_common(3))
    return [f"{len(dropped)} motifs left out, {100 * share:.1f} % of the wall's{limit}: {detail}."]


def _gap_words(gaps: Sequence[Gap], dropped: Sequence[Dropped]) -> list[str]:
    words = []
    left_out = np.array([xy for _, _, xy, _ in dropped]).reshape(-1, 2)
    for gap in sorted(gaps, key=lambda g: -g.ratio)[:N_GAPS_TOLD]:
        along, other = (0, 1) if gap.line == "level" else (1, 0)
        near = (left_out[:, along] > gap.from_mm - 1) & (left_out[:, along] < gap.to_mm + 1)
        near &= np.abs(left_out[:, other] - gap.at_mm) < gap.to_mm - gap.from_mm
        why = "a motif was left out there" if near.any() else "the boundary there falls between two lines of the net"
        axis = ("y", "x") if gap.line == "level" else ("x", "y")
        words.append(
            f"A gap of {gap.ratio:.2f} repeats (more than {MAX_GAP_RATIO}) at {axis[0]} = "
            f"{gap.at_mm:.0f} mm, "
            f"{axis[1]} = {gap.from_mm:.0f} to {gap.to_mm:.0f} mm: {why}."
        )
    if len(gaps) > N_GAPS_TOLD:
        words.append(
            f"{len(gaps) - N_GAPS_TOLD} more gaps above {MAX_GAP_RATIO} repeats, for the same kinds of reason."
        )
    return words


def _follow_words(job: Job, follow_mm: float) -> list[str]:
    if follow_mm < LEAN_WORTH_SAYING_MM:
        return []
    frame = job.ground.frame
    ceiling = abs(frame.top.lean - frame.bottom.lean) * frame.run_mm
    lean = max(abs(frame.left.lean), abs(frame.right.lean)) * frame.height_mm
    drawn, other = (
        ("true to level", "the visible edges were followed")
        if job.ground.follow == "level"
        else ("to the visible edges", "the rows were kept true to level")
    )
    return [
        f"Drawn {drawn}. If {other} instead, the worst motif would move {follow_mm:.0f} mm (top and "
        "bottom run "
        f"{ceiling:.0f} mm apart over the wall, the worse side leans {lean:.0f} mm)."
    ]


def why_not(terms: Mapping[str, float], best: Mapping[str, float]) -> str:
    """Why a fit lost against the best, from the terms that made the difference."""
    extra = {name: terms.get(name, 0.0) - best.get(name, 0.0) for name in {*terms, *best}}
    worse = sorted((name for name in extra if extra[name] > 0.005), key=lambda name: -extra[name])
    better = sorted((name for name in extra if extra[name] < -0.005), key=lambda name: extra[name])
    if not worse:
        return "costs the same as the chosen one"
    words = "loses by " + " and ".join(f"{name} (+{extra[name]:.2f})" for name in worse[:2])
    return words + (f", though better in {better[0]} ({extra[better[0]]:.2f})" if better else "")
