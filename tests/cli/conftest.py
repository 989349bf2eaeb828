"""A small study by centres alone, and the command run inside a folder of its own."""

import pytest
from tape_study import write_tape_study
from typer.testing import CliRunner

from fragkit.cli import app


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FRAGKIT_CACHE", str(tmp_path / "cache"))
    return tmp_path


@pytest.fixture
def folder(here):
    return write_tape_study(here / "orrowby")


@pytest.fixture
def fragkit(here):
    """The command: `fragkit("check", folder)` gives exit code, output and errors."""

    def call(*arguments):
        return CliRunner().invoke(app, [str(argument) for argument in arguments])

    return call
