"""Two records compared: every planted difference is named in trade words, and nothing else."""

import copy
import hashlib
import json

import numpy as np
import pytest
import record_room
from typer.testing import CliRunner

from fragkit.cli import app
from fragkit.layout import lay_out
from fragkit.record import compare_records, read_record, write_record, write_revision
from fragkit.record.comparing import pairs_within
from fragkit.survey.entries import DecisionEntry


@pytest.fixture(scope="module")
def before(written):
    return read_record(written)


def changes_of(revision):
    return {change.about: change.text for change in revision.changes}


def rewritten(record, folder, change):
    """The same record with its results changed."""
    folder.mkdir()
    results = copy.deepcopy(dict(record.results))
    change(results)
    (folder / "results.json").write_text(json.dumps(results | {"files": {}}), encoding="utf-8")
    return read_record(folder)


def test_a_record_does_not_differ_from_itself(before):
    revision = compare_records(before, before)
    assert revision.changes == ()
    assert revision.old_sha256 == hashlib.sha256((before.folder / "results.json").read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def later(whole, tmp_path_factory):
    """The study after another fragment: a closer repeat, so other walls; one more decision; silver for gold."""
    study = copy.copy(whole)
    study.pooled = record_room.pooled(
        across_mm=141.0,
        interval_across_mm=(140.8, 141.2),
        interval_new_wall={"across_mm": (140.0, 142.0), "down_mm": (87.0, 89.2), "offset_ratio": (0.49, 0.51)},
    )
    study.layout = lay_out(whole.survey.walls, study.pooled, whole.motif)
    decision = DecisionEntry(what="Leaf", choice="silver", reason="analysis", evidence="sample 4")
    study.survey = record_room.survey(
        whole.survey.folder,
        decisions=(*whole.survey.decisions, decision),
        sources={**whole.survey.sources, "north-1.jpg": "ee" * 32, "west-1.jpg": "ff" * 32},
    )
    out = tmp_path_factory.mktemp("later") / "out"
    study.setting = study.takeoff = study.works = None
    write_record(study, out)
    return read_record(out)


def test_spacing_files_and_decisions_are_named(before, later):
    changes = changes_of(compare_records(before, later))
    assert changes["spacing along the row"] == (
        "was 152.31 mm (151.90 to 152.70), is 141.00 mm (140.80 to 141.20); outside what was known before"
    )
    assert changes["decision on leaf"] == "was none, is silver"
    texts = {c.text for c in compare_records(before, later).changes if c.about == "files of the study"}
    assert texts == {"new: west-1.jpg", "changed: north-1.jpg"}
    assert changes["metal of the leaf"] == "was gold, is none"
    assert "motif" not in changes


def test_motifs_that_moved_are_counted_as_they_lie_on_the_wall(before, later, whole):
    """Against a count by brute force over all pairs of the wall."""
    name = "north"
    sides = [[row for row in record.tables["layout"] if row["wall"] == name] for record in (before, later)]
    was, now = (np.array([(float(row["x_mm"]), float(row["y_mm"])) for row in rows]) for rows in sides)
    apart = np.hypot(*(was[:, None] - now[None]).transpose(2, 0, 1))
    wall = next(wall for wall in before.results["walls"] if wall["name"] == name)
    near = (apart == apart.min(axis=0)) & (apart == apart.min(axis=1)[:, None])
    near &= apart <= 0.5 * min(wall["spacing_mm"])
    moved = apart[near] > 0.5
    texts = [change.text for change in compare_records(before, later).changes if change.about == "wall north"]
    assert moved.sum() > 50
    assert texts[0].startswith(f"{moved.sum()} motifs moved by up to {apart[near].max():.1f} mm")
    assert texts[0].endswith(f"{(~moved).sum()} stay within 0.5 mm")


def test_pairs_are_one_to_one_and_within_reach():
    was = np.array([[0.0, 0.0], [10.0, 0.0], [100.0, 0.0]])
    now = np.array([[1.0, 0.0], [2.0, 0.0], [60.0, 0.0]])
    assert pairs_within(was, now, reach_mm=20.0) == [(0, 0)]
    assert pairs_within(was[:0], now, reach_mm=20.0) == []


@pytest.mark.parametrize(
    ("change", "about", "text"),
    [
        (lambda r: r["motif"].update(n_examples=12), "examples of the motif", "was 9, is 12"),
        (lambda r: r["proposal"].update(basis="typed"), "the repeat rests on", "was evidence, is a typed value"),
        (lambda r: r.update(motif=None), "motif", "is gone"),
        (lambda r: r["walls"].pop(), "wall ../east", "is gone"),
        (lambda r: r["works"]["leaf"].update(n_books=99), "books of leaf", "is 99"),
        (lambda r: r["works"]["labour_h"].update(p95=1000.0), "labour", "to 1,000 h"),
        (lambda r: r["notes"].append({"about": "motif", "text": "One is odd."}), "new doubt", "motif: One is odd."),
        (lambda r: r["notes"].pop(0), "doubt that is gone", "The date of the photographs is not stated."),
        (lambda r: r["study"].update(regime="new"), "regime", "was wall painting on plaster, is new"),
        (
            lambda r: [f["technique"]["placing"].update(verdict="rigid groups") for f in r["fragments"]],
            "how the motifs were placed",
            "was on set-out lines, is rigid groups",
        ),
    ],
)
def test_each_planted_difference_is_named(before, tmp_path, change, about, text):
    same = rewritten(before, tmp_path / "same", lambda results: None)
    other = rewritten(before, tmp_path / "other", change)
    (found,) = compare_records(same, other).changes
    assert found.about == about
    assert text in found.text


def test_the_sheet_names_both_records_by_hash_and_has_room_to_sign(before, later, tmp_path):
    revision = compare_records(before, later)
    write_revision(revision, tmp_path / "revision.html")
    text = (tmp_path / "revision.html").read_text(encoding="utf-8")
    for record in (before, later):
        assert hashlib.sha256((record.folder / "results.json").read_bytes()).hexdigest() in text
    assert "Signature" in text
    assert "was 152.31 mm" in text
    assert "<script>" not in text  # the title of the study holds one
    assert "Changes by what they are about" in revision._repr_html_()
    assert repr(revision).endswith("changes)")


def test_what_is_no_record_is_refused(before):
    with pytest.raises(ValueError, match=r"read it with read_record\(DIR\) first"):
        compare_records(before, "out")


def test_sheets_to_sign_lie_in_the_record(written, whole):
    note = (written / "sign-off/find-note.html").read_text(encoding="utf-8")
    assert whole.survey.sources["north-1.jpg"] in note
    assert "Measured by tape or tracing." in note
    brief = (written / "sign-off/brief.html").read_text(encoding="utf-8")
    for part in ("wall painting on plaster", "What it does not justify", "axis: motif on the axis", "Signature"):
        assert part in brief


def test_the_command_says_it_and_writes_the_sheet(before, later, tmp_path):
    call = CliRunner().invoke
    same = call(app, ["compare", str(before.folder), str(before.folder)])
    assert (same.exit_code, same.output) == (0, "The two records say the same.\n")
    sheet = tmp_path / "revision.html"
    differs = call(app, ["compare", str(before.folder), str(later.folder), "--sheet", str(sheet)])
    assert differs.exit_code == 0
    assert "Spacing along the row: was 152.31 mm" in differs.output
    assert sheet.is_file()
    nowhere = call(app, ["compare", str(before.folder), str(tmp_path)])
    assert nowhere.exit_code == 2
    assert "holds no results.json" in nowhere.output
    folder = call(app, ["compare", str(before.folder), str(later.folder), "--sheet", str(tmp_path)])
    assert folder.exit_code == 2
    assert "is a folder" in folder.output
