"""Which figures of `plot` stand where in the report."""

from __future__ import annotations

from fragkit.plot import lattice as lattice_plots
from fragkit.plot import motif as motif_plots
from fragkit.plot import rectify as rectify_plots
from fragkit.plot import technique as technique_plots
from fragkit.plot import walls as wall_plots
from fragkit.record.figures import embed
from fragkit.record.html import Html, join
from fragkit.record.study_result import StudyResult, techniques


def photograph(result: StudyResult, name: str) -> Html:
    """How well the control of one photograph agrees, and how the error grows over it."""
    return embed(
        rectify_plots.residuals(result.rectified[name]),
        alt=f"Photograph {name}: an enlarged arrow at every control point, and lines of equal error in mm.",
        caption=f"{name}: each control point against what the others say of it (arrows enlarged), and how "
        "well any point is known, one standard deviation in mm.",
    )


def fragment(result: StudyResult, name: str) -> Html:
    """How far the motifs of one fragment stand from its net."""
    return embed(
        lattice_plots.residuals(result.lattices[name], name=name),
        alt=f"Fragment {name}: an enlarged arrow at every motif, from its place on the net to where it was "
        "found.",
        caption=f"Fragment {name}: where each motif was found against its place on the net, arrows enlarged.",
    )


def repeats(result: StudyResult) -> Html | None:
    """The repeat of each fragment beside the pooled one."""
    if result.pooled is None or not result.lattices:
        return None
    return embed(
        lattice_plots.repeats(tuple(result.lattices.values()), result.pooled, names=tuple(result.lattices)),
        alt="The repeat along and across the rows: each fragment, the mean, and a new wall, with 95 % "
        "intervals.",
        caption="The repeat of each fragment, their mean, and what a wall not yet seen may have.",
    )


def technique(result: StudyResult, name: str) -> Html:
    """The evidence for each way of placing and forming."""
    return embed(
        technique_plots.evidence(techniques(result)[name]),
        alt="Bars: the evidence for each way of placing and of forming, as powers of ten below the best.",
        caption="The evidence for each way, as powers of ten below the best, and how such evidence fares on "
        "simulated sets of these very sites.",
    )


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
            wall_plots.elevation(one, result.layout.forms, colours=result.colours),
            alt=f"Elevation of wall {name} with its {one.n_motifs} motifs and its openings.",
            caption=f"Wall {name} as it will look.",
        ),
        embed(
            wall_plots.certainty(one),
            alt=f"Map of wall {name}: a sign for the class of certainty of each motif's place.",
            caption=f"Wall {name}: how certain the place of each motif is. The signs differ in shape as "
            "well as tone.",
        ),
    )
