"""The command says in plain words what it did, what is wrong and what to do, and ends with its status."""

import shutil
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from fragkit.cli import DONE, FAULT, NO_ANSWER
from fragkit.study import Skipped


def answer(*, answered=True, skipped=()):
    """What a study gives back, as far as the summary reads it."""
    verdict = SimpleNamespace(words="on set-out lines, three to one against stepping off")
    return SimpleNamespace(
        survey=SimpleNamespace(title="Partners' Room", fragments=("north", "east")),
        n_measured=2 if answered else 0,
        step=None,
        is_answered=answered,
        pooled=SimpleNamespace(
            across_mm=62.04,
            down_mm=77.91,
            offset_ratio=0.5,
            interval_across_mm=(61.9, 62.2),
            interval_down_mm=(77.7, 78.1),
            basis="evidence",
        )
        if answered
        else None,
        technique=SimpleNamespace(placing=verdict, forming=verdict) if answered else None,
        layout=SimpleNamespace(n_motifs=12, walls=[SimpleNamespace(name="N", n_motifs=12)]) if answered else None,
        takeoff=SimpleNamespace(n_leaves=3) if answered else None,
        works=SimpleNamespace(labour_h=SimpleNamespace(p05=8.0, p50=10.2, p95=13.0)) if answered else None,
        skipped=skipped,
        notes=("a doubt",),
    )


@pytest.fixture
def studies(monkeypatch):
    """The study behind `run`, replaced by one that records how it was called."""
    calls = []

    def run_study(folder, *, out, progress, executor):
        calls.append(SimpleNamespace(folder=folder, out=out, progress=progress))
        out.mkdir(parents=True, exist_ok=True)
        return calls_answer[0]

    calls_answer = [answer()]
    monkeypatch.setattr("fragkit.study.run_study", run_study)
    return SimpleNamespace(calls=calls, answer=calls_answer)


def test_run_sums_up_in_words(fragkit, folder, studies, here):
    result = fragkit("run", folder)
    assert result.exit_code == DONE
    assert result.output.splitlines() == [
        "Partners' Room",
        "  fragments:   2 of 2 measured",
        "  repeat:      62.0 mm across (61.90 to 62.20), 77.9 mm from row to row (77.70 to 78.10); "
        "in brackets what holds in 95 of 100 cases",
        "  rows:        each shifted by 0.50 of the repeat against the one below",
        "  placed:      on set-out lines, three to one against stepping off",
        "  formed:      on set-out lines, three to one against stepping off",
        "  motifs:      12 (N 12)",
        "  leaf:        3 leaves by cutting",
        "  labour:      10 hours, nine times in ten 8 to 13",
        "Note: a doubt",
        f"Results: {here / 'orrowby-record'}",
    ]


def test_run_writes_beside_where_it_was_called_and_is_quiet_when_piped(fragkit, folder, studies, here):
    fragkit("run", folder)
    (call,) = studies.calls
    assert call.out == here / "orrowby-record"
    assert call.progress is None


def test_out_is_taken_as_given(fragkit, folder, studies, here):
    fragkit("run", folder, "--out", "deep/er")
    assert str(studies.calls[0].out) == "deep/er"


def test_no_answer_ends_with_one_and_says_why(fragkit, folder, studies):
    entry = Skipped(stage="net", subject="north-1", why="no repeat.", remedy="Photograph more of it.")
    studies.answer[0] = answer(answered=False, skipped=(entry,))
    result = fragkit("run", folder)
    assert result.exit_code == NO_ANSWER
    assert "Skipped: net (north-1): no repeat. Photograph more of it." in result.output
    assert "No fragment shows a repeat, so there is nothing to lay out" in result.output


@pytest.mark.parametrize(
    ("out", "reason"),
    [
        ("/proc/none/record", "No such file or directory"),
        ("file/record", "Not a directory"),
        ("file", "File exists"),
    ],
)
def test_an_impossible_output_folder_stops_before_any_work(fragkit, folder, studies, here, out, reason):
    (here / "file").write_text("")
    result = fragkit("run", folder, "--out", out)
    assert result.exit_code == FAULT
    assert f"The results cannot be written to {out}: {reason}. Nothing was computed." in result.stderr
    assert "fragkit run STUDY --out DIR" in result.stderr
    assert studies.calls == []


def test_a_read_only_output_folder_stops_before_any_work(fragkit, folder, studies, here, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("fragkit.cli.tempfile.TemporaryFile", refuse)
    result = fragkit("run", folder)
    assert result.exit_code == FAULT
    assert "cannot be written to" in result.stderr
    assert "Permission denied. Nothing was computed." in result.stderr
    assert not (here / "orrowby-record").exists()
    assert studies.calls == []


@pytest.mark.parametrize("inside", [".", "results", "../orrowby"])
def test_results_never_go_into_the_study_folder(fragkit, folder, studies, inside):
    before = sorted(folder.rglob("*"))
    result = fragkit("run", folder, "--out", folder / inside)
    assert result.exit_code == FAULT
    assert "inside the study folder, which is never written to" in result.stderr
    assert sorted(folder.rglob("*")) == before


def test_check_counts_what_is_there(fragkit, folder):
    result = fragkit("check", folder)
    assert (result.exit_code, result.output) == (
        DONE,
        "No fault found: 0 photographs, 1 fragment, 0 walls.\n",
    )


def test_check_lists_faults_file_by_file(fragkit, folder):
    survey = folder / "survey.toml"
    survey.write_text(survey.read_text() + "origin_m = 3,5\n")
    (folder / "north.csv").write_text("x_mm,y_mm,sd_mm\n1,nan,0.5\n")
    before = {path: path.read_bytes() for path in folder.iterdir()}
    result = fragkit("check", folder)
    assert result.exit_code == FAULT
    assert result.stderr.splitlines() == [
        "survey.toml",
        "  line 7: decimal comma in 3,5.",
        "      Write 3.5.",
        "  line 7: fragment 'north': unknown key 'origin_m'.",
        "      Did you mean 'origin_mm'?",
        "north.csv",
        "  row 2, column y_mm: nan is no measurement.",
        "      Write the measured value or remove the row.",
        "3 faults found.",
    ]
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_run_and_check_of_a_missing_folder(fragkit, here):
    for command in ("run", "check"):
        result = fragkit(command, "nowhere")
        assert result.exit_code == FAULT
        assert "nowhere\n  there is no such folder." in result.stderr
        assert list(here.iterdir()) == []


@pytest.fixture
def photo(here):
    path = here / "Bröckchen 1.jpg"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (80, 120, 3)).astype(np.uint8)).save(path)
    return path


def test_new_makes_a_folder_that_check_speaks_of(fragkit, here, photo):
    result = fragkit("new", "study 1", photo)
    assert result.exit_code == DONE
    assert "Made study 1 with 1 photograph and 1 empty table." in result.output
    assert "fragkit check" in result.output
    assert (here / "study 1" / photo.name).read_bytes() == photo.read_bytes()
    checked = fragkit("check", "study 1")
    assert checked.exit_code == FAULT
    assert checked.stderr.splitlines() == [
        "Bröckchen 1-points.csv",
        "  0 control points cannot fix a plane.",
        "      At least 4 are needed, and 6 to 8 well spread ones give a check. "
        "Enter them in this table, or point at them in notebook 1.",
        "1 fault found.",
    ]


def test_new_leaves_what_is_there_alone(fragkit, here, photo, folder):
    before = {path: path.read_bytes() for path in folder.iterdir()}
    result = fragkit("new", folder, photo)
    assert result.exit_code == FAULT
    assert "is there already and is not empty" in result.stderr
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("none.jpg", None, "there is no such photograph"),
        ("empty.jpg", b"", "the file is empty"),
        ("text.jpg", b"words", "this is no image"),
    ],
)
def test_new_with_a_bad_photograph_makes_nothing(fragkit, here, name, content, message):
    if content is not None:
        (here / name).write_bytes(content)
    result = fragkit("new", "study", name)
    assert result.exit_code == FAULT
    assert message in result.stderr
    assert not (here / "study").exists()


def test_new_where_nothing_can_be_made(fragkit, here, photo):
    (here / "file").write_text("")
    result = fragkit("new", "file/study", photo)
    assert result.exit_code == FAULT
    assert "The study folder file/study cannot be made: " in result.stderr


def test_help_loads_no_room():
    code = (
        "import sys, fragkit.cli; from typer.testing import CliRunner; "
        "assert CliRunner().invoke(fragkit.cli.app, ['--help']).exit_code == 0; "
        "print([name for name in ('numpy', 'cv2', 'scipy', 'matplotlib') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_python_m_fragkit_is_the_command():
    done = subprocess.run([sys.executable, "-m", "fragkit", "--help"], capture_output=True, text=True, check=True)
    for command in ("run", "check", "new"):
        assert command in done.stdout


def test_a_wrong_option_ends_with_two(fragkit, folder):
    assert fragkit("run", folder, "--outt", "x").exit_code == FAULT


def test_several_studies_each_have_their_record_and_one_fault_does_not_stop_the_rest(fragkit, folder, here):
    shutil.copytree(folder, here / "spoilt")
    (here / "spoilt" / "north.csv").write_text("x_mm,y_mm,sd_mm\n0,zero,0.5\n")
    result = fragkit("run", folder, here / "spoilt", "--workers", 1)
    assert result.exit_code == FAULT
    assert (here / "records" / "orrowby" / "results.json").is_file()
    lines = result.output.splitlines()
    assert lines[0] == "orrowby"
    assert "  fragments:   1 of 1 measured" in lines
    (fault,) = [line for line in lines if line.startswith("  No record:")]
    assert "north.csv" in fault
    assert "zero" in fault
    assert lines[-1] == f"2 studies: 1 answered, 0 without an answer, 1 without a record. Records: {here / 'records'}"


def test_a_cluster_that_does_not_answer_is_said(fragkit, folder):
    result = fragkit("run", folder, "--scheduler", "tcp://127.0.0.1:9")
    assert result.exit_code == FAULT
    assert "No Dask scheduler answers at tcp://127.0.0.1:9" in result.output


def test_workers_and_a_cluster_exclude_each_other(fragkit, folder):
    result = fragkit("run", folder, "--scheduler", "tcp://127.0.0.1:9", "--workers", 2)
    assert result.exit_code == FAULT
    assert "not both" in result.output
