"""provenance.jsonld judged by the package prov, by its schema, and as RDF by pyld and rdflib."""

import hashlib
import json
from pathlib import Path

import jsonschema
import pytest
from prov.model import ProvAgent, ProvDocument, ProvEntity, ProvGeneration, ProvUsage
from prov.serializers.provjsonld import load_vendored_context
from pyld import jsonld
from rdflib import Graph
from rdflib.namespace import PROV, RDF

REFERENCE = Path(__file__).resolve().parents[1] / "reference/w3c"
CONTEXT = "https://openprovenance.org/prov-jsonld/context.jsonld"
EXAMPLE = (REFERENCE / "prov-jsonld-example-3.jsonld").read_text(encoding="utf-8")
SCHEMA = json.loads((REFERENCE / "prov-jsonld.schema.json").read_text(encoding="utf-8"))

RANGES = (
    (PROV.Generation, PROV.activity, PROV.Activity),
    (PROV.Usage, PROV.entity, PROV.Entity),
    (PROV.Derivation, PROV.entity, PROV.Entity),
    (PROV.Association, PROV.agent, PROV.Agent),
    (PROV.Attribution, PROV.agent, PROV.Agent),
    (PROV.Delegation, PROV.agent, PROV.Agent),
)
"""What each influence of PROV-O points to exactly once (W3C Recommendation 30 April 2013, section 3.3)."""


def offline(url, _options):
    """The one context that the specification names, from the copy in the package prov."""
    assert url == CONTEXT
    return {"contextUrl": None, "documentUrl": url, "document": {"@context": load_vendored_context()}}


def as_graph(text):
    """The document as RDF."""
    triples = jsonld.to_rdf(json.loads(text), {"documentLoader": offline, "format": "application/n-quads"})
    return Graph().parse(data=triples, format="nt")


@pytest.fixture(scope="module")
def text(written):
    return (written / "provenance.jsonld").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def document(text):
    return ProvDocument.deserialize(content=text, format="jsonld")


def test_it_fits_the_schema_of_the_submission_as_does_its_example(text):
    kind = jsonschema.validators.validator_for(SCHEMA)
    for content in (EXAMPLE, text):
        assert [error.message for error in kind(SCHEMA).iter_errors(json.loads(content))] == []
    broken = json.loads(text)
    broken["@graph"][0]["@type"] = "Action"
    assert list(kind(SCHEMA).iter_errors(broken))


def test_an_independent_reader_finds_every_file_with_its_hash(document, whole, written):
    found = {
        entity.identifier.localpart: str(value)
        for entity in document.get_records(ProvEntity)
        for name, value in entity.attributes
        if name.localpart == "identifier"
    }
    for name, digest in whole.survey.sources.items():
        assert found.pop(name) == f"nih:sha-256;{digest}"
    listed = json.loads((written / "results.json").read_text(encoding="utf-8"))["files"]
    assert set(found) == set(listed) - {"provenance.jsonld"}
    for name in found:
        assert found[name] == f"nih:sha-256;{hashlib.sha256((written / name).read_bytes()).hexdigest()}"


def test_every_input_is_used_and_every_output_generated(document, whole, written):
    used = {str(usage.args[1]) for usage in document.get_records(ProvUsage)}
    assert {f"in:{name}" for name in whole.survey.sources} <= used
    made = {str(generation.args[0]) for generation in document.get_records(ProvGeneration)}
    assert {"out:report.html", "out:layout.csv", "out:geometry.json"} <= made


def test_version_options_and_people_are_on_record(document, whole):
    agents = {str(agent.identifier): dict(agent.attributes) for agent in document.get_records(ProvAgent)}
    assert len(agents) == 1 + len({*whole.survey.authors, "B. Surveyor"})
    assert "0.1.0" in {str(value) for value in agents["rec:fragkit"].values()}
    (plan,) = (one for one in document.get_records(ProvEntity) if str(one.identifier) == "rec:options")
    (options,) = (value for name, value in plan.attributes if name.localpart == "value")
    assert json.loads(options)["seed"] == 7


def test_the_rules_of_unification_hold(document):
    """PROV-CONSTRAINTS, W3C Recommendation 30 April 2013: uniqueness constraints 22 to 29."""
    assert len(document.unified().get_records()) == len(document.get_records())


def broken_ranges(graph):
    return [
        (kind, influence)
        for kind, points_to, expected in RANGES
        for influence in graph.subjects(RDF.type, kind)
        if [(target, RDF.type, expected) in graph for target in graph.objects(influence, points_to)] != [True]
    ]


@pytest.mark.parametrize("which", ["example", "record"])
def test_as_rdf_every_term_is_one_of_prov_o_and_every_range_is_kept(text, which):
    graph = as_graph(EXAMPLE if which == "example" else text)
    prov = str(PROV)
    used = {term for triple in graph for term in (triple[1], triple[2]) if str(term).startswith(prov)}
    assert {PROV.Generation, PROV.Usage} <= used
    for term in used:
        assert term in PROV, term
    assert broken_ranges(graph) == []


def test_a_generation_by_something_that_is_no_activity_is_found(text):
    broken = json.loads(text)
    broken["@graph"] = [one for one in broken["@graph"] if one["@type"] != "Activity"]
    assert {kind for kind, _ in broken_ranges(as_graph(json.dumps(broken)))} == {PROV.Generation}
