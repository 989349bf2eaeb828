"""Decisions of a layout, logged: what overrides the evidence, and what was chosen among the alternatives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fragkit.layout.choosing import Choice, chosen_names
from fragkit.layout.costs import COST_WEIGHTS
from fragkit.layout.jobs import Repeat
from fragkit.layout.results import runner_up
from fragkit.layout.scatter import Hand
from fragkit.survey import DecisionEntry, LayoutEntry

BY_COST = "The cheapest by the stated cost."
NO_REASON = "No reason was given."


def log_decisions(
    choices: Mapping[str, Choice], repeat: Repeat, options: LayoutEntry, *, weights: Mapping[str, float], hand: Hand
) -> tuple[DecisionEntry, ...]:
    """Every choice and override of a layout, in the order in which it takes effect."""
    return (
        *_typed(repeat),
        *[_pinned(pin) for pin in options.pinned],
        *_weights(weights),
        *_wishes(options, hand),
        *[_taken(wall, choice, options) for wall, choice in choices.items()],
    )


def _typed(repeat: Repeat) -> Sequence[DecisionEntry]:
    if not repeat.typed:
        return ()
    size = f"{repeat.across_mm:.1f} × {repeat.down_mm:.1f} mm, typed"
    return (DecisionEntry(what="The repeat", choice=size, reason="See the note of the repeat."),)


def _pinned(pin: Mapping[str, object]) -> DecisionEntry:
    return DecisionEntry(
        what=f"Motif ({pin['i']}, {pin['j']}) of wall {pin['wall']}",
        choice=f"held at x = {pin['x_mm']:.0f}, y = {pin['y_mm']:.0f} mm",
        reason=str(pin.get("reason") or NO_REASON),
    )


def _weights(weights: Mapping[str, float]) -> Sequence[DecisionEntry]:
    changed = [
        f"{name}: {weights[name]:g} instead of {usual:g}"
        for name, usual in COST_WEIGHTS.items()
        if weights[name] != usual
    ]
    if not changed:
        return ()
    return (DecisionEntry(what="Weights of the cost", choice="; ".join(changed), reason=NO_REASON),)


def _wishes(options: LayoutEntry, hand: Hand) -> Sequence[DecisionEntry]:
    found = []
    if options.follow != "level":
        drawn = {"edges": "to the visible edges", "fan": "fanning from a level foot to the top edge"}[options.follow]
        found.append(DecisionEntry(what="Rows", choice=drawn, reason=NO_REASON))
    if options.closing is not None:
        choice = f"at the right end of wall {options.closing}"
        found.append(DecisionEntry(what="Closing error", choice=choice, reason=NO_REASON))
    if options.irregularity_ratio > 0:
        share = f"{100 * options.irregularity_ratio:.0f} % of what was measured: {_hand(hand)}; seed {options.seed}"
        reason = "Full-size sheets and offsets only; the lines stay those of the even net."
        found.append(DecisionEntry(what="Hand scatter", choice=share, reason=reason))
    return found


def _hand(hand: Hand) -> str:
    stance = f"{hand.turn_sd_deg:.1f}° in turn, {100 * hand.size_sd_ratio:.1f} % in size (sd)"
    if not (hand.turn_sd_deg or hand.size_sd_ratio):
        stance = "turn and size, which could not be told from reading, none"
    return f"{hand.scatter_sd_mm:.1f} mm in place, {stance}"


def _taken(wall: str, choice: Choice, options: LayoutEntry) -> DecisionEntry:
    other = runner_up(choice.alternatives)
    other_words = "There was no other." if other is None else f"Best of the others: {other.name}: {other.why}."
    named = choice.taken.name in chosen_names(options)
    reason = (options.choice_reason or NO_REASON) if named else BY_COST
    return DecisionEntry(
        what=f"Layout of wall {wall}",
        choice=choice.taken.name,
        reason=f"{reason} {other_words}",
        evidence="Cost of the fit",
    )
