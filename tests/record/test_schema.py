"""results.json against its published schema, judged by the package jsonschema; earlier and damaged records."""

import json
import re
import shutil

import jsonschema
import numpy as np
import pytest
import record_room

from fragkit.record import read_record, write_record
from fragkit.record.results import plain, results
from fragkit.record.schema import fault_in, schema_text

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


@pytest.mark.parametrize("key", ["files", "walls", "fragments", "study", "decisions"])
@pytest.mark.parametrize("value", [None, 3, "text"])
def test_a_record_with_a_part_of_another_kind_is_refused(content, tmp_path, key, value):
    (tmp_path / "results.json").write_text(json.dumps(content | {key: value}), encoding="utf-8")
    with pytest.raises(ValueError, match=rf"damaged or no record \(results.{key} is no"):
        read_record(tmp_path)


def places_in(value, at=()):
    yield at
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in inside:
        yield from places_in(item, (*at, key))


def spoilt(content, rng):
    """A copy of which one part is taken away or becomes one of another kind."""
    changed = json.loads(json.dumps(content))
    places = [place for place in places_in(changed) if place]
    *way, last = places[rng.integers(len(places))]
    holder = changed
    for key in way:
        holder = holder[key]
    if rng.random() < 0.5:
        del holder[last]
    else:
        holder[last] = (None, 3, "text", {}, [])[rng.integers(5)]
    return changed


def test_what_is_refused_is_what_the_library_for_schemas_refuses(content):
    rng = np.random.default_rng(4)
    n_faulty = 0
    for changed in (spoilt(content, rng) for _ in range(150)):
        judged = {error.validator for error in VALIDATOR.iter_errors(changed)}
        if judged <= {"type", "required", "enum", "const", "anyOf", "oneOf", "minItems", "maxItems"}:
            assert (fault_in(changed) is not None) == bool(judged)
            n_faulty += bool(judged)
    assert n_faulty > 50


def test_a_list_that_goes_on_too_long_is_a_fault(content):
    changed = json.loads(json.dumps(content))
    changed["motif"]["weights"][0].append(1)
    assert fault_in(changed) is not None
    assert faults(changed)


def test_a_record_that_names_files_outside_is_refused(content, tmp_path):
    outside = content | {"files": {"../../secret.csv": "0" * 64}}
    (tmp_path / "results.json").write_text(json.dumps(outside), encoding="utf-8")
    with pytest.raises(ValueError, match="names a file outside its folder"):
        read_record(tmp_path)


def test_a_table_with_a_short_row_is_named(small, tmp_path):
    write_record(small, tmp_path)
    with (tmp_path / "centres.csv").open("a", encoding="utf-8") as table:
        table.write("x\n")
    with pytest.raises(ValueError, match=r"centres.csv cannot be read .*row \d+ has 1 cells and the header \d+"):
        read_record(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [("x_mm", "east", "there is no column 'x_mm'"), ("x_mm", None, "row 2, column x_mm: 'far' is no number")],
)
def test_a_layout_that_cannot_be_placed_is_named(written, tmp_path, old, new, told):
    table = shutil.copytree(written, tmp_path / "record") / "layout.csv"
    header, first, *rest = table.read_text(encoding="utf-8").splitlines()
    cells = first.split(",")
    if new is None:
        cells[header.split(",").index(old)] = "far"
    else:
        header = header.replace(old, new)
    table.write_text("\n".join([header, ",".join(cells), *rest]) + "\n", encoding="utf-8")
    with pytest.raises(ValueError, match=re.escape(told)):
        read_record(table.parent)


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
