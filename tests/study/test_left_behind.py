"""A run leaves no thread, no child process and no open file behind."""

import os
import threading
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path

import pytest
from independent_scene import Recipe, write_study

from fragkit import run_study

OPEN_FILES = Path("/proc/self/fd")


def open_files():
    """Paths of what this process holds open."""
    targets = []
    for name in os.listdir(OPEN_FILES):
        try:
            targets.append(os.readlink(OPEN_FILES / name))
        except FileNotFoundError:
            continue
    return targets


@pytest.mark.skipif(not OPEN_FILES.exists(), reason="open files are counted by Linux's /proc")
def test_nothing_is_left_behind(tmp_path):
    folder = tmp_path / "orrowby"
    write_study(folder, {"north": Recipe(seed=41)})
    before = set(threading.enumerate())
    pool = partial(ProcessPoolExecutor, 2, mp_context=get_context("spawn"))
    assert run_study(folder, out=tmp_path / "out", cache=tmp_path / "cache", executor=pool).is_answered
    assert not set(threading.enumerate()) - before
    assert not active_children()
    assert not [path for path in open_files() if str(tmp_path) in path]
