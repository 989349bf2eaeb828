"""Every number that the report shows a reader is found in results.json."""

import json
import re
from html.parser import HTMLParser

import pytest

NUMBER = re.compile(r"(?<![\w.,-])(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?(?![\w])")
BLOCKS = {"p", "li", "td", "th", "dt", "dd", "figcaption", "caption", "h1", "h2", "h3", "title", "div", "footer"}


class Sentences(HTMLParser):
    """Texts of a page block by block, with those that stand in for its pictures; the marks on drawn axes left out."""

    def __init__(self):
        super().__init__()
        self.found, self._text, self._hidden = [], "", 0

    def handle_starttag(self, tag, attrs):
        self._hidden += tag in ("style", "script", "svg")
        self.found += [value for name, value in attrs if name in ("alt", "aria-label") and value]
        self._break(tag)

    def handle_endtag(self, tag):
        self._hidden -= tag in ("style", "script", "svg")
        self._break(tag)

    def handle_data(self, data):
        self._text += "" if self._hidden else data

    def _break(self, tag):
        if tag in BLOCKS and self._text.strip():
            self.found.append(self._text.strip())
            self._text = ""


def leaves(content):
    """Everything in `content` that is neither a list nor a mapping, with the keys and the lengths of lists."""
    if isinstance(content, dict):
        yield from content
        content = list(content.values())
    elif isinstance(content, list):
        yield len(content)
    if isinstance(content, list):
        for part in content:
            yield from leaves(part)
    else:
        yield content


def values_in(content):
    """All numbers of `content`, and all its texts."""
    found = list(leaves(content))
    values = [abs(float(leaf)) for leaf in found if isinstance(leaf, int | float) and not isinstance(leaf, bool)]
    return values, [leaf for leaf in found if isinstance(leaf, str)]


def is_found(shown, values, written):
    """Whether one of `values`, or a hundred of it as percent, rounds to what is shown."""
    plain = shown.replace(",", "")
    if plain in written:
        return True
    decimals = len(plain.partition(".")[2])
    zeros = 0 if decimals else len(plain) - len(plain.rstrip("0"))
    half = 0.5 * 10.0 ** (zeros - decimals) * (1 + 1e-9)
    return any(abs(times * value - float(plain)) <= half for value in values for times in (1.0, 100.0))


def missing(html, content):
    values, texts = values_in(content)
    written = {number.replace(",", "") for text in texts for number in NUMBER.findall(text)}
    parser = Sentences()
    parser.feed(html)
    return [
        (number, sentence[:100])
        for sentence in parser.found
        for number in NUMBER.findall(sentence)
        if not is_found(number, values, written)
    ]


@pytest.fixture(scope="module")
def page(written):
    return (written / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def content(written):
    return json.loads((written / "results.json").read_text(encoding="utf-8"))


def test_every_number_of_the_report_is_in_the_results(page, content):
    assert missing(page, content) == []


@pytest.mark.parametrize("number", ["4,711", "98.765", "0.4321"])
def test_a_number_from_nowhere_is_noticed(page, content, number):
    broken = page.replace("</main>", f"<p>It weighs {number} kg.</p></main>")
    assert [found for found, _ in missing(broken, content)] == [number]


def test_the_walk_sees_tables_captions_and_what_stands_in_for_pictures(page):
    parser = Sentences()
    parser.feed(page)
    text = "\n".join(parser.found)
    assert len(NUMBER.findall(text)) > 300
    for part in ("Certainty of the places", "Elevation of wall north", "How good each photograph is", "152.31"):
        assert part in text
