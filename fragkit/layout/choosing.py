"""The alternatives of one wall, ranked, and the one that is laid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fragkit.layout.fits import Fit
from fragkit.layout.frames import FOLLOWS
from fragkit.layout.jobs import Job
from fragkit.layout.nets import Offers, beyond_pair, confined_net, find_nets, turned
from fragkit.layout.results import Alternative
from fragkit.layout.search import Net
from fragkit.layout.wording import why_not
from fragkit.survey import LayoutEntry

N_OFFERED = 6


@dataclass(frozen=True, eq=False, kw_only=True)
class Candidate:
    """A net on a wall that is offered: the job says whether it follows the level or the edges."""

    name: str
    job: Job
    net: Net


@dataclass(frozen=True, eq=False, kw_only=True)
class Choice:
    """The candidate that is laid, all alternatives, and what could not be offered."""

    taken: Candidate
    alternatives: tuple[Alternative, ...]
    refused: tuple[str, ...]


def chosen_names(options: LayoutEntry) -> list[str]:
    """Names of the alternatives that the study chose."""
    return [name.strip() for name in (options.choice or "").split(",") if name.strip()]


def choose(job: Job, offers: Offers, options: LayoutEntry, *, rows: Sequence[Fit], initials: str) -> Choice:
    """Rank the nets of a wall and take the cheapest, or the one that the study names.

    Notes
    -----
    On offer are the six cheapest nets; the nearest whole counts beyond the evidence, where none lies within
    it; the best net drawn by the other rules (level, edges, fan); and its stretch confined to the chosen panels.
    """
    ranked = _named(job, find_nets(job, offers, rows=rows), initials)
    asked = chosen_names(options)
    shown = [c for k, c in enumerate(ranked) if k < N_OFFERED or c.name in asked]
    beyond = _named(job, beyond_pair(job, offers, ranked[0].net), initials, taken=[c.name for c in ranked])
    wanted = next((c for c in shown if c.name in asked), ranked[0])
    more, refused = _variants(wanted, offers, options)
    candidates = [*shown, *beyond, *more]
    taken = next((c for c in candidates if c.name in asked), ranked[0])
    alternatives = [_summary(c, taken, cheapest=ranked[0].net) for c in candidates]
    return Choice(taken=taken, alternatives=tuple(_in_order(alternatives)), refused=refused)


def _in_order(alternatives: Sequence[Alternative]) -> list[Alternative]:
    """Best first, the chosen one at the head where it was chosen by cost."""
    return sorted(alternatives, key=lambda one: (one.cost, not one.chosen))


def _variants(best: Candidate, offers: Offers, options: LayoutEntry) -> tuple[list[Candidate], tuple[str, ...]]:
    job, wall = best.job, best.job.ground.wall.name
    found = []
    for follow in (follow for follow in FOLLOWS if follow != job.ground.follow):
        other = replace(job, ground=replace(job.ground, follow=follow))
        found.append(Candidate(name=f"{best.name}-{follow}", job=other, net=turned(other, offers, best.net)))
    panels = [(float(p["from_mm"]), float(p["to_mm"])) for p in options.panels if p["wall"] == wall]
    if not panels:
        return found, ()
    net, why = confined_net(job, offers, best.net, panels)
    if net is None:
        return found, (f"The stretch could not be confined to the chosen panels: {why}.",)
    return [*found, Candidate(name=f"{best.name}-panels", job=job, net=net)], ()


def _named(job: Job, nets: Sequence[Net], initials: str, *, taken: Sequence[str] = ()) -> list[Candidate]:
    names = list(taken)
    found = []
    for net in nets:
        base = f"{initials}-{net.across.n_lines}x{net.down.n_lines}-{net.across.anchor.kind.split()[0]}"
        same = sum(name == base or name.startswith(f"{base}-") for name in names)
        names.append(base if not same else f"{base}-{same + 1}")
        found.append(Candidate(name=names[-1], job=job, net=net))
    return found


def _summary(candidate: Candidate, taken: Candidate, *, cheapest: Net) -> Alternative:
    net, ground, repeat = candidate.net, candidate.job.ground, candidate.job.repeat
    across, down = net.across, net.down
    strain = (across.repeat_mm / repeat.across_mm - 1.0, down.repeat_mm / repeat.down_mm - 1.0)
    return Alternative(
        name=candidate.name,
        wall=ground.wall.name,
        n_columns=across.n_lines,
        n_rows=down.n_lines,
        n_motifs=net.n_motifs,
        n_eased=net.n_eased,
        n_dropped=net.n_dropped,
        across_mm=across.repeat_mm,
        down_mm=down.repeat_mm,
        strain_ratio=strain,
        on_axis=f"{across.anchor.words}; {down.anchor.words}",
        follow=ground.follow,
        within_evidence=across.within and down.within,
        stretch_ratio=worst_stretch(candidate.job, net),
        change_ratio=across.change_ratio,
        origin_mm=(across.start_mm, down.start_mm),
        knots=None if across.knots is None else np.column_stack([across.knots.number, across.knots.at_mm]),
        cost=net.cost,
        terms=net.terms,
        chosen=candidate is taken,
        why=_why(candidate, taken, cheapest, strain),
    )


def worst_stretch(job: Job, net: Net) -> float:
    """Largest difference of any interval from the measured repeat, edges followed included.

    Notes
    -----
    A net bent to the edges is stretched by how far opposite edges draw apart, at worst half of the
    difference of their leans times their length, over the whole run or height.
    """
    repeat, frame = job.repeat, job.ground.frame
    across = max(abs(net.across.repeat_mm / repeat.across_mm - 1.0), net.across.stretch_ratio)
    down = abs(net.down.repeat_mm / repeat.down_mm - 1.0)
    if job.ground.follow == "edges":
        across += abs(frame.right.lean - frame.left.lean) * frame.height_mm / 2.0 / frame.run_mm
        down += abs(frame.top.lean - frame.bottom.lean) * frame.run_mm / 2.0 / frame.height_mm
    if job.ground.follow == "fan":
        down += abs(frame.top.lean) * frame.run_mm / 2.0 / frame.height_mm
    return max(across, down)


def _why(candidate: Candidate, taken: Candidate, cheapest: Net, strain: tuple[float, float]) -> str:
    net = candidate.net
    if candidate is taken:
        words = "lowest cost" if net is cheapest else "chosen in the study"
    else:
        words = why_not(net, taken.net)
    if candidate.job.ground.follow != taken.job.ground.follow:
        words = f"the same net, drawn to another rule; {words}"
    if net.across.within and net.down.within:
        return words
    return f"beyond the evidence (strain {100 * strain[0]:+.1f} % across, {100 * strain[1]:+.1f} % down); {words}"
