"""`provenance.jsonld`: what the record was made from, by what and by whom, as W3C PROV in JSON-LD."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote

from fragkit.record.addresses import hash_address, record_address
from fragkit.record.folder import file_names
from fragkit.record.results import plain
from fragkit.record.study_result import StudyResult, photo_file

CONTEXT = "https://openprovenance.org/prov-jsonld/context.jsonld"
_RUN, _OPTIONS, _TOOL = "rec:run", "rec:options", "rec:fragkit"


def provenance_json(result: StudyResult, *, files: Mapping[str, str]) -> str:
    """One statement of PROV a line of `@graph`.

    Parameters
    ----------
    files : mapping of str to str
        The files of the record written so far, and their SHA-256.

    Notes
    -----
    Names are those of this record: a UUID made from the hashes of its inputs, so the same study gives the
    same file. Every file carries its SHA-256 as an address (RFC 6920). No clock time is stated: what counts
    is which inputs, version and options led here, and the dates that the study itself gives.

    References
    ----------
    Lebo, T. et al. (2013) PROV-O, W3C Recommendation; Moreau, L., Huynh, T. D. (2024) A JSON-LD
    Representation for the PROV Data Model, W3C Member Submission.
    """
    base = record_address(result)
    names = {
        "prov": "http://www.w3.org/ns/prov#",
        "dcterms": "http://purl.org/dc/terms/",
        "rec": f"{base}#",
        "in": f"{base}#in/",
        "out": f"{base}#out/",
    }
    content = {"@context": [names, CONTEXT], "@graph": list(_statements(result, files))}
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _statements(result: StudyResult, files: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    yield {"@type": "Activity", "@id": _RUN, "label": _label("from photographs to marks on the wall")}
    yield from _agents(result)
    options = json.dumps(plain(result.provenance), sort_keys=True, ensure_ascii=False)
    yield {"@type": "Entity", "@id": _OPTIONS, "type": ["prov:Plan"], "value": [options]}
    yield {"@type": "Association", "activity": _RUN, "agent": _TOOL, "plan": _OPTIONS}
    for name, digest in sorted(result.survey.sources.items()):
        yield _file("in", name, digest)
        yield {"@type": "Usage", "activity": _RUN, "entity": _named("in", name)}
    for name, digest in sorted(files.items()):
        yield _file("out", name, digest)
        yield {"@type": "Generation", "entity": _named("out", name), "activity": _RUN}
    yield from _derivations(result, files)
    yield from _decisions(result)


def _agents(result: StudyResult) -> Iterator[dict[str, Any]]:
    version = str(result.provenance.get("version", ""))
    yield {
        "@type": "Agent",
        "@id": _TOOL,
        "type": ["prov:SoftwareAgent"],
        "label": _label("fragkit"),
        "dcterms:hasVersion": [version],
    }
    for person in dict.fromkeys([*result.survey.authors, *(one.who for one in result.survey.decisions if one.who)]):
        yield {"@type": "Agent", "@id": _person(person), "type": ["prov:Person"], "label": _label(person)}
    for person in dict.fromkeys(result.survey.authors):
        yield {"@type": "Association", "activity": _RUN, "agent": _person(person)}
        yield {"@type": "Delegation", "delegate": _TOOL, "responsible": _person(person), "activity": _RUN}


def _derivations(result: StudyResult, files: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Each true-scale picture from its photograph."""
    for name, stem in file_names(result.rectified).items():
        file = photo_file(result, name)
        for suffix in (".tif", ".png"):
            made = f"rectified/{stem}{suffix}"
            if file is not None and file in result.survey.sources and made in files:
                yield {
                    "@type": "Derivation",
                    "generatedEntity": _named("out", made),
                    "usedEntity": _named("in", file),
                    "activity": _RUN,
                }


def _decisions(result: StudyResult) -> Iterator[dict[str, Any]]:
    for number, one in enumerate(result.survey.decisions, 1):
        name = f"rec:decision-{number}"
        yield {"@type": "Entity", "@id": name, "label": _label(f"{one.what}: {one.choice}")}
        yield {"@type": "Usage", "activity": _RUN, "entity": name}
        if one.who:
            yield {"@type": "Attribution", "entity": name, "agent": _person(one.who)}


def _file(prefix: str, name: str, digest: str) -> dict[str, Any]:
    identifier = [hash_address(digest)]
    return {"@type": "Entity", "@id": _named(prefix, name), "label": _label(name), "dcterms:identifier": identifier}


def _named(prefix: str, name: str) -> str:
    return f"{prefix}:{quote(name)}"


def _person(name: str) -> str:
    return f"rec:person/{quote(name, safe='')}"


def _label(text: str) -> list[dict[str, str]]:
    return [{"@value": text}]
