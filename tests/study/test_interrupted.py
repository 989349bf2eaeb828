"""A run that is killed, crowded or short of disk leaves no half file, and the next one completes."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from tape_study import write_tape_study


@pytest.fixture
def folder(tmp_path):
    return write_tape_study(tmp_path / "orrowby")


def start(folder, out, cache):
    environment = os.environ | {"FRAGKIT_CACHE": str(cache)}
    return subprocess.Popen(
        [sys.executable, "-m", "fragkit", "run", str(folder), "--out", str(out), "--workers", "1"],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def contents(root: Path) -> dict[str, str]:
    files = (path for path in root.rglob("*") if path.is_file())
    return {path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def finished(out: Path) -> dict[str, str]:
    """Content of a record without times and without leftovers of a killed run."""
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert results["fragments"]
    return {name for name in contents(out) if not name.startswith(".unfinished")}


def kill_at_moments(folder, tmp_path, n):
    """Kill `n` runs at moments spread at random over the time of one, each with a fresh record and cache."""
    before = contents(folder)
    started = time.perf_counter()
    assert start(folder, tmp_path / "whole", tmp_path / "cache").wait() == 0
    seconds = time.perf_counter() - started
    whole = finished(tmp_path / "whole")
    n_killed = 0
    for k, share in enumerate(np.random.default_rng(3).uniform(0.05, 1.0, n)):
        out, cache = tmp_path / f"out-{k}", tmp_path / f"cache-{k}"
        run = start(folder, out, cache)
        time.sleep(share * seconds)
        run.send_signal(signal.SIGKILL)
        n_killed += run.wait() == -signal.SIGKILL
        if (out / "results.json").exists():  # written last: all the others are there
            assert finished(out) == whole
        assert contents(folder) == before
        again = start(folder, out, cache)
        assert again.wait() == 0
        assert finished(out) == whole
        assert {path.name for path in out.iterdir() if path.name.startswith(".")} == set()
    assert n_killed > 0.5 * n
    return n_killed


def test_a_killed_run_leaves_nothing_half_done(folder, tmp_path):
    kill_at_moments(folder, tmp_path, 4)


@pytest.mark.benchmark
def test_fifty_killed_runs(folder, tmp_path):
    n_killed = kill_at_moments(folder, tmp_path, 50)
    print(f"\n{n_killed} of 50 runs were killed before their end; every one after it completed")


def test_two_runs_at_once_give_one_whole_record(folder, tmp_path):
    runs = [start(folder, tmp_path / "out", tmp_path / "cache") for _ in range(2)]
    assert [run.wait() for run in runs] == [0, 0]
    assert "report.html" in finished(tmp_path / "out")
    alone = start(folder, tmp_path / "alone", tmp_path / "cache-alone")
    assert alone.wait() == 0
    assert finished(tmp_path / "alone") == finished(tmp_path / "out")


FULL_DISK = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))  # no file may grow beyond: as on a full disk
from fragkit.cli import main
sys.argv[0] = "fragkit"
main()
"""


def test_a_full_disk_is_said_and_leaves_nothing_half_written(folder, tmp_path):
    command = [sys.executable, "-c", FULL_DISK, "run", str(folder), "--out", str(tmp_path / "out"), "--workers", "1"]
    environment = os.environ | {"FRAGKIT_CACHE": str(tmp_path / "cache")}
    run = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert run.returncode == 2
    assert "The record cannot be written" in run.stderr
    assert "File too large" in run.stderr
    assert not (tmp_path / "out").exists()
    assert start(folder, tmp_path / "out", tmp_path / "cache").wait() == 0


def wait_for_none_of(group):
    """Until no process of the group is left; what multiprocessing itself started goes a moment after the rest."""
    for _ in range(600):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("a process was left behind")


@pytest.mark.skipif(sys.platform == "win32", reason="an interrupt goes to a group of processes")
def test_an_interrupt_at_the_keyboard_is_told_in_one_line_and_the_next_run_goes_on(folder, tmp_path):
    command = [sys.executable, "-m", "fragkit", "run", str(folder), "--out", str(tmp_path / "out"), "--workers", "2"]
    environment, cache = os.environ | {"FRAGKIT_CACHE": str(tmp_path / "cache")}, tmp_path / "cache"
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # what is ignored here, a process would inherit
    run = subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True, start_new_session=True)
    signal.signal(signal.SIGINT, before)
    while run.poll() is None and not list(cache.glob("*.pickle")):  # workers have begun
        time.sleep(0.02)
    os.killpg(run.pid, signal.SIGINT)
    said = run.communicate(timeout=60)[1]
    assert run.returncode in (130, -signal.SIGINT), "Python may end by the signal itself: to a shell both are 130"
    assert said.strip().splitlines()[-1].startswith("Stopped. What was finished is kept")
    assert "Traceback" not in said
    assert not (tmp_path / "out" / "results.json").exists()
    wait_for_none_of(run.pid)
    assert start(folder, tmp_path / "out", cache).wait() == 0
    assert finished(tmp_path / "out")
