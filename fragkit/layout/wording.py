"""Doubts and reasons of a layout, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fragkit.layout.gaps import MAX_GAP_RATIO, Gap, gap_runs
from fragkit.layout.jobs import Bent, Dropped, Job, Placed
from fragkit.layout.results import Pass
from fragkit.layout.search import Net

MAX_LEFT_OUT_RATIO = 0.02
LEAN_WORTH_SAYING_MM = 1.0
N_GAPS_TOLD = 3


def wall_notes(
    job: Job,
    net: Net,
    *,
    placed: Placed,
    gaps: Sequence[Gap],
    worst: Bent,
    passes: Sequence[Pass],
) -> tuple[str, ...]:
    """The doubts of one wall."""
    return (
        *_strain_words(net),
        *[_pass_words(one) for one in passes],
        *_dropped_words(len(placed.index), placed.dropped),
        *_gap_words(gaps, placed.dropped),
        *_follow_words(job, worst),
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


def _pass_words(one: Pass) -> str:
    mean = max(abs(part) for part in one.miss_mm)
    verdict = "within" if one.within else "more than"
    stray = (
        f" {one.n_stray} of its motifs lie more than a quarter repeat from any site: the fragment may be placed "
        "wrongly on the wall, or its turn misread."
    )
    return (
        f"The net passes {one.fragment} at {mean:.1f} mm, {verdict} its place's standard deviation of "
        f"{one.sd_mm:.1f} mm; its worst motif is {one.worst_mm:.1f} mm from its site.{stray if one.n_stray else ''}"
    )


def _dropped_words(n_motifs: int, dropped: Sequence[Dropped]) -> list[str]:
    if not dropped:
        return []
    share = len(dropped) / (n_motifs + len(dropped))
    limit = ", more than the 2 % aimed at" if share > MAX_LEFT_OUT_RATIO else ""
    reasons = Counter(why.split(":")[0] for *_, why in dropped)
    detail = "; ".join(f"{count} {why}" for why, count in reasons.most_common(3))
    return [f"{len(dropped)} motifs left out, {100 * share:.1f} % of the wall's{limit}: {detail}."]


def _gap_words(gaps: Sequence[Gap], dropped: Sequence[Dropped]) -> list[str]:
    left_out = np.array([xy for _, _, xy, _ in dropped]).reshape(-1, 2)
    runs = sorted(gap_runs(gaps), key=lambda run: -max(gap.ratio for gap in run))
    words = [_run_words(run, left_out) for run in runs[:N_GAPS_TOLD]]
    if len(runs) > N_GAPS_TOLD:
        words.append(
            f"{len(runs) - N_GAPS_TOLD} more places with a gap above {MAX_GAP_RATIO} repeats, none wider than "
            f"{max(gap.ratio for gap in runs[N_GAPS_TOLD]):.2f}, for the same kinds of reason."
        )
    return words


def _run_words(run: Sequence[Gap], left_out: NDArray[np.float64]) -> str:
    """One sentence for the gaps along one boundary: how wide, where, and why."""
    widest, first, last = max(run, key=lambda gap: gap.ratio), run[0], run[-1]
    across, along = ("y", "x") if widest.line == "level" else ("x", "y")
    at = f"at {across} = {widest.at_mm:.0f} mm"
    if len(run) > 1:
        at = f"widest {at}, with {len(run) - 1} beside it from {across} = {first.at_mm:.0f} to {last.at_mm:.0f} mm"
    n_bare = sum(_left_bare(gap, left_out) for gap in run)
    why = "the boundary there falls between two lines of the net"
    if n_bare == len(run):
        why = "motifs were left out there" if n_bare > 1 else "a motif was left out there"
    elif n_bare:
        why = f"motifs were left out at {n_bare} of them; at the others {why}"
    return (
        f"A gap of {widest.ratio:.2f} repeats (more than {MAX_GAP_RATIO}), {along} = {widest.from_mm:.0f} to "
        f"{widest.to_mm:.0f} mm, {at}: {why}."
    )


def _left_bare(gap: Gap, left_out: NDArray[np.float64]) -> bool:
    """Whether a motif was left out in the gap."""
    along, other = (0, 1) if gap.line == "level" else (1, 0)
    near = (left_out[:, along] > gap.from_mm - 1) & (left_out[:, along] < gap.to_mm + 1)
    return bool((near & (np.abs(left_out[:, other] - gap.at_mm) < gap.to_mm - gap.from_mm)).any())


def _follow_words(job: Job, worst: Bent) -> list[str]:
    if worst.difference_mm < LEAN_WORTH_SAYING_MM:
        return []
    frame = job.ground.frame
    ceiling = abs(frame.top.lean - frame.bottom.lean) * frame.run_mm
    lean = max(abs(frame.left.lean), abs(frame.right.lean)) * frame.height_mm
    drawn, other = {
        "level": ("true to level", "the visible edges were followed"),
        "edges": ("to the visible edges", "the rows were kept true to level"),
        "fan": ("with rows that fan from a level foot to the top edge", "the rows were kept true to level"),
    }[job.ground.follow]
    return [
        f"Drawn {drawn}. If {other} instead, the worst motif would move {worst.difference_mm:.0f} mm, at "
        f"x = {worst.at_mm[0]:.0f}, y = {worst.at_mm[1]:.0f} mm (top and bottom run {ceiling:.0f} mm apart over the "
        f"wall, the worse side leans {lean:.0f} mm)."
    ]


def why_not(net: Net, best: Net) -> str:
    """Why a net was not taken, from the parts of the cost that made the difference, with their numbers."""
    extra = {name: net.terms.get(name, 0.0) - best.terms.get(name, 0.0) for name in {*net.terms, *best.terms}}
    worse = sorted((name for name in extra if extra[name] > 0.005), key=lambda name: -extra[name])
    better = sorted((name for name in extra if extra[name] < -0.005), key=lambda name: extra[name])
    if not worse and not better:
        return "costs the same as the chosen one"
    if net.cost < best.cost - 0.005:
        return (
            f"would cost {best.cost - net.cost:.2f} less ({_said(better[0], net, best)}), but is not what was asked for"
        )
    if not worse:
        return "costs the same as the chosen one"
    words = "loses by " + " and ".join(f"{_said(name, net, best)} (+{extra[name]:.2f})" for name in worse[:2])
    return words + (f", though better in {better[0]} ({extra[better[0]]:.2f})" if better else "")


def _said(name: str, net: Net, best: Net) -> str:
    """A part of the cost with the numbers of both nets, where it has any that a person would ask for."""
    margins = [
        max(
            abs(one.across.low_margin_mm - one.across.high_margin_mm),
            abs(one.down.low_margin_mm - one.down.high_margin_mm),
        )
        for one in (net, best)
    ]
    numbers = {
        "motifs eased at edges": f"{net.n_eased} against {best.n_eased}",
        "motifs left out": f"{net.n_dropped} against {best.n_dropped}",
        "unequal margins": f"{margins[0]:.0f} mm against {margins[1]:.0f} mm",
        "strain within the measured spread": _repeats(net, best),
        "strain beyond the measured spread": _repeats(net, best),
    }
    return f"{name}: {numbers[name]}" if name in numbers else name


def _repeats(net: Net, best: Net) -> str:
    pairs = [f"{one.across.repeat_mm:.1f} × {one.down.repeat_mm:.1f} mm" for one in (net, best)]
    return f"{pairs[0]} against {pairs[1]}"
