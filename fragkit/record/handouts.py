"""Sheets to print and fill in: the order list, the stopwatch form, and the care sheet for whoever cleans the room."""

from __future__ import annotations

from fragkit.record.html import Html, Part, aside, bullets, facts, join, paragraph, sourced, table, tag
from fragkit.record.sheet import sheet
from fragkit.record.study_result import StudyResult
from fragkit.record.tables import csv_text
from fragkit.works import DEFERENCE, MIN_TIMED, MaterialNeed, TakeOff, WorksPlan, metal_in

N_TIMED = 40
N_BATCHES = 6

_COMMON = "common practice, not confirmed by a source"


def order_list(result: StudyResult) -> str:
    """What to order, with empty columns for supplier, batch number and date."""
    takeoff, plan = result.takeoff, result.works
    parts: list[Html | None] = [_placeholder(plan)]
    if takeoff is not None:
        parts += [tag("h2", "Leaf"), facts(_leaf_facts(takeoff)), _empty(_LEAF_HEAD, N_BATCHES, _LEAF_CAPTION)]
        warnings = [note for note in takeoff.notes if "format" in note.casefold() or "metal" in note.casefold()]
        parts += [bullets(warnings) if warnings else None]
    if plan is not None:
        head = ["Material", "Order", "From", "Batch", "Date"]
        caption = "Whole units, rounded up from the upper end of the estimate (19 in 20)."
        parts += [tag("h2", "Other materials"), table(head, _materials(plan), caption=caption, numbers=(1,))]
    if result.layout is not None:
        rows = [[wall.name, f"{wall.n_motifs:,}", "", "", ""] for wall in result.layout.walls]
        head = ["Wall", "Motifs", "Leaf batch", "Size batch", "Dates"]
        caption = "Which batch went where: fill in while working; the record is worth as much as the leaf."
        parts += [tag("h2", "Batches on the wall"), table(head, rows, caption=caption, numbers=(1,))]
    return sheet(result.survey, "Order list", *parts, _cautions(plan))


def order_csv(takeoff: TakeOff | None, plan: WorksPlan | None) -> str:
    """The order list as a table with empty cells to fill in."""
    rows: list[list[str | float | None]] = []
    if takeoff is not None:
        size = f"{takeoff.leaf_mm[0]:g} × {takeoff.leaf_mm[1]:g} mm, {takeoff.leaves_per_book} a book"
        rows.append([f"{takeoff.metal or 'leaf, metal not settled'}, {size}", takeoff.n_books, "book"])
    if plan is not None:
        rows += [
            [need.item, _rounded_up(need.quantity[2]), need.unit]
            for need in plan.materials
            if need.quantity is not None
        ]
    header = ["item", "order", "unit", "supplier", "batch_number", "received", "wall"]
    return csv_text(header, [[*row, None, None, None, None] for row in rows])


def stopwatch_form(result: StudyResult) -> str:
    """A form for timing a trial panel motif by motif; its last column goes into trial.csv."""
    rules = (
        f"Time every motif from marking to checking, one after the other, at least {MIN_TIMED}, better {N_TIMED}.",
        "Number them 1, 2, 3 … in the order of work. Leave none out, not the bad ones either.",
        "Let the clock run when you are called away: such minutes belong to the job. Say so under Remarks.",
        "One person to a form. Note who, which size, and how warm and damp the room was.",
        "At the end copy the columns Motif and Minutes into trial.csv (motif,minutes), name it under [works] as trial, "
        "and run the study again.",
    )
    head = ["Motif", "Begun", "Done", "Minutes", "Remarks"]
    rows = [[f"{k}", "", "", "", ""] for k in range(1, N_TIMED + 1)]
    blanks: list[tuple[Part, Part]] = [
        (name, "")
        for name in (
            "Who",
            "Date and place",
            "Size, and time it was laid",
            "Temperature, humidity",
            "Stayed open until",
        )
    ]
    form = tag("div", table(head, rows, caption="Minutes with a decimal point, such as 9.5."), class_="form")
    return sheet(
        result.survey,
        "Stopwatch form for the trial panel",
        bullets(rules),
        facts(blanks),
        form,
        _cautions(result.works),
    )


def trial_csv() -> str:
    """An empty trial table: fill in the minutes, remove the rows that were not timed."""
    return csv_text(["motif", "minutes"], [[k, None] for k in range(1, N_TIMED + 1)])


def care_sheet(result: StudyResult) -> str:
    """What whoever cleans the room later must know: what the metal is, what never to do, when to call someone."""
    takeoff = result.takeoff
    metal = metal_in(takeoff.metal) if takeoff is not None and takeoff.metal is not None else None
    known: list[tuple[Part, Part]] = []
    if takeoff is not None:
        ages = (
            sourced(metal.tarnish, metal.tarnish_source)
            if metal is not None
            else "not known: ask before anything is done"
        )
        known = [
            ("Leaf", takeoff.metal or "metal not settled"),
            ("How it ages", ages),
            ("Leaf put aside for repair", f"{takeoff.n_leaves_reserve:,} leaves of the same batch"),
        ]
    life = _life(result, None if metal is None else metal.name)
    if life:
        known.append(("Expected to last", life))
    known += [
        (name, "")
        for name in ("Laid by, date", "Leaf batch", "Size, coating", "Reserve kept at", "Call this conservator")
    ]
    never = (
        "No water, no spray, no steam: ground and shadow may be distemper, which a damp cloth takes off.",
        "No metal polish, no abrasive, no solvent, no household cleaner: leaf is thinner than a thousandth of a "
        "millimetre and comes off at once.",
        "No adhesive tape, no pins, no furniture against the wall; do not touch leaf with bare hands.",
        "No wool, felt or rubber, no coal or gas fire in the room: their sulphur blackens silver and copper.",
    )
    do = (
        "Dust at most once a year, with a soft, dry, clean brush that hardly touches, and only where nothing flakes.",
        "Look at every wall once a year in the same light, and photograph the same places with a scale.",
        "Dark spots, lifting edges, powder on the skirting, new cracks or damp: touch nothing, call the conservator.",
        "Keep a list: date, what was seen, what was done, by whom.",
    )
    old = "Which motifs are old and which are new stands in report.html and layout.csv; keep them with this sheet."
    return sheet(
        result.survey,
        "Care sheet",
        facts(known),
        tag("h2", "Never"),
        bullets(never),
        tag("h2", "Once a year"),
        bullets(do),
        paragraph(tag("small", f"[both lists: {_COMMON}; what the conservator in charge says comes first]")),
        paragraph(old),
        _empty(["Date", "Seen", "Done", "By"], 10, "Log."),
        _cautions(result.works),
    )


_LEAF_HEAD = ["Supplier", "Books", "Leaf, mm", "Batch number", "Received"]
_LEAF_CAPTION = "One supplier, one format, one batch if it can be had: two batches differ in tint."


def _leaf_facts(takeoff: TakeOff) -> list[tuple[Part, Part]]:
    size = f"{takeoff.leaf_mm[0]:g} × {takeoff.leaf_mm[1]:g} mm, {takeoff.leaves_per_book} in a book"
    allowances = f"{takeoff.n_leaves_spoilt:,} for torn leaves, {takeoff.n_leaves_reserve:,} kept for repair"
    return [
        ("Leaf", sourced(f"{takeoff.metal or 'metal not settled'}: {size}", takeoff.format_source)),
        ("Order", tag("strong", f"{takeoff.n_books:,} books ({takeoff.n_leaves:,} leaves)")),
        ("Of these", f"{takeoff.n_leaves_cut:,} cut for {takeoff.n_motifs:,} motifs, {allowances}"),
        ("Cut so", takeoff.next_step),
    ]


def _materials(plan: WorksPlan) -> list[list[Part]]:
    return [
        [need.item, _order(need), sourced(need.basis, need.source), "", ""]
        for need in plan.materials
        if need.quantity is not None
    ]


def _order(need: MaterialNeed) -> str:
    amount = 0.0 if need.quantity is None else _rounded_up(need.quantity[2])
    plural = "" if amount <= 1 or need.unit in ("kg", "m", "m2") else "s"
    return f"{amount:g} {need.unit}{plural}"


def _rounded_up(value: float) -> float:
    """Up to the next tenth below 1, to the next whole unit above."""
    step = 0.1 if value < 1 else 1.0
    return round(-(-value // step) * step, 1)


def _life(result: StudyResult, metal: str | None) -> str:
    rows = result.works.metals if result.works is not None else ()
    years = next((one.life_years for one in rows if one.metal == metal and one.life_years), None)
    if years is None:
        return ""
    span = f"{years[0]:g}" if years[0] == years[1] else f"{years[0]:g} to {years[1]:g}"
    return f"{span} years, as assumed in the study"


def _empty(head: list[str], n_rows: int, caption: str) -> Html:
    rows = [["", *([""] * (len(head) - 1))] for _ in range(n_rows)]
    return tag("div", table(list(head), rows, caption=caption), class_="form")


def _placeholder(plan: WorksPlan | None) -> Html | None:
    if plan is None or plan.basis != "placeholder":
        return None
    return aside(tag("strong", "Time the trial panel first: "), "the hours in the report are a placeholder.")


def _cautions(plan: WorksPlan | None) -> Html | None:
    if plan is None:
        return None
    rows = [join(tag("strong", f"{one.hazard}. "), sourced(one.advice, one.source)) for one in plan.cautions]
    return join(tag("h2", "Cautions"), aside(tag("strong", DEFERENCE)), bullets(rows))
