"""The first files of a new study folder: a commented survey.toml and a table of points for each photo."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from fragkit.survey.control import POINT_COLUMNS
from fragkit.survey.image_files import read_header

SURVEY_FILE = "survey.toml"

_HEAD = """\
# A study folder for fragkit. `fragkit check` names what is still missing or wrong, and changes nothing.
# Lengths are in millimetres, pixels count x to the right and y down from the top-left corner of the upright
# photograph, decimals are written with a point. A line that begins with # is a remark.
schema = 1

[study]
title = {title}
authors = []
# date = 2026-01-31
seed = 1                        # of all random numbers, so that a second run gives the same
# between_sd_ratio = 0.01       # how much fragments may differ, as a share of the repeat: an assumption
# paints = "paints.csv"         # name,L,a,b (CIELAB under D50), to find the nearest paint

# A lens, if you photographed a chessboard with the same camera, zoom and focus (10 or more views):
# [lens.a]
# board = {{ kind = "chessboard", columns = 9, rows = 6, square_mm = 25.0, files = ["board-*.jpg"] }}
# and then lens = "a" in each photograph. Without it the lens is solved with the plane: mark 8 or more points.
"""

_PHOTO = """
# {size}. Fill in {table}: at least 4 marks on the wall, better 8, spread round the motifs.
[[photo]]
name = {name}
file = {file}
fragment = {fragment}
control = {{ kind = "points", table = {table}, sd_px = 0.5 }}
# control = {{ kind = "board", columns = 9, rows = 6, square_mm = 25.0 }}   # a chessboard lying on the wall
flatness_mm = 2.0               # how far the surface may leave its plane
"""

_FRAGMENT = """
# Photographs that show one piece of the wall share a fragment and one frame of plane coordinates.
[[fragment]]
name = {fragment}
# wall = "north"                # where it sits: needed only to lay the pattern out round it
# origin_mm = [1200.0, 900.0]   # place of the fragment's x = 0, y = 0 on that wall
# origin_sd_mm = 5.0
# turn_deg = 0.0                # of the fragment's x against level, anticlockwise
# turn_sd_deg = 0.2
"""

_REST = """
# The room. Without walls the study ends with the repeat, the motif and how it was made.
# [[wall]]
# name = "north"
# outline_mm = [[0, 0], [4210, 0], [4205, 2690], [0, 2700]]     # corners in order, from the datum
# axis_x_mm = 2105.0
# [[wall.opening]]
# name = "door"
# kind = "door"
# outline_mm = [[600, 0], [1500, 0], [1500, 2050], [600, 2050]] # an arch: add centre_mm and radius_mm
# clearance_mm = 20.0
# [[wall.edge]]
# name = "dado"
# kind = "dado"
# line_mm = [[0, 890], [4210, 896]]
# rule = "shift"                # or "reduce", "reshape", "omit": what a motif does that would meet it
# max_shift_mm = 15.0
# min_scale_ratio = 0.8

# [works]
# leaf_side_mm = 80.0
# leaves_per_book = 25
# margin_mm = 4.0               # left round the metal when a piece is cut
# prices = "prices.csv"         # item,unit,price,currency and, if known, low,high,quantity,side_mm,leaves_per_book
# trial = "trial.csv"           # motif,minutes: a timed panel, motif by motif
# crew = 2
# hours_per_day = 7.0
# life_years = { silver = [10, 20], palladium = [30, 60] }   # until it must be done again, as you assume
# coverage = { size = { m2_per_unit = [12, 15], unit = "litre", waste_ratio = 0.3 } }   # also ground, shadow

# Every choice that the evidence does not force:
# [[decision]]
# what = ""
# choice = ""
# reason = ""
"""


def starting_files(title: str, photos: Sequence[Path]) -> dict[str, str]:
    """The text files of a new study of `photos`, by name: survey.toml and an empty table of points for each.

    Parameters
    ----------
    title : str
        Title of the study.
    photos : sequence of Path
        Photographs; they will lie beside survey.toml under the names that they have.

    Raises
    ------
    ValueError
        No photograph, or two of one name.
    SurveyError
        A photograph is missing, empty, cut off or of a kind that is not read.
    """
    if not photos:
        raise ValueError("A study begins with photographs: name at least one.")
    stems = [path.stem.casefold() for path in photos]
    twins = sorted({path.name for path in photos if stems.count(path.stem.casefold()) > 1})
    if twins:
        raise ValueError(f"Two photographs share a name ({', '.join(twins)}): rename one of them.")
    header = ",".join(column.name for column in POINT_COLUMNS) + "\n"
    tables = {f"{path.stem}-points.csv": header for path in photos}
    parts = [_HEAD.format(title=_quoted(title))]
    for path, table in zip(photos, tables, strict=True):
        parts.append(_photo(path, table))
        parts.append(_FRAGMENT.format(fragment=_quoted(path.stem)))
    return {SURVEY_FILE: "".join(parts) + _REST} | tables


def _photo(path: Path, table: str) -> str:
    header = read_header(path, path.name)
    return _PHOTO.format(
        size=f"{header.width_px} × {header.height_px} px as displayed",
        table=_quoted(table),
        name=_quoted(path.stem),
        file=_quoted(path.name),
        fragment=_quoted(path.stem),
    )


def _quoted(text: str) -> str:
    """A TOML basic string; JSON escapes are valid in it."""
    return json.dumps(text, ensure_ascii=False)
