"""`report.html`: the whole record on one page that carries everything with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from fragkit.crew import Begun, Crew
from fragkit.parcel import packed, unpacked
from fragkit.record import (
    sections_colour,
    sections_costs,
    sections_evidence,
    sections_register,
    sections_technique,
    sections_works,
    words,
)
from fragkit.record.html import Html, join, paragraph, section, tag
from fragkit.record.study_result import StudyResult, without_pictures
from fragkit.record.style import CSS

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"

CONTENTS = (
    ("first", "First page"),
    ("photographs", "Photographs"),
    ("repeat", "Repeat"),
    ("technique", "Technique"),
    ("motif", "Motif"),
    ("colour", "Colour"),
    ("walls", "Walls"),
    ("works", "Leaf, time, money"),
    ("cautions", "Cautions"),
    ("evidence", "Evidence"),
    ("decisions", "Decisions"),
    ("doubts", "Doubts"),
    ("methods", "Methods"),
)


SECTIONS: Mapping[str, Callable[[StudyResult], Html | None]] = {
    "first": lambda result: section("At a glance", sections_evidence.first_page(result), key="first"),
    "photographs": sections_evidence.photographs,
    "repeat": sections_evidence.repeat,
    "technique": sections_technique.technique,
    "motif": sections_evidence.motif,
    "colour": sections_colour.colour,
    "walls": sections_works.walls,
    "works": sections_costs.works,
    "cautions": sections_works.cautions,
    "evidence": sections_register.evidence,
    "decisions": sections_register.decisions,
    "doubts": sections_works.doubts,
    "methods": sections_works.methods,
}
TOGETHER = (("walls",), ("repeat", "technique", "works"))
"""Sections whose figures take long and that need no picture: each of these groups is the work of one process."""


def begin_sections(result: StudyResult, crew: Crew) -> Begun:
    """Sections that need no picture, which the workers draw while other files are written."""
    parcel = packed(without_pictures(result))
    return crew.begin([partial(_draw, keys, parcel) for keys in TOGETHER])


def _draw(keys: Sequence[str], parcel: bytes) -> dict[str, Html | None]:
    result = unpacked(parcel)
    return {key: SECTIONS[key](result) for key in keys}


def end_sections(result: StudyResult, begun: Begun, crew: Crew) -> dict[str, Html | None]:
    """All sections, by key: those that no worker has are drawn here meanwhile."""
    theirs = {key for keys in TOGETHER for key in keys}
    drawn = {key: make(result) for key, make in SECTIONS.items() if key not in theirs}
    for group in crew.collect(begun):
        drawn |= group
    return drawn


def report_html(result: StudyResult, *, drawn: Mapping[str, Html | None] | None = None) -> str:
    """One HTML page without scripts or outside addresses; text of the study is escaped throughout.

    `drawn` are its sections by key, from `end_sections`; without it they are drawn here.
    """
    parts = {key: make(result) for key, make in SECTIONS.items()} if drawn is None else drawn
    links = [tag("li", tag("a", name, href=f"#{key}")) for key, name in CONTENTS if parts[key] is not None]
    title = result.survey.title or "Untitled study"
    head = join(
        Html('<meta charset="utf-8">'),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        tag("title", f"{title}: record"),
        tag("style", Html(CSS)),
    )
    body = join(
        tag("a", "Skip to the report", href="#first", class_="skip"),
        _header(result, title),
        tag("nav", tag("ul", *links), aria_label="Contents"),
        tag("main", *(parts[key] for key in SECTIONS)),
        tag("footer", paragraph(_closing(result))),
    )
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>{body}</body></html>\n'


def _header(result: StudyResult, title: str) -> Html:
    survey = result.survey
    stated = [
        ", ".join(survey.authors),
        survey.date,
        f"regime: {survey.regime}" if survey.regime else "",
        f"recording level: {survey.record_level}" if survey.record_level else "",
    ]
    meta = " · ".join(part for part in stated if part)
    return tag("header", tag("h1", title), paragraph(meta, class_="meta") if meta else None, _lead(result))


def _lead(result: StudyResult) -> Html:
    return paragraph(words.lead(result), class_="lead")


def _closing(result: StudyResult) -> str:
    version = result.provenance.get("version")
    made = f"Made with fragkit {version}. " if version else "Made with fragkit. "
    return (
        made + "Beside this page lie the same numbers as open tables and drawings: results.json with its schema, "
        "evidence.csv, centres.csv, layout.csv, works.csv, geometry.json, motif.svg, forms.svg, and the folders "
        "rectified, setting-out, sheets, readings and works; annotations.jsonld holds the regions on the photographs, "
        "provenance.jsonld what all of it was made from."
    )
