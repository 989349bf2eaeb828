import copy
import re
from html.parser import HTMLParser

import pytest
import record_room

from fragkit.crew import Crew, processes
from fragkit.record import words
from fragkit.record.html import Html, join, table, tag
from fragkit.record.report import begin_sections, end_sections, report_html

VOID = {"meta", "img", "br"}


class Page(HTMLParser):
    """An independent reading of the page: nesting, links, ids, texts."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.ids, self.links, self.images = [], [], [], [], []
        self.faults = []
        self.feed(text)

    def handle_starttag(self, name, attributes):
        attributes = dict(attributes)
        self.tags.append(name)
        self.ids += [attributes["id"]] if "id" in attributes else []
        self.links += [attributes["href"]] if "href" in attributes else []
        if name == "img":
            self.images.append(attributes)
        if name not in VOID:
            self.open.append(name)

    def handle_startendtag(self, name, attributes):
        self.tags.append(name)

    def handle_endtag(self, name):
        if not self.open or self.open.pop() != name:
            self.faults.append(name)


@pytest.fixture(scope="module")
def text(whole):
    return report_html(whole)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_page_is_well_nested(page):
    assert page.faults == []
    assert page.open == []


def test_nothing_runs_and_nothing_is_fetched(page, text):
    assert not {"script", "iframe", "object", "embed", "link", "form"} & set(page.tags)
    assert all(link.startswith("#") for link in page.links)
    assert all(image["src"].startswith("data:image/") for image in page.images)
    assert "url(" not in text
    assert not re.search(r"\son\w+=", re.sub(r"data:[^\"]*", "", text))
    assert "default-src 'none'" in text


def test_names_from_the_study_are_escaped(text):
    assert record_room.NASTY not in text
    assert "&lt;script&gt;alert" in text


def test_links_lead_somewhere_and_ids_are_unique(page):
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))


def test_every_picture_says_what_it_shows(page):
    assert page.images
    assert all(len(image["alt"]) > 20 for image in page.images)


def test_first_screen_says_what_is_known_guessed_and_next(text):
    first = text[: text.index('id="photographs"')]
    for phrase in (
        "What is known",
        "What is guessed",
        "What to do next",
        "motifs are laid out on 2 walls",
        "How the motifs were formed cannot be told from this evidence",
        "is a placeholder without a timed trial",
        "Fill the missing prices",
        "Sixteen more whole motifs of one wall",
    ):
        assert phrase in first
    assert "Colour, east: No grey card" in first


def test_what_begins_anew_and_what_differs_is_told(text):
    technique = text[text.index('id="technique"') :]
    for phrase in ("Where something new begins", "from column 4 on, everything to the right stands", "of one hand?"):
        assert phrase in technique
    assert "strips of 533 mm (wood block of 21 inches)" in technique
    placed, formed = technique[: technique.index("were formed")], technique[technique.index("were formed") :]
    assert ">Evidence<" in placed  # only positions speak
    for kind in (">Outlines<", ">Seen by eye<", ">All evidence<", "10 × worse", "16 × better", "1.6 × better"):
        assert kind in formed


def test_cannot_be_told_is_said_plainly(text):
    assert "It cannot be told from this evidence." in text
    assert "250 × worse" in text  # 10^2.4, by hand, to two digits
    assert "named rightly in 81 % and firmly but wrongly in under 1 %" in text


def test_gaps_are_gaps(text):
    works = text[text.index('id="works"') : text.index('id="cautions"')]
    assert "A gap is not a zero" in works
    assert works.count('class="gap">gap<') >= 4
    assert "Known lines only" in works
    assert not re.search(r"<td[^>]*>0(\.0+)?</td>", works)


def test_every_note_and_decision_is_there(text):
    assert "Two examples are retouched and were left out." in text
    assert "The date of the photographs is not stated." in text
    assert "Decisions that rest on no evidence" in text
    bare = text[text.index("Decisions that rest on no evidence") :]
    assert bare.index("axis: motif on the axis") < bare.index("Every doubt that was raised")
    assert "shadow: to the lower right" not in bare


def test_cautions_defer_to_licensed_practice(text):
    assert "Lead in old paint" in text
    assert "licensed or qualified people decide" in text


def test_error_budget_in_words(text):
    assert "good to about ±0.8 mm (one standard deviation)" in text
    assert "a flatter area, or a camera further away, would help most" in text


def test_typed_repeat_is_a_warning(small):
    study = copy.copy(small)
    study.pooled = record_room.pooled(typed=("across_mm", "down_mm", "offset_ratio"))
    text = report_html(study)
    assert "is a decision of the study, not a measurement" in text
    assert "typed in by hand" in words.lead(study)
    assert not any("apart, rows" in line for line in words.known(study))


def test_nothing_found_reads_well(tmp_path):
    text = report_html(record_room.nothing_found(tmp_path))
    assert Page(text).faults == []
    assert "do not carry a repeat" in text
    assert "No net was found" in text
    assert "Photograph a larger area of one fragment" in text


def test_technique_by_fragment(small):
    study = copy.copy(small)
    study.technique = {"north": record_room.technique(), "east": record_room.technique()}
    text = report_html(study)
    assert "How the motifs were placed (north)" in text
    assert "How the motifs were formed (east)" in text


def test_report_is_small(text):
    assert len(text.encode("utf-8")) < 8_000_000


@pytest.mark.parametrize(
    ("hours", "shown"), [(0.234, "0.2"), (47.3, "47"), (1234.0, "1,200"), (12_345.0, "12,000"), (99.6, "100")]
)
def test_hours_are_rounded_to_two_digits(hours, shown):
    assert words.two_digits(hours) == shown


@pytest.mark.parametrize(
    ("part", "whole_n", "shown"),
    [
        (0, 10, "0 %"),
        (10, 10, "100 %"),
        (1, 1000, "under 1 %"),
        (999, 1000, "over 99 %"),
        (1, 4, "25 %"),
        (0, 0, "0 %"),
    ],
)
def test_percent_keeps_none_and_all_for_none_and_all(part, whole_n, shown):
    assert words.percent(part, whole_n) == shown


def test_html_escapes_all_but_html():
    assert tag("p", "<b>", Html("<i>x</i>"), title='"') == '<p title="&quot;">&lt;b&gt;<i>x</i></p>'
    assert join("a<", None, Html("<br>")) == "a&lt;<br>"
    assert "&lt;x&gt;" in table(["<x>"], [["<y>"]], caption="<z>")


def test_photographs_of_one_area_are_compared_in_words(tmp_path):
    page = report_html(record_room.whole_study(tmp_path))
    assert "show the same places 0.31 mm apart (rms per coordinate); their stated errors allow 0.42 mm" in page
    assert "north-1: colours set by 23 patches of the colour chart; they still differ from it by 1.7" in page
    assert "share too little to be compared" in report_html(record_room.nothing_found(tmp_path))


def test_sections_of_workers_are_those_drawn_here(whole, text):
    with processes(1) as executor:
        crew = Crew(executor)
        drawn = end_sections(whole, begin_sections(whole, crew), crew)
    assert report_html(whole, drawn=drawn) == text
