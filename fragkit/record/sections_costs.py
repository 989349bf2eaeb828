"""The report on leaf, time and money."""

from __future__ import annotations

from fragkit.record import plots, words
from fragkit.record.figures import leaf_drawing, staircase_drawing
from fragkit.record.html import Html, Part, aside, bullets, facts, join, paragraph, section, sourced, table, tag
from fragkit.record.study_result import StudyResult
from fragkit.works import HORIZON_YEARS, REPEATED, Assumption, Batch, Size, Spread, TakeOff, WorksPlan, weeks


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


def _leaf(takeoff: TakeOff) -> list[Html | None]:
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
        *([("Cut in parts", takeoff.parting.words)] if takeoff.parting is not None else []),
        ("Offcuts", _scraps(takeoff)),
    ]
    parts: list[Html | None] = [tag("h3", "Leaf, counted by cutting"), facts(rows)]
    pictures: list[Html] = []
    if takeoff.margin_steps:
        stairs = staircase_drawing(takeoff.margin_steps, at=takeoff.margin_mm, unit="mm", label="margin when cutting")
        caption = (
            "Pieces from one leaf against the margin left when cutting; the dashed line is the margin of "
            f"this study, {takeoff.margin_mm:g} mm."
        )
        pictures.append(tag("figure", stairs, tag("figcaption", caption)))
    if takeoff.cutting is not None:
        cut = f"One leaf cut for {words.count(takeoff.cutting.n_pieces, 'motif')}, straight from edge to edge."
        pictures.append(tag("figure", leaf_drawing(takeoff.cutting), tag("figcaption", cut)))
    parts.append(tag("div", *pictures, class_="pair"))
    parts.append(_metals(takeoff))
    parts.append(_assumptions("Assumed for the leaf; overwrite what you know better.", takeoff.assumptions))
    return parts


def _scraps(takeoff: TakeOff) -> Html:
    cut_m2 = takeoff.n_leaves_cut * takeoff.leaf_mm[0] * takeoff.leaf_mm[1] * 1e-6
    text = f"{takeoff.scrap_area_m2:.2g} m² of {cut_m2:.2g} m² cut: keep them for patching; not counted as leaf."
    return sourced(text, "How to apply leaf to walls & ceilings, goldleafsupplies.co.uk")


def _metals(takeoff: TakeOff) -> Html:
    rows = []
    for need in takeoff.metals:
        name: Part = join(need.metal, " ", tag("strong", "(stated)")) if need.stated else need.metal
        mass: Part = "not published"
        if need.mass_g is not None:
            mass = sourced(_range(need.mass_g, "g"), need.mass_source)
        size = f"{need.leaf_mm[0]:g} × {need.leaf_mm[1]:g}"
        leaves = f"{need.n_leaves:,}"
        rows.append([name, size, leaves, f"{need.n_books:,}", mass, sourced(need.tarnish, need.source)])
    head = ["Metal", "Leaf, mm", "Leaves", "Books", "Mass", "How it ages"]
    caption = "The same work in other metals, in their commonest formats. Ask the supplier: no standard exists."
    return table(head, rows, caption=caption, numbers=(1, 2, 3))


def _range(bounds: tuple[float, float], unit: str) -> str:
    low, high = (f"{value:.2g}" for value in bounds)
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _plan(plan: WorksPlan) -> list[Html | None]:
    return [
        tag("h3", "Time"),
        _placeholder(plan),
        facts(_times(plan)),
        plots.learning(plan),
        plots.programme(plan),
        _batches(plan),
        tag("h3", "Materials beside leaf"),
        _materials(plan),
        tag("h3", "Money"),
        _costs(plan),
        plots.drivers(plan),
        *_over_years(plan),
        _assumptions("Assumed for time and money; overwrite what you know better.", plan.assumptions),
    ]


def _placeholder(plan: WorksPlan) -> Html | None:
    if plan.basis != "placeholder":
        return None
    text = " Nobody has timed this motif. The hours rest on a figure without a source."
    return aside(tag("strong", "Placeholder."), text, kind="warning")


def _times(plan: WorksPlan) -> list[tuple[Part, Part]]:
    hours, days = plan.labour_h, plan.days
    fewest, most = (words.two_digits(value) for value in (days.p05, days.p95))
    basis = {"timed trial": "a timed trial", "stated range": "a range stated in the study"}
    return [
        ("Labour", f"{_hours(hours)} (9 in 10), middle {words.two_digits(hours.p50)}"),
        ("Working days", f"{fewest} to {most}, {words.people(plan.crew)} at {plan.hours_per_day:g} h"),
        ("Weeks of five days", f"{weeks(days.p05)} to {weeks(days.p95)}"),
        ("Minutes a motif", f"{plan.minutes_per_motif[0]:.1f} to {plan.minutes_per_motif[2]:.1f}"),
        ("Basis", basis.get(plan.basis, "a placeholder")),
    ]


def _batches(plan: WorksPlan) -> Html:
    rows = [
        [
            join(tag("strong", batch.size.name, " (chosen)") if batch.chosen else batch.size.name, " ", _cite(batch)),
            _open(batch.size),
            f"{batch.n_motifs:,}",
            f"{batch.n_batches:,}",
        ]
        for batch in plan.batches
    ]
    head = ["Size", "Stays open", "Motifs in a batch", "Batches"]
    caption = (
        "What may be sized at once so that it is gilded while the size is open. Cold, damp and the ground change open "
        "times: try the size on site and state open_h."
    )
    return table(head, rows, caption=caption, numbers=(1, 2, 3))


def _cite(batch: Batch) -> Html:
    return tag("small", f"[{batch.size.source}]")


def _materials(plan: WorksPlan) -> Html:
    rows = []
    for need in plan.materials:
        amount: Part = tag("span", "gap", class_="gap")
        if need.quantity is not None:
            amount = f"{_between(need.quantity)} {need.unit}"
        rows.append([need.item, amount, sourced(need.basis, need.source)])
    caption = "Materials from areas (9 in 10). Buy whole units, and state your own coverage in the study."
    return table(["Material", "Quantity", "From"], rows, caption=caption, numbers=(1,))


def _over_years(plan: WorksPlan) -> list[Html | None]:
    if not plan.metals:
        return []
    rows = []
    for one in plan.metals:
        life = "gap" if one.life_years is None else _years(one.life_years)
        again = "gap" if one.n_renewals is None else _whole(one.n_renewals)
        cells: list[Part] = [one.metal, _money(one.leaf), life, again, _money(one.over_horizon), one.gap]
        rows.append([tag("span", cell, class_="gap") if cell == "gap" else cell for cell in cells])
    head = [
        "Metal",
        "Leaf, first time",
        "Life, years",
        "Done again",
        f"Over {HORIZON_YEARS:g} years",
        "Missing",
    ]
    again_too = ", ".join(REPEATED)
    caption = (
        f"Metals side by side at your prices{_in(plan.currency)} (9 in 10), by the life you assume. Each time again: "
        f"leaf and the known lines of {again_too}. Today's prices, no interest."
    )
    sentences = [words.sentence(flip.words) for flip in plan.flips]
    return [
        tag("h3", f"The choice of metal over {HORIZON_YEARS:g} years"),
        table(head, rows, caption=caption, numbers=(1, 2, 3, 4)),
        bullets(sentences) if sentences else None,
        plots.flips(plan),
    ]


def _money(spread: Spread | None) -> str:
    return "gap" if spread is None else _between((spread.p05, spread.p50, spread.p95))


def _years(bounds: tuple[float, float]) -> str:
    low, high = bounds
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _whole(values: tuple[float, float, float]) -> str:
    low, _, high = values
    return f"{low:.0f} times" if low == high else f"{low:.0f} to {high:.0f} times"


def _in(currency: str | None) -> str:
    return f" in {currency}" if currency else ""


def _hours(spread: Spread) -> str:
    return f"{words.two_digits(spread.p05)} to {words.two_digits(spread.p95)} h"


def _open(size: Size) -> str:
    low, high = size.open_h
    return f"{low:g} h" if low == high else f"{low:g} to {high:g} h"


def _costs(plan: WorksPlan) -> Html:
    currency = plan.currency or ""
    rows = []
    for line in plan.costs:
        quantity = "" if line.quantity is None else f"{_between(line.quantity)} {line.unit}"
        price: Part = tag("span", "no price", class_="gap") if line.price is None else f"{line.price:,.2f}"
        amount: Part = tag("span", "gap", class_="gap") if line.amount is None else _between(line.amount)
        rows.append([line.item, quantity, price, amount, line.gap])
    if plan.known_total is not None:
        total = _between((plan.known_total.p05, plan.known_total.p50, plan.known_total.p95))
        rows.append([tag("strong", "Known lines only" if plan.gaps else "Total"), "", "", tag("strong", total), ""])
    caption = f"Costs at your prices{_in(plan.currency)} (9 in 10). A gap is not a zero."
    body = table(["Item", "Quantity", "Price", "Amount", "Missing"], rows, caption=caption, numbers=(1, 2, 3))
    aside_text = f"Set aside beside this: {plan.contingency.low_ratio:.0%} to {plan.contingency.high_ratio:.0%}"
    if plan.contingency.low is not None and plan.contingency.high is not None:
        low, high = (words.two_digits(value) for value in (plan.contingency.low, plan.contingency.high))
        aside_text += f", {low} to {high} {currency} of the known lines"
    return join(body, paragraph(f"{aside_text} ({plan.contingency.source}). It is not in the sum."))


def _between(values: tuple[float, float, float]) -> str:
    low, _, high = values
    if abs(high - low) <= 0.005 * abs(high):
        return f"{values[1]:,.0f}" if values[1] >= 100 else f"{values[1]:,.3g}"
    return f"{words.two_digits(low)} to {words.two_digits(high)}"


def _assumptions(caption: str, assumptions: tuple[Assumption, ...]) -> Html | None:
    rows = [[one.name, one.value, one.source] for one in assumptions]
    return table(["Assumption", "Value", "Source"], rows, caption=caption) if rows else None
