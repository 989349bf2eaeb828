"""The room laid out: wall after wall, corners carried on, alternatives ranked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from fragkit.layout.costs import COST_WEIGHTS
from fragkit.layout.easing import wall_rules
from fragkit.layout.evidence import gather
from fragkit.layout.finishing import finish
from fragkit.layout.frames import straighten
from fragkit.layout.grounds import Corner, Ground
from fragkit.layout.insets import Insets, free_area
from fragkit.layout.jobs import Job, Repeat, adopt_repeat
from fragkit.layout.nets import find_nets
from fragkit.layout.results import Alternative, Layout, Outlines, PlacedCentres, WallLayout
from fragkit.layout.search import Net, price_net, row_steps_mm
from fragkit.layout.shapes import WHOLE, Form, make_form, reshaped_forms
from fragkit.layout.wording import why_not
from fragkit.survey import LayoutEntry, WallEntry

if TYPE_CHECKING:
    from fragkit.lattice import Pooled
    from fragkit.motifs import Motif

N_OFFERED = 6


@dataclass(frozen=True, eq=False)
class _Plan:
    walls: Sequence[WallEntry]
    repeat: Repeat
    forms: tuple[Form, ...]
    fragments: Sequence[PlacedCentres]
    options: LayoutEntry
    weights: Mapping[str, float]


def lay_out(
    walls: Sequence[WallEntry],
    repeat: Pooled,
    motif: Motif,
    *,
    fragments: Sequence[PlacedCentres] = (),
    options: LayoutEntry | None = None,
    weights: Mapping[str, float] = COST_WEIGHTS,
) -> Layout:
    """Every motif on every wall: place, size, form, certainty and reason, with the alternatives.

    Parameters
    ----------
    walls : sequence of WallEntry
    repeat : Pooled
        The repeat with its interval for a new wall.
    motif : Motif
        Its outlines (metal and shadow) are what must stay inside the walls.
    fragments : sequence of PlacedCentres
        Surviving motifs in the frames of their walls; the net passes through them.
    options : LayoutEntry, optional
        What stands on the axis, level or edges, a chosen alternative, pinned motifs.
    weights : mapping of str to float
        Weight of each term of the cost, as in `COST_WEIGHTS`.

    Raises
    ------
    ValueError
        If a wall cannot be read, a name is unknown, or the motif has no metal outline.
    EstimationError
        If a wall has no room for a single motif.

    Notes
    -----
    Surviving motifs fix the phase first; then the measured repeat holds, then the axis, then the edges.
    For each wall all whole
    counts whose repeat lies within the interval, and the nearest on either side, are priced for every
    phase worth having; the
    cheapest pair is found by branch and bound and so is the optimum of that list. Walls with surviving
    motifs come first.
    """
    options = options or LayoutEntry()
    _check(walls, fragments, options)
    forms = _forms(motif)
    adopted, notes = adopt_repeat(repeat)
    initials = wall_initials([wall.name for wall in walls])
    plan = _Plan(walls, adopted, forms, fragments, options, weights)
    done: dict[str, Done] = {}
    for wall in _in_order(walls, fragments):
        done[wall.name] = _lay_wall(plan, wall, done, initials[wall.name])
    _check_choice(options, [a for wall in walls for a in done[wall.name].alternatives])
    reshape = any(edge.rule == "reshape" for wall in walls for edge in wall.edges)
    if reshape and len(forms) == 1:
        notes += (
            "The motif is one piece of metal with no lobes to leave out whole: where an edge says "
            "reshape, it is reduced or left out.",
        )
    return Layout(
        walls=tuple(done[wall.name].layout for wall in walls),
        alternatives=tuple(a for wall in walls for a in done[wall.name].alternatives),
        forms={form.name: form.outlines for form in forms},
        notes=(*notes, *_corner_notes(walls, done)),
    )


def wall_initials(names: Sequence[str]) -> dict[str, str]:
    """Shortest beginning of each name, in capitals, that no other shares; a number where names agree."""
    words = ["".join(c for c in name.upper() if c.isalnum()) or "W" for name in names]
    short: dict[str, str] = {}
    for name, word in zip(names, words, strict=True):
        others = [other for other_name, other in zip(names, words, strict=True) if other_name != name]
        lengths = (n for n in range(1, len(word) + 1) if not any(other[:n] == word[:n] for other in others))
        n = next(lengths, len(word))
        initials = word[:n]
        short[name] = initials if initials not in short.values() else f"{initials}{len(short) + 1}"
    return short


def _check(walls: Sequence[WallEntry], fragments: Sequence[PlacedCentres], options: LayoutEntry) -> None:
    names = [wall.name for wall in walls]
    if len(set(names)) != len(names):
        raise ValueError(f"Two walls have the same name among {names}; give each wall its own.")
    asked = {
        "a fragment": [placed.wall for placed in fragments],
        "a pinned motif": [pin["wall"] for pin in options.pinned],
        "the corner of a wall": [wall.next for wall in walls if wall.next is not None],
    }
    for what, wanted in asked.items():
        unknown = sorted(set(wanted) - set(names))
        if unknown:
            raise ValueError(
                f"{what} names the wall {unknown[0]!r}, which is not among {names}; correct one of the two."
            )


def _check_choice(options: LayoutEntry, alternatives: Sequence[Alternative]) -> None:
    known = [alternative.name for alternative in alternatives]
    unknown = [name for name in _chosen_names(options) if name not in known]
    if unknown:
        raise ValueError(f"The chosen layout {unknown[0]!r} is not on offer; on offer are {', '.join(known)}.")


def _chosen_names(options: LayoutEntry) -> list[str]:
    return [name.strip() for name in (options.choice or "").split(",") if name.strip()]


def motif_forms(motif: Motif) -> dict[str, Outlines]:
    """Outlines by layer of every form of the motif, by name; "whole" first."""
    return {form.name: form.outlines for form in _forms(motif)}


def _forms(motif: Motif) -> tuple[Form, ...]:
    whole = make_form(WHOLE, motif.outlines)
    return (whole, *reshaped_forms(whole))


def _in_order(walls: Sequence[WallEntry], fragments: Sequence[PlacedCentres]) -> list[WallEntry]:
    with_evidence = {placed.wall for placed in fragments}
    return sorted(walls, key=lambda wall: wall.name not in with_evidence)


@dataclass(frozen=True, eq=False, kw_only=True)
class Done:
    """A wall laid out, with its ground for the corners."""

    ground: Ground
    net: Net
    layout: WallLayout
    alternatives: tuple[Alternative, ...]


def _lay_wall(plan: _Plan, wall: WallEntry, done: Mapping[str, Done], initials: str) -> Done:
    job = _job(plan, wall, done)
    nets, marks = find_nets(job)
    names = _names(nets, initials)
    wanted = [k for k, name in enumerate(names) if name in _chosen_names(plan.options)]
    chosen = wanted[0] if wanted else 0
    offered = sorted({*range(min(N_OFFERED, len(nets))), chosen})
    alternatives = [_alternative(job, nets, names, k, chosen) for k in offered]
    other = replace(job.ground, follow="edges" if job.ground.follow == "level" else "level")
    turned = price_net(other, nets[chosen].across, nets[chosen].down, weights=job.weights)
    alternatives.append(_other_way(job, nets[chosen], turned, f"{names[chosen]}-{other.follow}"))
    layout = finish(job, nets[chosen], marks, initials=initials)
    return Done(ground=job.ground, net=nets[chosen], layout=layout, alternatives=tuple(alternatives))


def _job(plan: _Plan, wall: WallEntry, done: Mapping[str, Done]) -> Job:
    repeat, insets = plan.repeat, Insets(free_area(wall))
    frame = straighten(wall)
    ground = Ground(
        wall=wall,
        frame=frame,
        insets=insets,
        rules=wall_rules(wall, repeat_mm=min(repeat.across_mm, repeat.down_mm)),
        whole=plan.forms[0],
        offset_ratio=repeat.offset_ratio,
        follow=plan.options.follow,
        corners=_corners(plan.walls, wall, (frame.left.at_mm, frame.right.at_mm), done),
    )
    return Job(
        ground=ground,
        evidence=gather(wall, plan.fragments, plan.options.pinned),
        repeat=repeat,
        on_axis=plan.options.on_axis,
        forms=plan.forms,
        weights=plan.weights,
    )


def _corners(
    walls: Sequence[WallEntry], wall: WallEntry, ends_mm: tuple[float, float], done: Mapping[str, Done]
) -> tuple[Corner, ...]:
    corners = []
    for other in walls:
        if other.next == wall.name and other.name in done:
            corners.append(_corner(done[other.name], other.corner, here_mm=ends_mm[0], before=True))
        if wall.next == other.name and other.name in done:
            corners.append(_corner(done[other.name], wall.corner, here_mm=ends_mm[1], before=False))
    return tuple(corners)


def _corner(neighbour: Done, policy: str, *, here_mm: float, before: bool) -> Corner:
    frame, net = neighbour.ground.frame, neighbour.net
    there_mm = frame.right.at_mm if before else frame.left.at_mm
    return Corner(
        neighbour=neighbour.ground.wall.name,
        row_mm=net.down.start_mm,
        down_mm=net.down.repeat_mm,
        site_mm=here_mm + net.across.start_mm - there_mm if policy == "continue" else None,
        across_mm=net.across.repeat_mm,
    )


def _names(nets: Sequence[Net], initials: str) -> list[str]:
    names: list[str] = []
    for net in nets:
        kind = net.across.anchor.kind.split()[0]
        base = f"{initials}-{net.across.n_lines}x{net.down.n_lines}-{kind}"
        same = sum(name == base or name.startswith(f"{base}-") for name in names)
        names.append(base if not same else f"{base}-{same + 1}")
    return names


def _alternative(job: Job, nets: Sequence[Net], names: Sequence[str], k: int, chosen: int) -> Alternative:
    net, best = nets[k], nets[chosen]
    own = "lowest cost" if chosen == 0 else "chosen in the study"
    why = own if k == chosen else why_not(net.terms, best.terms)
    return _summary(job, net, names[k], follow=job.ground.follow, why=why, chosen=k == chosen)


def _other_way(job: Job, best: Net, turned: Net, name: str) -> Alternative:
    follow = "edges" if job.ground.follow == "level" else "level"
    why = f"the same net, drawn to the other rule; {why_not(turned.terms, best.terms)}"
    return _summary(job, turned, name, follow=follow, why=why, chosen=False)


def _summary(job: Job, net: Net, name: str, *, follow: str, why: str, chosen: bool) -> Alternative:
    repeat, across, down = job.repeat, net.across, net.down
    return Alternative(
        name=name,
        wall=job.ground.wall.name,
        n_columns=across.n_lines,
        n_rows=down.n_lines,
        n_motifs=net.n_motifs,
        n_eased=net.n_eased,
        n_dropped=net.n_dropped,
        across_mm=across.repeat_mm,
        down_mm=down.repeat_mm,
        strain_ratio=(across.repeat_mm / repeat.across_mm - 1.0, down.repeat_mm / repeat.down_mm - 1.0),
        on_axis=f"{across.anchor.words}; {down.anchor.words}",
        follow=follow,
        within_evidence=across.within and down.within,
        cost=net.cost,
        terms=net.terms,
        chosen=chosen,
        why=why,
    )


def _corner_notes(walls: Sequence[WallEntry], done: Mapping[str, Done]) -> tuple[str, ...]:
    notes = []
    for wall in (wall for wall in walls if wall.next is not None):
        here, there = done[wall.name], done[str(wall.next)]
        rows, columns = _steps_mm(here, there)
        margin = here.net.across.high_margin_mm + there.net.across.low_margin_mm
        turn = (
            f"the columns are carried on with a step of {columns:.0f} mm"
            if wall.corner == "continue"
            else f"each wall starts afresh, and the two outermost plumb lines are {margin:.0f} mm apart"
        )
        notes.append(f"Corner {wall.name} / {wall.next}: {turn}; the rows meet with a step of {rows:.0f} mm at worst.")
    following = {wall.name: wall.next for wall in walls}
    if len(walls) > 2 and set(following) == set(following.values()):
        notes.append(_closing_words(walls, done))
    if notes:
        notes.append("Corners assume that the walls share one datum level (the same y = 0).")
    return tuple(notes)


def _steps_mm(here: Done, there: Done) -> tuple[float, float]:
    """Worst step between rows, and the step between columns where a row of one wall meets the next."""
    a, b = here.net, there.net
    steps = row_steps_mm(there.ground.frame, b.down, row_mm=a.down.start_mm, down_mm=a.down.repeat_mm)
    j = np.rint((a.down.start_mm - b.down.start_mm) / b.down.repeat_mm)
    across = b.across.repeat_mm
    ahead = a.across.start_mm - here.ground.frame.right.at_mm
    along = ahead - (b.across.start_mm + there.ground.offset_ratio * j * across - there.ground.frame.left.at_mm)
    return float(steps.max()), float(abs(along - np.rint(along / across) * across))


def _closing_words(walls: Sequence[WallEntry], done: Mapping[str, Done]) -> str:
    runs = sum(done[wall.name].ground.frame.run_mm for wall in walls)
    across = float(np.mean([done[wall.name].net.across.repeat_mm for wall in walls]))
    error = runs - round(runs / across) * across
    worst = max(walls, key=lambda wall: _steps_mm(done[wall.name], done[str(wall.next)])[1])
    where = f"{worst.name} / {worst.next}"
    return (
        f"The room's walls run {runs / 1000:.2f} m in all, {runs / across:.2f} repeats: it closes "
        f"with an error of {abs(error):.0f} mm. "
        f"The largest step between columns is at the corner {where}."
    )
