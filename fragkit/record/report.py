"""`report.html`: the whole record on one page that carries everything with it."""

from __future__ import annotations

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
from fragkit.record.study_result import StudyResult
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


def report_html(result: StudyResult) -> str:
    """One HTML page without scripts or outside addresses; text of the study is escaped throughout."""
    parts = {
        "first": _first(result),
        "photographs": sections_evidence.photographs(result),
        "repeat": sections_evidence.repeat(result),
        "technique": sections_technique.technique(result),
        "motif": sections_evidence.motif(result),
        "colour": sections_colour.colour(result),
        "walls": sections_works.walls(result),
        "works": sections_costs.works(result),
        "cautions": sections_works.cautions(result),
        "evidence": sections_register.evidence(result),
        "decisions": sections_register.decisions(result),
        "doubts": sections_works.doubts(result),
        "methods": sections_works.methods(result),
    }
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
        tag("main", *parts.values()),
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


def _first(result: StudyResult) -> Html:
    return section("At a glance", sections_evidence.first_page(result), key="first")


def _closing(result: StudyResult) -> str:
    version = result.provenance.get("version")
    made = f"Made with fragkit {version}. " if version else "Made with fragkit. "
    return (
        made + "Beside this page lie the same numbers as open tables and drawings: results.json with its schema, "
        "evidence.csv, centres.csv, layout.csv, works.csv, geometry.json, motif.svg, forms.svg, and the folders "
        "rectified, setting-out, sheets, readings and works; annotations.jsonld holds the regions on the photographs, "
        "provenance.jsonld what all of it was made from."
    )
