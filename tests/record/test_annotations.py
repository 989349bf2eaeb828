"""annotations.jsonld against the rules of the Web Annotation Data Model, W3C Recommendation 23 February 2017.

The rules are written out below from the Recommendation (section numbers beside them); they are themselves tried on
its own examples, from memory, and on those examples broken.
"""

import json
import re
from xml.etree import ElementTree

import numpy as np
import pytest

MOTIVATIONS = {  # 3.3.5
    "assessing", "bookmarking", "classifying", "commenting", "describing", "editing", "highlighting", "identifying",
    "linking", "moderating", "questioning", "replying", "tagging",
}  # fmt: skip
CLASSES = {"Dataset", "Image", "Video", "Sound", "Text"}  # 3.2.2
IRI = re.compile(r"^[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`]+$")  # RFC 3987, absolute
CONTEXT = "http://www.w3.org/ns/anno.jsonld"
SVG = "{http://www.w3.org/2000/svg}"


def as_list(value):
    return value if isinstance(value, list) else [value]


def resource_faults(resource):
    """Faults of a body or target, by section 3.2, 4 and 4.2."""
    if isinstance(resource, str):
        return [] if IRI.match(resource) else [f"3.2.1: {resource} is no IRI"]
    kinds = set(as_list(resource.get("type", [])))
    found = []
    if "TextualBody" in kinds and not isinstance(resource.get("value"), str):
        found.append("3.2.4: a TextualBody has exactly 1 value")
    if "purpose" in resource and resource["purpose"] not in MOTIVATIONS:
        found.append("3.3.5: purpose")
    if "format" in resource and not re.match(r"^[a-z]+/[a-z0-9.+-]+$", resource["format"]):
        found.append("3.2.1: format is a media type")
    if "source" in resource or "SpecificResource" in kinds:
        found += source_faults(resource)
    elif "TextualBody" not in kinds and "id" not in resource:
        found.append("3.2.1: an external resource has exactly 1 IRI")
    return found


def source_faults(resource):
    source = resource.get("source")
    if not isinstance(source, str | dict):
        return ["4: a SpecificResource has exactly 1 source"]
    found = [] if isinstance(source, str) or IRI.match(source.get("id", "")) else ["3.2.1: source without IRI"]
    if isinstance(source, dict) and not set(as_list(source.get("type", "Image"))) <= CLASSES:
        found.append("3.2.2: class of the source")
    for selector in as_list(resource.get("selector", [])):
        if selector.get("type") == "SvgSelector":
            found += svg_faults(selector)
    return found


def svg_faults(selector):
    if ("value" in selector) == ("id" in selector):
        return ["4.2.7: an SvgSelector has either an embedded value or an IRI"]
    if "value" in selector:
        try:
            root = ElementTree.fromstring(selector["value"])
        except ElementTree.ParseError:
            return ["4.2.7: the value is well-formed XML"]
        return [] if root.tag == f"{SVG}svg" else ["4.2.7: the value is SVG"]
    return []


def annotation_faults(annotation):
    found = []
    if not IRI.match(annotation.get("id", "")):
        found.append("3.1: exactly 1 IRI")
    if "Annotation" not in as_list(annotation.get("type", [])):
        found.append("3.1: class Annotation")
    if not as_list(annotation.get("target", [])):
        found.append("3.1: 1 or more targets")
    if not set(as_list(annotation.get("motivation", []))) <= MOTIVATIONS:
        found.append("3.3.5: motivation")
    for resource in as_list(annotation.get("body", [])) + as_list(annotation.get("target", [])):
        found += resource_faults(resource)
    return found


EXAMPLES = (  # of the Recommendation, from memory: basic model, textual body, specific resource, SVG selector
    {"@context": CONTEXT, "id": "http://example.org/anno1", "type": "Annotation", "body": "http://example.org/post1",
     "target": "http://example.com/page1"},
    {"@context": CONTEXT, "id": "http://example.org/anno5", "type": "Annotation",
     "body": {"type": "TextualBody", "value": "<p>j'adore !</p>", "format": "text/html", "language": "fr"},
     "target": "http://example.org/photo1"},
    {"@context": CONTEXT, "id": "http://example.org/anno18", "type": "Annotation",
     "body": {"type": "SpecificResource", "purpose": "tagging", "source": "http://example.org/city1"},
     "target": {"id": "http://example.org/photo1", "type": "Image"}},
    {"@context": CONTEXT, "id": "http://example.org/anno27", "type": "Annotation", "body": "http://example.org/road1",
     "target": {"source": "http://example.org/map1",
                "selector": {"type": "SvgSelector", "id": "http://example.org/svg1"}}},
)  # fmt: skip


@pytest.fixture(scope="module")
def page(written):
    return json.loads((written / "annotations.jsonld").read_text(encoding="utf-8"))


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example["id"])
def test_the_rules_accept_the_examples_of_the_recommendation(example):
    assert annotation_faults(example) == []


@pytest.mark.parametrize(
    ("number", "change", "rule"),
    [
        (0, {"target": []}, "3.1"),
        (0, {"id": "anno 1"}, "3.1"),
        (0, {"motivation": "measuring"}, "3.3.5"),
        (1, {"body": {"type": "TextualBody"}}, "3.2.4"),
        (2, {"body": {"type": "SpecificResource"}}, "4: "),
        (3, {"target": {"source": "x:y", "selector": {"type": "SvgSelector"}}}, "4.2.7"),
        (3, {"target": {"source": "x:y", "selector": {"type": "SvgSelector", "value": "<svg><polygon></svg>"}}}, "4.2"),
    ],
)
def test_the_rules_refuse_the_examples_when_broken(number, change, rule):
    assert annotation_faults(EXAMPLES[number] | change)[0].startswith(rule)


def test_every_annotation_keeps_the_rules(page):
    for annotation in page["items"]:
        assert annotation_faults(annotation) == []
    assert len({annotation["id"] for annotation in page["items"]}) == len(page["items"]) > 0


def test_the_page_and_its_collection_keep_the_rules(page):
    """Sections 5.1 and 5.2."""
    assert page["@context"] == CONTEXT
    assert page["type"] == "AnnotationPage"
    assert IRI.match(page["id"])
    assert page["startIndex"] == 0
    collection = page["partOf"]
    assert collection["type"] == "AnnotationCollection"
    assert collection["label"]
    assert collection["total"] == len(page["items"])
    assert collection["first"] == page["id"]


def test_a_photograph_is_named_by_its_hash(page, whole):
    sources = [annotation["target"]["source"] for annotation in page["items"]]
    first = next(source for source in sources if source["label"] == "north-1.jpg")
    assert first["id"] == f"nih:sha-256;{whole.survey.sources['north-1.jpg']}"
    assert first["format"] == "image/jpeg"


def test_every_found_motif_is_where_the_photograph_shows_it(page, whole):
    centres, rectified = whole.centres["north-1"], whole.rectified["north-1"]
    found = {}
    for annotation in page["items"]:
        if "/motif/" in annotation["id"].replace("%2F", "/") and "#north-1/" in annotation["id"]:
            shape = ElementTree.fromstring(annotation["target"]["selector"]["value"])[0]
            points = [[float(v) for v in pair.split(",")] for pair in shape.get("points").split()]
            found[annotation["id"].rsplit("/", 1)[1].replace("%2C", ",")] = np.array(points)
    assert len(found) == centres.found.sum()
    for k in np.flatnonzero(centres.found):
        points = found[",".join(str(v) for v in centres.index[k])]
        np.testing.assert_allclose(points.mean(axis=0), rectified.to_px(centres.xy_mm[k]), rtol=0, atol=0.051)
        size = np.ptp(points, axis=0) / 8.0  # the photograph of the test has 8 px a mm
        np.testing.assert_allclose(size, [whole.motif.width_mm, whole.motif.height_mm], rtol=0, atol=0.03)


def test_a_region_names_the_claims_that_rest_on_it(page, whole):
    surface = next(one for one in page["items"] if one["id"].endswith("#north-1/surface"))
    assert "colour/ground/L" in surface["body"]["value"]
