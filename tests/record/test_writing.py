import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import record_room

from fragkit.crew import Crew, WorkerLost
from fragkit.errors import OutputError
from fragkit.record import read_record, write_record
from fragkit.record.folder import drafts, file_names


def files_in(folder):
    return {path.relative_to(folder).as_posix() for path in Path(folder).rglob("*") if path.is_file()}


def test_every_file_of_the_design_is_written(written):
    found = files_in(written)
    assert {
        "report.html",
        "results.json",
        "centres.csv",
        "motif.svg",
        "forms.svg",
        "layout.csv",
        "works.csv",
        "rectified/north-1.tif",
        "rectified/north-1.png",
        "setting-out/north.csv",
        "setting-out/north.pdf",
        "setting-out/north.svg",
        "setting-out/check-sheets/north.pdf",
        "setting-out/tick-off/north.pdf",
        "readings/north.csv",
        "setting-out/east.csv",
    } <= found
    assert any(name.startswith("sheets/") and name.endswith(".pdf") for name in found)
    assert all(path.read_bytes()[:5] == b"%PDF-" for path in written.rglob("*.pdf"))


def test_nothing_is_written_outside_and_names_are_safe(written):
    found = files_in(written)
    assert "rectified/etc-east.tif" in found  # from the photograph ../../etc/east
    assert found == files_in(written.parent / "out")
    assert [path.name for path in written.parent.iterdir()] == ["out"]
    assert not any(path.name.startswith(".") for path in written.rglob("*"))


def test_results_list_every_other_file_with_its_hash(written):
    listed = json.loads((written / "results.json").read_text(encoding="utf-8"))["files"]
    assert set(listed) == files_in(written) - {"results.json"}
    for name, digest in listed.items():
        assert hashlib.sha256((written / name).read_bytes()).hexdigest() == digest


def test_numbers_of_motifs_are_one_number(whole, written):
    record = read_record(written)
    n_motifs = whole.layout.n_motifs
    assert record.results["n_motifs"] == n_motifs
    assert sum(wall["n_motifs"] for wall in record.results["walls"]) == n_motifs
    assert record.results["works"]["leaf"]["n_motifs"] == n_motifs
    assert len(record.tables["layout"]) == n_motifs
    assert sum(len(rows) for name, rows in record.tables.items() if name.startswith("setting-out/")) == n_motifs
    row = next(row for row in record.tables["works"] if row["part"] == "leaf" and row["item"] == "motifs")
    assert int(row["middle"]) == n_motifs


class Unlucky(Crew):
    """All its workers die."""

    def finish(self, begun, *, on_done):
        return [WorkerLost() for _ in begun.tasks]


def test_same_study_same_bytes_whoever_draws(whole, written, tmp_path):
    again = tmp_path / "again"
    write_record(whole, again, crew=Unlucky())
    assert files_in(again) == files_in(written)
    for name in sorted(files_in(written)):
        assert (again / name).read_bytes() == (written / name).read_bytes(), name


def test_study_without_walls_ends_well(small, tmp_path):
    write_record(small, tmp_path / "out")
    record = read_record(tmp_path / "out")
    assert record.results["walls"] == []
    assert record.results["works"] is None
    assert set(record.tables) == {"centres", "evidence"}
    assert "Measure the walls and add them" in (tmp_path / "out/report.html").read_text(encoding="utf-8")


def test_nothing_found_is_still_a_record(tmp_path):
    write_record(record_room.nothing_found(tmp_path / "study"), tmp_path / "out")
    record = read_record(tmp_path / "out")
    assert record.results["motif"] is None
    assert record.results["proposal"] is None
    assert record.results["skipped"][0] == {
        "stage": "net",
        "subject": "north-1",
        "reason": "No repeat: strongest candidate below noise.",
    }
    assert record.tables["centres"] == ()
    assert "do not carry a repeat" in (tmp_path / "out/report.html").read_text(encoding="utf-8")


def test_files_of_an_earlier_record_go_unless_somebody_changed_them(whole, small, tmp_path):
    out = tmp_path / "out"
    write_record(whole, out)
    (out / "layout.csv").write_text("my own notes\n", encoding="utf-8")
    (out / "letter.txt").write_text("dear client\n", encoding="utf-8")
    write_record(small, out)
    found = files_in(out)
    assert "works.csv" not in found
    assert not any(name.startswith(("setting-out/", "sheets/")) for name in found)
    assert (out / "layout.csv").read_text(encoding="utf-8") == "my own notes\n"
    assert "letter.txt" in found


def test_a_failure_half_way_leaves_the_earlier_record_as_it_was(small, tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_record(small, out)
    before = {name: (out / name).read_bytes() for name in files_in(out)}

    def fail(*_, **__):
        raise RuntimeError("power cut")

    monkeypatch.setattr("fragkit.record.writing.report_html", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        write_record(small, out)
    assert {name: (out / name).read_bytes() for name in files_in(out)} == before


def test_a_failure_on_a_fresh_folder_leaves_nothing(small, tmp_path, monkeypatch):
    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("fragkit.record.writing.results_json", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_record(small, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_results_json_is_renamed_last(tmp_path, monkeypatch):
    renamed = []
    real = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: (renamed.append(Path(b).name), real(a, b)))
    with drafts(tmp_path / "out", last="results.json") as record:
        for name in ("results.json", "z.csv", "a/b.csv"):
            record.write(name, "x")
    assert renamed == ["b.csv", "z.csv", "results.json"]


def test_cut_off_renaming_is_told_by_the_reader(small, tmp_path):
    out = tmp_path / "out"
    write_record(small, out)
    (out / "centres.csv").write_text("id\n", encoding="utf-8")
    (out / "motif.svg").unlink()
    notes = " ".join(read_record(out).notes)
    assert "centres.csv was changed" in notes
    assert "motif.svg is missing" in notes


def test_folder_that_cannot_be_made(small, tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match=r"cannot be written to .*file.*Choose a folder you may write to"):
        write_record(small, tmp_path / "file" / "out")


def test_folder_that_may_not_be_written(small, tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("fragkit.record.folder.tempfile.mkdtemp", refuse)
    with pytest.raises(OutputError, match=r"Permission denied.*half-written.*--out DIR"):
        write_record(small, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_study_folder_is_never_written(small):
    with pytest.raises(OutputError, match="is the study folder itself"):
        write_record(small, small.survey.folder)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["../../etc/passwd"], ["etc-passwd"]),
        (["a/b", "a\\b", "A-B"], ["a-b", "a-b-2", "A-B-3"]),
        (["", "..", "CON"], ["unnamed", "unnamed-2", "CON-"]),
        (["Büro – Süd"], ["Büro---Süd"]),
        (["x" * 300], ["x" * 80]),
        (["a\x00b\nc"], ["a-b-c"]),
    ],
)
def test_file_names(names, expected):
    assert list(file_names(names).values()) == expected


def test_reading_what_is_no_record(tmp_path):
    with pytest.raises(ValueError, match=r"holds no results\.json"):
        read_record(tmp_path)
    (tmp_path / "results.json").write_text('{"schema_version": 99}', encoding="utf-8")
    with pytest.raises(ValueError, match="has schema_version 99; this fragkit reads 1 to 2"):
        read_record(tmp_path)


def test_record_shows_itself(written):
    record = read_record(written)
    assert repr(record).startswith("Record(")
    assert "<script>" not in record._repr_html_()


def test_what_a_cut_off_run_left_is_cleared_away_and_a_running_one_is_not(tmp_path):
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    for name in (f".unfinished-{ended.pid}-a", f".unfinished-{os.getpid()}-b", ".unfinished-c", ".unfinished-d"):
        (tmp_path / name).mkdir()
    os.utime(tmp_path / ".unfinished-d", (0, 0))
    with drafts(tmp_path, last="a.txt") as found:
        found.write("a.txt", "whole")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        f".unfinished-{os.getpid()}-b",
        ".unfinished-c",
        "a.txt",
    ]
