"""Which figures of `plot` stand where in the report."""

from __future__ import annotations

from matplotlib.figure import Figure

from fragkit.layout import WallLayout
from fragkit.plot import alternatives as alternative_plots
from fragkit.plot import as_built as as_built_plots
from fragkit.plot import lattice as lattice_plots
from fragkit.plot import motif as motif_plots
from fragkit.plot import rectify as rectify_plots
from fragkit.plot import technique as technique_plots
from fragkit.plot import walls as wall_plots
from fragkit.plot import works as works_plots
from fragkit.record.as_built import AsBuilt
from fragkit.record.figures import embed
from fragkit.record.html import Html, join
from fragkit.record.study_result import StudyResult, fits_of, regular_areas_by_wall, techniques
from fragkit.works import WorksPlan


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
        lattice_plots.residuals(fits_of(result)[name], name=name),
        alt=f"Fragment {name}: an enlarged arrow at every motif, from its even place to where it was found.",
        caption=f"Fragment {name}: where each motif was found against its place on the even net or row, arrows "
        "enlarged.",
    )


def spacings(result: StudyResult, name: str) -> Html | None:
    """The local spacing of one fragment, by its centres and by its pictures."""
    spacing = result.spacings.get(name)
    if spacing is None:
        return None
    return embed(
        lattice_plots.spacings(spacing, name=name),
        alt=f"Fragment {name}: the spacing of neighbours in windows along the rows and from row to row, with errors.",
        caption=f"Fragment {name}: the spacing from place to place, once from the centres and once from the picture "
        "without them. A slope that both show, and that the intervals do not swallow, is a drift.",
    )


def repeats(result: StudyResult) -> Html | None:
    """The repeat of each fragment beside the pooled one."""
    if result.pooled is None or not result.lattices:
        return None
    return embed(
        lattice_plots.repeats(tuple(result.lattices.values()), result.pooled, names=tuple(result.lattices)),
        alt="The repeat along and across the rows: each fragment, the mean, and a new wall, with 95 % intervals.",
        caption="The repeat of each fragment, their mean, and what a wall not yet seen may have.",
    )


def technique(result: StudyResult, name: str) -> Html:
    """The evidence for each way of placing and forming."""
    return embed(
        technique_plots.evidence(techniques(result)[name]),
        alt="Bars: the evidence for each way of placing and of forming, as odds against the best.",
        caption="Bars: odds of each way against the best one, from the evidence alone; “even” is as good as "
        "the best. In the bars: how probable each is, with what is assumed beforehand.",
    )


def regular_areas(result: StudyResult, name: str) -> Html:
    """Where the motifs are too regular for hand work, and where the net steps aside."""
    one = techniques(result)[name]
    lattices = {key: fit for key, fit in fits_of(result).items() if name in ("", key)}
    return embed(
        technique_plots.regular_areas(lattices, one),
        alt=f"Maps of the fragments' motifs; {len(one.regular_areas)} areas are outlined, {len(one.changes)} lines are "
        "dashed.",
        caption="Outlined: areas that are more regular than the hand of their fragment allows, with how often chance "
        "alone makes one so regular. Dashed: lines beyond which the motifs stand aside by as much as written, to the "
        "right and up. At most one in twenty of such areas and lines is expected to be chance.",
    )


def motif(result: StudyResult) -> Html | None:
    """What the examples of the motif still show."""
    if result.motif is None:
        return None
    return embed(
        motif_plots.support(result.motif),
        alt=f"Map of the motif: how many of its {result.motif.n_examples} examples are undamaged at each place.",
        caption="How many undamaged examples stand behind each place of the motif.",
    )


def wall(result: StudyResult, name: str) -> Html | None:
    """One wall as it will look, and how certain each motif's place is."""
    if result.layout is None:
        return None
    one = next(wall for wall in result.layout.walls if wall.name == name)
    regular = regular_areas_by_wall(result).get(name, [])
    return join(
        *_elevations(result, one),
        embed(
            wall_plots.certainty(one, regular_mm=[outline for _, outline, _ in regular]),
            alt=f"Map of wall {name}: a sign for the class of certainty of each motif's place.",
            caption=f"Wall {name}: how certain the place of each motif is. The signs differ in shape as well as tone."
            + (" Dashed: more regular than the old hand, a repair perhaps; see Technique." if regular else ""),
        ),
    )


def _elevations(result: StudyResult, wall: WallLayout) -> list[Html]:
    """The wall as it will look: new and tarnished where the metal is known, else as in the photographs."""
    forms, metal = result.layout.forms if result.layout is not None else {}, result.survey.works.metal
    if metal is None or metal not in wall_plots.BRIGHT_METALS:
        return [_elevation(wall_plots.elevation(wall, forms, colours=result.colours), wall, "as it will look")]
    new, old = wall_plots.bright_and_tarnished(wall, forms, metal=metal, colours=result.colours)
    return [
        _elevation(new, wall, "with new leaf (its look is a stand-in: metal shows what it mirrors)"),
        _elevation(old, wall, "with tarnished leaf"),
    ]


def _elevation(drawn: Figure, wall: WallLayout, state: str) -> Html:
    return embed(
        drawn,
        alt=f"Elevation of wall {wall.name} with its {wall.n_motifs} motifs and its openings, {state}.",
        caption=f"Wall {wall.name} {state}.",
    )


def alternatives(result: StudyResult, name: str) -> Html | None:
    """The chosen layout of a wall beside the best others."""
    if result.layout is None or sum(one.wall == name for one in result.layout.alternatives) < 2:
        return None
    return embed(
        alternative_plots.side_by_side(result.layout, name),
        alt=f"Wall {name}: the chosen layout and the best others, each with its spacing, motifs to ease, and cost.",
        caption=f"Wall {name}: the alternatives side by side. Crosses are motifs that would have to be eased.",
    )


def learning(plan: WorksPlan) -> Html | None:
    """The timed trial and the curve that it allows."""
    if plan.curve is None:
        return None
    return embed(
        works_plots.learning(plan.curve, n_motifs=max(1, plan.n_motifs // plan.crew)),
        alt=f"Minutes of {plan.curve.n_timed} timed motifs, and the band of curves that they allow.",
        caption="The timed trial and what it allows for the rest of the job. Nobody has seen where the curve ends.",
    )


def programme(plan: WorksPlan) -> Html | None:
    """Walls and lifts in order, as bars over working days."""
    if not plan.programme:
        return None
    return embed(
        works_plots.programme(plan.programme),
        alt="Bars: every wall and scaffold lift in order, in working days, with the late end of each.",
        caption="The programme: wall by wall, from the top lift down, in working days of the whole crew. Preparing the "
        "wall and waiting for it to dry are not in it.",
    )


def drivers(plan: WorksPlan) -> Html | None:
    """What drives the spread of the cost."""
    if plan.known_total is None or not plan.known_total.drivers:
        return None
    return embed(
        works_plots.drivers(plan.known_total),
        alt="Bars: " + "; ".join(f"{name} {100 * share:.0f} %" for name, share in plan.known_total.drivers[:8]),
        caption="What drives the spread of the known lines: better knowledge of the first narrows it most.",
    )


def flips(plan: WorksPlan) -> Html | None:
    """Cost against the price of leaf, and where the choice changes."""
    if not plan.flips:
        return None
    return embed(
        works_plots.flips(plan.flips, currency=plan.currency or ""),
        alt="; ".join(flip.words for flip in plan.flips),
        caption="Cost against the price of leaf. Where the lines cross, the cheaper metal changes; bands hold 9 in 10.",
    )


def as_built(one: AsBuilt) -> Html:
    """How far each motif of the new work is from its place."""
    return embed(
        as_built_plots.deviations(one),
        alt=f"Wall {one.wall}: an enlarged arrow from the place of each motif to where it was made. {one.words}",
        caption="Deviations, enlarged. The signs differ in shape as well as colour.",
    )
