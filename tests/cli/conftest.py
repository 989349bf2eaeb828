"""A small study by centres alone, and the command run inside a folder of its own."""

import pytest
from typer.testing import CliRunner

from fragkit.cli import app

SURVEY = """\
schema = 1
[study]
title = "Partners' Room, Orrowby Maltings"
[[fragment]]
name = "north"
centres = "north.csv"
"""


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FRAGKIT_CACHE", str(tmp_path / "cache"))
    return tmp_path


@pytest.fixture
def folder(here):
    root = here / "orrowby"
    root.mkdir()
    (root / "survey.toml").write_text(SURVEY, encoding="utf-8")
    rows = "".join(f"{62 * i + 31 * (j % 2)},{78 * j},0.5\n" for j in range(5) for i in range(6))
    (root / "north.csv").write_text("x_mm,y_mm,sd_mm\n" + rows)
    return root


@pytest.fixture
def fragkit(here):
    """The command: `fragkit("check", folder)` gives exit code, output and errors."""

    def call(*arguments):
        return CliRunner().invoke(app, [str(argument) for argument in arguments])

    return call
