"""A small, faultless study folder on which each test of the survey makes one thing wrong."""

import pytest
from PIL import Image
from survey_pictures import picture

SURVEY = """\
schema = 1

[study]
title = "Partners' Room, Orrowby Maltings"
authors = ["A. Reader"]
date = 2026-03-01
seed = 7
paints = "paints.csv"

[lens.a]
f_px = 2100.0
centre_px = [119.5, 79.5]
k1 = -0.05

[[photo]]
name = "north-1"
file = "north-1.jpg"
fragment = "north"
lens = "a"
control = { kind = "points", table = "north-1.csv", sd_px = 0.4 }
flatness_mm = 3.0

[[photo]]
name = "north-2"
file = "north-2.png"
fragment = "north"
control = { kind = "board", columns = 9, rows = 6, square_mm = 25.0 }

[[fragment]]
name = "north"
wall = "N"
origin_mm = [1200.0, 900.0]

[[fragment]]
name = "east"
centres = "east.csv"

[[wall]]
name = "N"
outline_mm = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]
axis_x_mm = 2000.0
next = "E"

[[wall.opening]]
name = "door"
kind = "door"
outline_mm = [[500, 0], [1400, 0], [1400, 2000], [500, 2000]]
clearance_mm = 20.0

[[wall.opening]]
name = "round"
kind = "window"
centre_mm = [3000, 1500]
radius_mm = 400.0

[[wall.edge]]
name = "dado"
kind = "dado"
line_mm = [[0, 900], [4000, 905]]
rule = "reduce"

[[wall]]
name = "E"
outline_mm = [[0, 0], [3000, 0], [3000, 2700], [0, 2700]]

[works]
leaf_side_mm = 80.0
prices = "prices.csv"
trial = "trial.csv"

[[decision]]
what = "frame of the north fragment"
choice = "datum at the door jamb"
reason = "only plumb line in the room"
"""

TABLES = {
    "north-1.csv": "point,x_px,y_px,x_mm,y_mm,sd_mm\n"
    "1,10,10,0,200,0.3\n2,220,12,300,200,0.3\n3,222,150,300,0,0.3\n4,8,149,0,0,0.3\n5,115,80,150,100,0.3\n",
    "east.csv": "x_mm,y_mm,sd_mm\n0,0,1\n60,0,1\n30,50,1\n90,50,1\n",
    "paints.csv": "name,L,a,b\nchalk,92.1,0.4,6.2\n",
    "prices.csv": "item,unit,price,currency\nleaf,book,42.5,GBP\n",
    "trial.csv": "motif,minutes\n2,11\n1,14.5\n3,10\n",
}


class StudyFolder:
    """A folder whose survey can be altered line by line."""

    def __init__(self, root):
        self.root = root

    def replace(self, old, new, *, file="survey.toml"):
        path = self.root / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {file}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    def line_of(self, words):
        lines = (self.root / "survey.toml").read_text(encoding="utf-8").splitlines()
        return next(k for k, line in enumerate(lines, start=1) if words in line)


@pytest.fixture
def study(tmp_path):
    root = tmp_path / "Große Stube – study 1"
    root.mkdir()
    (root / "survey.toml").write_text(SURVEY, encoding="utf-8")
    for name, text in TABLES.items():
        (root / name).write_text(text, encoding="utf-8")
    Image.fromarray(picture()).save(root / "north-1.jpg", quality=92)
    Image.fromarray(picture()).save(root / "north-2.png")
    return StudyFolder(root)
