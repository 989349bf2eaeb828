"""Which figures of `plot` stand where in the report."""

from __future__ import annotations

from fragkit.plot import motif as motif_plots
from fragkit.plot import walls
from fragkit.record.figures import embed
from fragkit.record.html import Html, join
from fragkit.record.study_result import StudyResult


def photograph(result: StudyResult, name: str) -> Html | None:
    """Figures of one photograph."""
    return None


def fragment(result: StudyResult, name: str) -> Html | None:
    """Figures of one fragment's net."""
    return None


def technique(result: StudyResult, name: str) -> Html | None:
    """Figures of one weighing of technique."""
    return None


def motif(result: StudyResult) -> Html | None:
    """What the examples of the motif still show."""
    if result.motif is None:
        return None
    return embed(
        motif_plots.support(result.motif),
        alt=f"Map of the motif: how many of its {result.motif.n_examples} examples are undamaged at each "
        "place.",
        caption="How many undamaged examples stand behind each place of the motif.",
    )


def wall(result: StudyResult, name: str) -> Html | None:
    """One wall as it will look, and how certain each motif's place is."""
    if result.layout is None:
        return None
    one = next(wall for wall in result.layout.walls if wall.name == name)
    return join(
        embed(
            walls.elevation(one, result.layout.forms, colours=result.colours),
            alt=f"Elevation of wall {name} with its {one.n_motifs} motifs and its openings.",
            caption=f"Wall {name} as it will look.",
        ),
        embed(
            walls.certainty(one),
            alt=f"Map of wall {name}: a sign for the class of certainty of each motif's place.",
            caption=f"Wall {name}: how certain the place of each motif is. The signs differ in shape as "
            "well as tone.",
        ),
    )
