"""The report on the work: walls, cautions, decisions, doubts, methods."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from fragkit.layout import arcsec_words
from fragkit.record import plots, words
from fragkit.record.figures import certainty_bar
from fragkit.record.html import Html, Part, aside, bullets, facts, join, paragraph, section, sourced, table, tag
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
    total = f"{words.count(result.layout.n_motifs, 'motif')} on {words.count(len(result.layout.walls), 'wall')}."
    parts: list[Html | None] = [paragraph(total)]
    rows = [_wall_row(wall) for wall in result.layout.walls]
    head = ["Wall", "Motifs", "Left out", "Spacing, mm", "Against the measured repeat", "Largest gap"]
    caption = "The layout. The largest gap is given in repeats: 1 is a full repeat."
    parts.append(table(head, rows, caption=caption, numbers=(1, 2, 3, 4, 5)))
    parts += [_corners(result.layout.joins), *(_wall(result, wall) for wall in result.layout.walls)]
    parts.append(_choices(result))
    return section("The walls", *parts, key="walls")


def _corners(joins: Sequence[Any]) -> Html | None:
    """Steps at the corners, in mm and in seconds of arc from where they are seen."""
    if not joins:
        return None
    rows = [
        [
            f"{join.wall} / {join.next}",
            join.turn,
            _step(join.row_step_mm, join.row_step_arcsec),
            "–" if join.column_step_mm is None else _step(join.column_step_mm, join.column_step_arcsec),
            f"{join.margin_mm:.0f}",
        ]
        for join in joins
    ]
    head = ["Corner", "Columns", "Worst step of rows", "Step of columns", "Last line to first, mm"]
    seen = f"{joins[0].viewing_mm / 1000:.1f} m"
    caption = f"The corners. Angles are seconds of arc seen from {seen}; a keen eye sees about 20."
    return table(head, rows, caption=caption, numbers=(2, 3, 4))


def _step(step_mm: float, seconds: float) -> str:
    return f"{step_mm:.1f} mm ({arcsec_words(seconds)}″)"


def _choices(result: StudyResult) -> Html | None:
    """What was chosen for the walls and why, overrides of the evidence among it."""
    decisions = result.layout.decisions if result.layout is not None else ()
    rows = [[one.what, one.choice, one.reason] for one in decisions]
    caption = "What was chosen or overridden in the layout, and why not the next best."
    return table(["What", "Choice", "Reason"], rows, caption=caption) if rows else None


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
        ("Made one by one", f"{words.count(len(wall.eased), 'motif')} moved, reduced or reshaped; see layout.csv"),
        ("Stretch", _stretch(wall)),
        ("Average uncertainty", _uncertainty(wall)),
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
        plots.alternatives(result, wall.name),
        _alternatives(result, wall.name),
    )


def _stretch(wall: Any) -> str:
    claim = "too little to be seen" if wall.invisible else "may be seen"
    largest, change = 100 * wall.stretch_ratio, 100 * wall.change_ratio
    return f"at most {largest:.1f} % a repeat and {change:.1f} % between neighbours: {claim}"


def _uncertainty(wall: Any) -> str:
    parts = ", ".join(f"{name} {wall.uncertainty[name]:.2f}" for name in ("position", "form", "material"))
    return f"{wall.uncertainty['mean']:.2f} by area ({parts}); 0 is measured on the wall, 1 chosen to fit"


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


def cautions(result: StudyResult) -> Html | None:
    """What can hurt people or the building."""
    if result.works is None:
        return None
    rows = [[one.hazard, sourced(one.advice, one.source)] for one in result.works.cautions]
    body = table(["Hazard", "What to do"], rows, caption="Before anyone starts.")
    deference = aside(tag("strong", result.works.deference), kind="warning")
    return section("Cautions", deference, body, key="cautions")


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
    made = [(name, str(value)) for name, value in result.provenance.items() if isinstance(value, (str, int, float))]
    files = [[name, tag("code", digest)] for name, digest in sorted(result.survey.sources.items())]
    return section(
        "Methods and sources",
        bullets(how),
        tag("h3", "Sources"),
        bullets(SOURCES),
        tag("h3", "Where this record comes from"),
        facts(made),
        table(["File read", "SHA-256"], files, caption="The files this record was made from.") if files else None,
        key="methods",
    )
