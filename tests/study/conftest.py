"""A study of three photographs of two fragments on one wall, and rooms that only count their calls."""

import numpy as np
import pytest
import study_fakes
from PIL import Image

SURVEY = """\
schema = 1
[study]
title = "Partners' Room, Orrowby Maltings"
seed = 7
[lens.a]
f_px = 2100.0
centre_px = [59.5, 39.5]
k1 = -0.05
{photos}
[[fragment]]
name = "north"
wall = "N"
origin_mm = [1200.0, 900.0]
turn_deg = 1.5
[[fragment]]
name = "east"
[[wall]]
name = "N"
outline_mm = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]
"""

PHOTO = """\
[[photo]]
name = "{name}"
file = "{name}.png"
fragment = "{fragment}"
lens = "a"
control = {{ kind = "board", columns = 9, rows = 6, square_mm = 25.0 }}
"""


def write_photo(root, name, seed):
    pixels = np.random.default_rng(seed).integers(0, 255, (80, 120, 3)).astype(np.uint8)
    Image.fromarray(pixels).save(root / f"{name}.png")


@pytest.fixture
def folder(tmp_path):
    root = tmp_path / "orrowby"
    root.mkdir()
    shown = {"north-1": "north", "north-2": "north", "east-1": "east"}
    photos = "".join(PHOTO.format(name=name, fragment=fragment) for name, fragment in shown.items())
    (root / "survey.toml").write_text(SURVEY.format(photos=photos), encoding="utf-8")
    for seed, name in enumerate(shown):
        write_photo(root, name, seed)
    return root


@pytest.fixture
def rooms(monkeypatch):
    """The counting rooms, put in the place of the real ones."""
    for module, functions in study_fakes.ROOMS.items():
        for function in functions:
            monkeypatch.setattr(f"fragkit.study.{module}.{function.__name__}", function)
    study_fakes.CALLS.clear()
    study_fakes.REFUSED.clear()
    return study_fakes
