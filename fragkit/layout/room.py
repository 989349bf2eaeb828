"""The room laid out: rows fitted together, wall after wall, corners carried on, alternatives ranked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from fragkit.layout.choosing import Choice, choose, chosen_names
from fragkit.layout.corners import (
    Laid,
    Ring,
    closing_wall,
    closing_words,
    corners_of,
    find_rings,
    join_words,
    laying_order,
    make_join,
)
from fragkit.layout.costs import COST_WEIGHTS, cost_weights
from fragkit.layout.decisions import log_decisions
from fragkit.layout.easing import wall_rules
from fragkit.layout.evidence import gather
from fragkit.layout.finishing import finish
from fragkit.layout.fits import Fit
from fragkit.layout.frames import straighten
from fragkit.layout.grounds import Ground
from fragkit.layout.insets import insets_of
from fragkit.layout.jobs import Job, Repeat, adopt_repeat
from fragkit.layout.joint import fit_rows
from fragkit.layout.nets import Offers, find_offers
from fragkit.layout.results import Alternative, Join, Layout, Outlines, PlacedCentres, WallLayout
from fragkit.layout.scatter import Hand
from fragkit.layout.shapes import WHOLE, Form, make_form, reshaped_forms
from fragkit.survey import LayoutEntry, WallEntry

if TYPE_CHECKING:
    from fragkit.lattice import Pooled
    from fragkit.motifs import Motif


@dataclass(frozen=True, eq=False)
class _Plan:
    walls: Mapping[str, WallEntry]
    repeat: Repeat
    forms: tuple[Form, ...]
    fragments: Sequence[PlacedCentres]
    options: LayoutEntry
    weights: Mapping[str, float]
    hand: Hand

    @property
    def with_evidence(self) -> list[str]:
        """Walls that carry surviving motifs."""
        return [name for name in self.walls if any(placed.wall == name for placed in self.fragments)]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Room:
    """Walls that meet, chosen and with their corners."""

    ring: Ring
    choices: Mapping[str, Choice]
    joins: Mapping[str, Join]

    def notes(self) -> tuple[str, ...]:
        """What is to be said of the corners."""
        words = [join_words(join) for join in self.joins.values()]
        if self.ring.closed and len(self.ring.names) > 2:
            words.append(closing_words(self.ring, {name: _laid(c) for name, c in self.choices.items()}, self.joins))
        if words:
            words.append("Corners assume that the walls share one datum level (the same y = 0).")
        return tuple(words)


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
    For each wall all whole counts whose repeat lies within the interval, and the nearest on either side, are
    priced for every phase worth having; the cheapest pair is found by branch and bound and so is the optimum of
    that list. The rows of walls that meet are fitted together, since one datum level runs round the room; then
    the walls are taken outwards from those with surviving motifs, and columns carried on where a corner says so.
    """
    options = options or LayoutEntry()
    named = {wall.name: wall for wall in walls}
    _check(walls, fragments, options)
    adopted, notes = adopt_repeat(repeat)
    priced = cost_weights(weights, options.weights)
    plan = _Plan(named, adopted, _forms(motif), fragments, options, priced, _hand(repeat, motif, options))
    initials = wall_initials(list(named))
    rooms = [_choose_room(plan, ring, initials) for ring in find_rings(walls)]
    choices = {name: next(room.choices[name] for room in rooms if name in room.choices) for name in named}
    joins = {name: join for room in rooms for name, join in room.joins.items()}
    _check_choice(options, [a for choice in choices.values() for a in choice.alternatives])
    return Layout(
        walls=tuple(_finish(plan, choice, initials[name]) for name, choice in choices.items()),
        alternatives=tuple(a for choice in choices.values() for a in choice.alternatives),
        forms={form.name: form.outlines for form in plan.forms},
        joins=tuple(joins[name] for name in named if name in joins),
        decisions=log_decisions(choices, adopted, options, weights=priced, hand=plan.hand),
        scatter_seed=options.seed if options.irregularity_ratio > 0 else None,
        notes=(*notes, *_form_notes(plan), *(note for room in rooms for note in room.notes())),
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
        "the closing error": [options.closing] if options.closing is not None else [],
        "a panel": [panel["wall"] for panel in options.panels],
    }
    for what, wanted in asked.items():
        unknown = sorted(set(wanted) - set(names))
        if unknown:
            raise ValueError(
                f"{what} names the wall {unknown[0]!r}, which is not among {names}; correct one of the two."
            )


def _check_choice(options: LayoutEntry, alternatives: Sequence[Alternative]) -> None:
    known = [alternative.name for alternative in alternatives]
    unknown = [name for name in chosen_names(options) if name not in known]
    if unknown:
        raise ValueError(f"The chosen layout {unknown[0]!r} is not on offer; on offer are {', '.join(known)}.")


def motif_forms(motif: Motif) -> dict[str, Outlines]:
    """Outlines by layer of every form of the motif, by name; "whole" first."""
    return {form.name: form.outlines for form in _forms(motif)}


def _forms(motif: Motif) -> tuple[Form, ...]:
    layers = motif.outlines.items()
    return _forms_of(
        tuple((name, tuple(np.asarray(ring, float).tobytes() for ring in rings)) for name, rings in layers)
    )


@lru_cache(maxsize=4)
def _forms_of(layers: tuple[tuple[str, tuple[bytes, ...]], ...]) -> tuple[Form, ...]:
    """The forms of a motif by the content of its outlines: a room is laid out many times while it is tuned."""
    outlines = {name: tuple(np.frombuffer(ring).reshape(-1, 2) for ring in rings) for name, rings in layers}
    whole = make_form(WHOLE, outlines)
    return (whole, *reshaped_forms(whole))


def _hand(repeat: Pooled, motif: Motif, options: LayoutEntry) -> Hand:
    """The share of the old hand's scatter, turn and size that is to be reproduced."""
    share, stance = options.irregularity_ratio, getattr(motif, "stance", None)
    return Hand(
        scatter_sd_mm=share * repeat.residual_sd_mm,
        turn_sd_deg=share * stance.turn_sd_deg if stance is not None else 0.0,
        size_sd_ratio=share * stance.size_sd_ratio if stance is not None else 0.0,
    )


def _form_notes(plan: _Plan) -> tuple[str, ...]:
    reshape = any(edge.rule == "reshape" for wall in plan.walls.values() for edge in wall.edges)
    if not reshape or len(plan.forms) > 1:
        return ()
    return (
        "The motif is one piece of metal with no lobes to leave out whole: where an edge says "
        "reshape, it is reduced or left out.",
    )


def _choose_room(plan: _Plan, ring: Ring, initials: Mapping[str, str]) -> _Room:
    """The net of every wall of a ring: rows of all walls together, then wall after wall with its corners."""
    jobs = {name: _job(plan, plan.walls[name]) for name in ring.names}
    offers = {name: find_offers(job) for name, job in jobs.items()}
    rows = _rows_together(ring, jobs, offers)
    first = plan.with_evidence
    closing = closing_wall(ring, first=first, closing=plan.options.closing)
    choices: dict[str, Choice] = {}
    for name in laying_order(ring, first=first, closing=plan.options.closing):
        corners = corners_of(
            plan.walls[name],
            plan.walls,
            grounds={name: job.ground for name, job in jobs.items()},
            rows=rows,
            done={name: _laid(choice) for name, choice in choices.items()},
            closing=closing,
        )
        job = replace(jobs[name], ground=replace(jobs[name].ground, corners=corners))
        level = [rows[name]] if name in rows else []
        choices[name] = choose(job, offers[name], plan.options, rows=level, initials=initials[name])
    laid = {name: _laid(choice) for name, choice in choices.items()}
    joins = {
        name: make_join(wall, laid[name], laid[str(wall.next)], closing=closing, viewing_mm=plan.options.viewing_mm)
        for name, wall in ((name, plan.walls[name]) for name in ring.names)
        if wall.next in laid
    }
    return _Room(ring=ring, choices=choices, joins=joins)


def _rows_together(ring: Ring, jobs: Mapping[str, Job], offers: Mapping[str, Offers]) -> dict[str, Fit]:
    if len(ring.names) < 2:
        return {}
    fits = fit_rows([jobs[n] for n in ring.names], [offers[n] for n in ring.names], closed=ring.closed)
    return dict(zip(ring.names, fits, strict=True))


def _laid(choice: Choice) -> Laid:
    return Laid(ground=choice.taken.job.ground, net=choice.taken.net)


def _job(plan: _Plan, wall: WallEntry) -> Job:
    repeat, options, free = plan.repeat, plan.options, insets_of(wall, plan.forms)
    ground = Ground(
        wall=wall,
        frame=straighten(wall),
        insets=free,
        rules=wall_rules(wall, repeat_mm=min(repeat.across_mm, repeat.down_mm)),
        whole=plan.forms[0],
        offset_ratio=repeat.offset_ratio,
        follow=options.follow,
        eye_mm=options.eye_mm,
    )
    return Job(
        ground=ground,
        evidence=gather(wall, plan.fragments, options.pinned),
        repeat=repeat,
        on_axis=options.on_axis,
        forms=plan.forms,
        weights=plan.weights,
        hand=plan.hand,
    )


def _finish(plan: _Plan, choice: Choice, initials: str) -> WallLayout:
    taken, number = choice.taken, list(plan.walls).index(choice.taken.job.ground.wall.name)
    options = plan.options
    rng = np.random.default_rng([options.seed, number]) if options.irregularity_ratio > 0 else None
    layout = finish(taken.job, taken.net, initials=initials, rng=rng)
    return replace(layout, notes=(*layout.notes, *choice.refused))
