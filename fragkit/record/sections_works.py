"""The report on the work: walls, leaf and costs, cautions, decisions, doubts, methods."""

from __future__ import annotations

from collections import Counter
from typing import Any

from fragkit.record import plots, words
from fragkit.record.figures import certainty_bar, leaf_drawing, staircase_drawing
from fragkit.record.html import Html, Part, aside, bullets, facts, join, paragraph, section, table, tag
from fragkit.record.results import all_notes
from fragkit.record.sources import METHODS, SOURCES
from fragkit.record.study_result import StudyResult

_SHOWN_ALTERNATIVES = 5
_SHOWN_LEFT_OUT = 4


def walls(result: StudyResult) -> Html:
    """Every wall: numbers, certainty, setting-out, ranked alternatives."""
    if result.layout is None:
        text = "The study has no walls, or no repeat to lay out on them: it ends here, and that is a result."
        return section("The walls", paragraph(text), key="walls")
    total = (
        f"{words.count(result.layout.n_motifs, 'motif')} on {words.count(len(result.layout.walls), 'wall')}."
    )
    parts: list[Html | None] = [paragraph(total)]
    rows = [_wall_row(wall) for wall in result.layout.walls]
    head = ["Wall", "Motifs", "Left out", "Spacing, mm", "Against the measured repeat", "Largest gap"]
    caption = "The layout. The largest gap is given in repeats: 1 is a full repeat."
    parts.append(table(head, rows, caption=caption, numbers=(1, 2, 3, 4, 5)))
    parts += [_wall(result, wall) for wall in result.layout.walls]
    return section("The walls", *parts, key="walls")


def _wall_row(wall: Any) -> list[str]:
    strain = " / ".join(f"{100 * float(part):+.2f} %" for part in wall.strain_ratio)
    spacing = f"{wall.across_mm:.1f} × {wall.down_mm:.1f}"
    gap = f"{wall.max_edge_gap_ratio:.2f}"
    return [wall.name, f"{wall.n_motifs:,}", f"{len(wall.dropped)}", spacing, strain, gap]


def _wall(result: StudyResult, wall: Any) -> Html:
    ordered = words.by_class(wall.position_class)
    kinds = {name: words.kind_of(name) for name in ordered}
    forms = Counter(wall.form)
    rows: list[tuple[Part, Part]] = [
        ("On the axis", wall.on_axis),
        ("Forms", "; ".join(f"{number:,} {form}" for form, number in forms.most_common(8))),
    ]
    setting = _setting_of(result, wall.name)
    if setting is not None:
        rows.append(("Everything is measured from", setting.datum))
    forecast = getattr(getattr(setting, "forecast", None), "words", "") if setting is not None else ""
    left_out = [f"Site {i}, {j}: {reason}" for i, j, _, reason in wall.dropped[:_SHOWN_LEFT_OUT]]
    more = len(wall.dropped) - len(left_out)
    return join(
        tag("h3", f"Wall {wall.name}"),
        certainty_bar(ordered, kinds) if ordered else None,
        plots.wall(result, wall.name),
        facts(rows),
        paragraph(forecast) if forecast else None,
        join(paragraph("Left out:"), bullets(left_out)) if left_out else None,
        paragraph(f"… and {more} more, in results.json.") if more > 0 else None,
        _alternatives(result, wall.name),
    )


def _setting_of(result: StudyResult, name: str) -> Any:
    settings = result.setting.walls if result.setting is not None else ()
    return next((one for one in settings if one.name == name), None)


def _alternatives(result: StudyResult, name: str) -> Html | None:
    alternatives = result.layout.alternatives if result.layout is not None else ()
    found = [one for one in alternatives if one.wall == name]
    if not found:
        return None
    rows = [
        [
            join(one.name, " ", tag("strong", "(chosen)")) if one.chosen else one.name,
            f"{one.n_motifs:,}",
            f"{one.across_mm:.1f} × {one.down_mm:.1f}",
            one.on_axis,
            f"{one.cost:.2f}",
            one.why,
        ]
        for one in found[:_SHOWN_ALTERNATIVES]
    ]
    better = "a lower cost fits better; sites are counted before any is left out"
    caption = f"Ranked alternatives for wall {name}: {better}."
    head = ["Layout", "Sites", "Spacing, mm", "On the axis", "Cost", "Why"]
    return table(head, rows, caption=caption, numbers=(1, 2, 4))


def works(result: StudyResult) -> Html:
    """Leaf, labour and costs, with their gaps."""
    parts: list[Html | None] = []
    if result.takeoff is not None:
        parts += _leaf(result.takeoff)
    if result.works is not None:
        parts += _plan(result.works)
    if not parts:
        parts = [paragraph("Nothing is laid out, so there is nothing to order and nobody to pay.")]
    return section("Leaf, time and money", *parts, key="works")


def _leaf(takeoff: Any) -> list[Html | None]:
    leaf = f"{takeoff.leaf_mm[0]:g} × {takeoff.leaf_mm[1]:g} mm, {takeoff.leaves_per_book} in a book"
    allowances = f"{takeoff.n_leaves_spoilt:,} torn, {takeoff.n_leaves_reserve:,} kept for repair"
    rows: list[tuple[Part, Part]] = [
        ("Motifs", f"{takeoff.n_motifs:,}"),
        ("Leaf", f"{takeoff.metal or 'metal not stated'}: {leaf} ({takeoff.format_source})"),
        ("Leaves by cutting", f"{takeoff.n_leaves_cut:,}"),
        ("Allowances", allowances),
        ("To order", f"{takeoff.n_leaves:,} leaves, {words.count(takeoff.n_books, 'book')}"),
        ("By area alone it would be", f"{takeoff.n_leaves_by_area:,.0f} leaves: never order by area"),
        ("The staircase", takeoff.next_step),
    ]
    parts: list[Html | None] = [tag("h3", "Leaf, counted by cutting"), facts(rows)]
    pictures: list[Html] = []
    if takeoff.margin_steps:
        stairs = staircase_drawing(
            takeoff.margin_steps, at=takeoff.margin_mm, unit="mm", label="margin when cutting"
        )
        caption = (
            "Pieces from one leaf against the margin left when cutting; the dashed line is the margin of "
            f"this study, {takeoff.margin_mm:g} mm."
        )
        pictures.append(tag("figure", stairs, tag("figcaption", caption)))
    if takeoff.cutting is not None:
        cut = (
            f"One leaf cut for {words.count(takeoff.cutting.n_pieces, 'motif')}, straight from edge to edge."
        )
        pictures.append(tag("figure", leaf_drawing(takeoff.cutting), tag("figcaption", cut)))
    parts.append(tag("div", *pictures, class_="pair"))
    parts.append(_metals(takeoff))
    parts.append(_assumptions("Assumed for the leaf; overwrite what you know better.", takeoff.assumptions))
    return parts


def _metals(takeoff: Any) -> Html:
    rows = []
    for need in takeoff.metals:
        name: Part = join(need.metal, " ", tag("strong", "(stated)")) if need.stated else need.metal
        mass = "not published" if need.mass_g is None else _range(need.mass_g, "g")
        size = f"{need.leaf_mm[0]:g} × {need.leaf_mm[1]:g}"
        rows.append([name, size, f"{need.n_books:,}", mass, _sourced(need.tarnish, need.source)])
    head = ["Metal", "Leaf, mm", "Books", "Mass", "How it ages"]
    caption = (
        "The same work in other metals, in their commonest formats. Ask the supplier: no standard exists."
    )
    return table(head, rows, caption=caption, numbers=(1, 2, 3))


def _sourced(text: str, source: str) -> Html:
    return join(text, " ", tag("small", f"[{source}]"))


def _range(bounds: tuple[float, float], unit: str) -> str:
    low, high = (f"{value:.2g}" for value in bounds)
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _plan(plan: Any) -> list[Html | None]:
    hours, days = plan.labour_h, plan.days
    fewest, most = (words.round_hours(value) for value in (days.p05, days.p95))
    rows: list[tuple[Part, Part]] = [
        ("Labour", f"{_hours(hours)} (9 in 10), middle {words.round_hours(hours.p50)}"),
        (
            "Working days",
            f"{fewest} to {most}, {words.people(plan.crew)} at {plan.hours_per_day:g} h",
        ),
        ("Minutes a motif", f"{plan.minutes_per_motif[0]:.1f} to {plan.minutes_per_motif[2]:.1f}"),
        ("Basis", "a timed trial" if plan.basis == "timed trial" else "a placeholder"),
    ]
    warning = None
    if plan.basis == "placeholder":
        text = " Nobody has timed this motif. The hours rest on a figure without a source."
        warning = aside(tag("strong", "Placeholder."), text, kind="warning")
    batches = [
        [
            _sourced(batch.size.name, batch.size.source),
            _open(batch.size),
            f"{batch.n_motifs:,}",
            f"{batch.n_batches:,}",
        ]
        for batch in plan.batches
    ]
    head = ["Size", "Stays open", "Motifs in a batch", "Batches"]
    caption = "What may be sized at once so that it is gilded while the size is open."
    return [
        tag("h3", "Time"),
        warning,
        facts(rows),
        table(head, batches, caption=caption, numbers=(1, 2, 3)),
        tag("h3", "Money"),
        _costs(plan),
        _assumptions("Assumed for time and money.", plan.assumptions),
    ]


def _hours(spread: Any) -> str:
    return f"{words.round_hours(spread.p05)} to {words.round_hours(spread.p95)} h"


def _open(size: Any) -> str:
    low, high = size.open_h
    return f"{low:g} h" if low == high else f"{low:g} to {high:g} h"


def _costs(plan: Any) -> Html:
    currency = plan.currency or ""
    rows = []
    for line in plan.costs:
        quantity = "" if line.quantity is None else f"{_between(line.quantity)} {line.unit}"
        price: Part = tag("span", "no price", class_="gap") if line.price is None else f"{line.price:,.2f}"
        amount: Part = tag("span", "gap", class_="gap") if line.amount is None else _between(line.amount)
        rows.append([line.item, quantity, price, amount, line.gap])
    if plan.known_total is not None:
        total = _between((plan.known_total.p05, plan.known_total.p50, plan.known_total.p95))
        rows.append(
            [tag("strong", "Known lines only" if plan.gaps else "Total"), "", "", tag("strong", total), ""]
        )
    caption = f"Costs at your prices{f' in {currency}' if currency else ''} (9 in 10). A gap is not a zero."
    body = table(["Item", "Quantity", "Price", "Amount", "Missing"], rows, caption=caption, numbers=(1, 2, 3))
    aside_text = (
        f"Set aside beside this: {plan.contingency.low_ratio:.0%} to {plan.contingency.high_ratio:.0%}"
    )
    if plan.contingency.low is not None:
        low, high = (words.round_hours(value) for value in (plan.contingency.low, plan.contingency.high))
        aside_text += f", {low} to {high} {currency} of the known lines"
    return join(body, paragraph(f"{aside_text} ({plan.contingency.source}). It is not in the sum."))


def _between(values: tuple[float, float, float]) -> str:
    low, _, high = values
    if abs(high - low) <= 0.005 * abs(high):
        return f"{values[1]:,.0f}" if values[1] >= 100 else f"{values[1]:,.3g}"
    return f"{words.round_hours(low)} to {words.round_hours(high)}"


def _assumptions(caption: str, assumptions: tuple[Any, ...]) -> Html | None:
    rows = [[one.name, one.value, one.source] for one in assumptions]
    return table(["Assumption", "Value", "Source"], rows, caption=caption) if rows else None


def cautions(result: StudyResult) -> Html | None:
    """What can hurt people or the building."""
    if result.works is None:
        return None
    rows = [[one.hazard, _sourced(one.advice, one.source)] for one in result.works.cautions]
    body = table(["Hazard", "What to do"], rows, caption="Before anyone starts.")
    deference = aside(tag("strong", result.works.deference), kind="warning")
    return section("Cautions", deference, body, key="cautions")


def decisions(result: StudyResult) -> Html:
    """Decisions on record; those without evidence by themselves."""
    rows = [
        [one.what, one.choice, one.reason, one.evidence or "none", one.who or "", one.date or ""]
        for one in result.survey.decisions
    ]
    head = ["What", "Choice", "Reason", "Evidence", "Who", "When"]
    bare = [f"{one.what}: {one.choice}" for one in result.survey.decisions if not one.evidence]
    parts = [
        table(head, rows, caption="Decisions on record.") if rows else paragraph("No decision is on record."),
        tag("h3", "Decisions that rest on no evidence"),
        bullets(bare, empty="None."),
    ]
    return section("Decisions", *parts, key="decisions")


def doubts(result: StudyResult) -> Html:
    """Every doubt that any stage raised."""
    grouped: dict[str, list[str]] = {}
    for about, text in all_notes(result):
        grouped.setdefault(text, []).append(about)
    items = [join(tag("strong", f"{_listed(abouts)}: "), text) for text, abouts in grouped.items()]
    return section("Every doubt that was raised", bullets(items, empty="None was."), key="doubts")


def _listed(abouts: list[str]) -> str:
    text = ", ".join(dict.fromkeys(abouts))
    return text[:1].upper() + text[1:]


def methods(result: StudyResult) -> Html:
    """How it was done, what it rests on, and what it was made from."""
    how = [join(tag("strong", f"{name}. "), text) for name, text in METHODS]
    made = [
        (name, str(value))
        for name, value in result.provenance.items()
        if isinstance(value, (str, int, float))
    ]
    files = [[name, tag("code", digest)] for name, digest in sorted(result.survey.sources.items())]
    return section(
        "Methods and sources",
        bullets(how),
        tag("h3", "Sources"),
        bullets(SOURCES),
        tag("h3", "Where this record comes from"),
        facts(made),
        table(["File read", "SHA-256"], files, caption="The files this record was made from.")
        if files
        else None,
        key="methods",
    )
