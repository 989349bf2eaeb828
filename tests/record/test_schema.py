"""results.json against its published schema, judged by the package jsonschema; earlier and damaged records."""

import json

import jsonschema
import pytest
import record_room

from fragkit.record import read_record, write_record
from fragkit.record.results import plain, results
from fragkit.record.schema import schema_text

SCHEMA = json.loads(schema_text())
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def faults(content):
    return [f"{error.json_path}: {error.message}" for error in VALIDATOR.iter_errors(content)]


def as_version_1(content):
    """What schema version 1 held of these results."""
    old = json.loads(json.dumps(content)) | {"schema_version": 1}
    for key in ("certainty", "evidence", "decisions_without_evidence", "methods", "sources"):
        del old[key]
    for photo in old["photos"]:
        del photo["file"]
        (photo["rectify"] or {}).pop("size_mm", None)
        for net in photo["nets"]["candidates"]:
            del net["lengths_mm"]
    for fragment in old["fragments"]:
        for key in ("a_length_mm", "b_length_mm"):
            (fragment["lattice"] or {}).pop(key, None)
        for verdict in ("placing", "forming"):
            del fragment["technique"][verdict]["times_from_first"]
    for wall in old["walls"]:
        del wall["alternatives"], wall["setting_out"]
    del old["works"]["cautions"]
    return old


@pytest.fixture(scope="module")
def content(written):
    return json.loads((written / "results.json").read_text(encoding="utf-8"))


def test_the_schema_is_one_of_draft_2020_12():
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_whole_record_and_an_empty_one_fit_the_schema(content, small, tmp_path):
    assert faults(content) == []
    nothing = plain(results(record_room.nothing_found(tmp_path))) | {"files": {}}
    assert faults(nothing) == []
    assert faults(plain(results(small)) | {"files": {}}) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema_version",), 1),
        (("proposal", "across_mm"), -95.0),
        (("proposal", "basis"), "felt"),
        (("photos", 0, "rectify", "sd_mm"), "0.4 mm"),
        (("walls", 0, "n_motifs"), 12.5),
        (("evidence", "claims", 0, "evidence_class"), "certain"),
        (("files", "motif.svg"), "no hash"),
        (("motif", "surprise"), 1),
    ],
)
def test_the_schema_finds_what_is_wrong(content, path, value):
    broken = json.loads(json.dumps(content))
    holder = broken
    for key in path[:-1]:
        holder = holder[key]
    holder[path[-1]] = value
    assert len(faults(broken)) == 1


def test_the_schema_lies_in_the_record(written):
    assert (written / "results.schema.json").read_text(encoding="utf-8") == schema_text()


def test_round_trip_is_exact(whole, written):
    record = read_record(written)
    assert record.notes == ()
    expected = plain(results(whole))
    assert {key: value for key, value in record.results.items() if key != "files"} == expected


def test_a_record_of_schema_version_1_is_read(content, small, tmp_path):
    write_record(small, tmp_path)
    old = as_version_1(content) | {"files": {}}
    (tmp_path / "results.json").write_text(json.dumps(old), encoding="utf-8")
    record = read_record(tmp_path)
    assert faults(dict(record.results)) == []
    assert record.results["proposal"] == content["proposal"]
    assert record.results["evidence"]["claims"] == []
    for fragment, before in zip(record.results["fragments"], content["fragments"], strict=True):
        for name in ("a_length_mm", "b_length_mm"):
            assert fragment["lattice"][name] == pytest.approx(before["lattice"][name], rel=1e-12)
        assert fragment["technique"] == before["technique"]
    assert [photo["nets"] for photo in record.results["photos"]] == [photo["nets"] for photo in content["photos"]]
    assert any("earlier fragkit" in note for note in record.notes)


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"schema_version": '])
def test_a_damaged_record_is_refused(tmp_path, text):
    (tmp_path / "results.json").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="is damaged or no record"):
        read_record(tmp_path)


@pytest.mark.parametrize("version", [0, 3, "2", None])
def test_a_version_that_cannot_be_read_is_refused(tmp_path, version):
    (tmp_path / "results.json").write_text(json.dumps({"schema_version": version}), encoding="utf-8")
    with pytest.raises(ValueError, match=r"this fragkit reads 1 to 2. Use the fragkit that wrote it"):
        read_record(tmp_path)


def test_a_first_run_that_was_cut_off_is_told(tmp_path):
    (tmp_path / ".unfinished-abc").mkdir()
    with pytest.raises(ValueError, match=r"cut off before it was complete. Run the study again"):
        read_record(tmp_path)


def test_a_later_run_that_was_cut_off_leaves_the_record_before_it(small, tmp_path):
    write_record(small, tmp_path)
    (tmp_path / ".unfinished-abc").mkdir()
    (note,) = read_record(tmp_path).notes
    assert "cut off while it wrote; this is the record before it" in note
