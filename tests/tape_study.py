"""A small study of one fragment whose centres were measured by tape: done in seconds, from survey to record."""

SURVEY = """\
schema = 1
[study]
title = "Partners' Room, Orrowby Maltings"
[[fragment]]
name = "north"
centres = "north.csv"
"""


def write_tape_study(root, *, across_mm=62, down_mm=78, offset_mm=31):
    """The study folder `root`, with six columns and five rows of exact centres."""
    root.mkdir(parents=True)
    (root / "survey.toml").write_text(SURVEY, encoding="utf-8")
    rows = "".join(f"{across_mm * i + offset_mm * (j % 2)},{down_mm * j},0.5\n" for j in range(5) for i in range(6))
    (root / "north.csv").write_text("x_mm,y_mm,sd_mm\n" + rows, encoding="utf-8")
    return root
