"""The published tiles: as rows of their table, as pictures, and the cells that their table gives."""

import csv
from pathlib import Path

import cv2
import numpy as np
from ladder import same_net

from fragkit.errors import EstimationError
from fragkit.net import find_nets

TABLE = Path(__file__).resolve().parents[1] / "reference" / "lattice" / "tiles_8x8_cc0.csv"
ENLARGED = 6


def tile_rows() -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def bits(row: dict[str, str]) -> np.ndarray:
    """The tile (8, 8): 1 is ink."""
    numbers = (int(row["rows_hex"][k : k + 2], 16) for k in range(0, 16, 2))
    return np.array([[int(c) for c in f"{number:08b}"] for number in numbers], np.uint8)


def cell(row: dict[str, str]) -> np.ndarray:
    """The two vectors of its primitive cell in px, y down."""
    return np.array([[int(row["a_x"]), int(row["a_y"])], [int(row["b_x"]), int(row["b_y"])]])


def has_a_cell(row: dict[str, str]) -> bool:
    """Not plain stripes: these are alike one pixel further along and repeat in one direction only."""
    return (cell(row) ** 2).sum(1).min() > 1


def enlarged(row: dict[str, str]) -> np.ndarray:
    """Nine by nine tiles, each pixel six wide."""
    return cv2.resize(np.tile(bits(row), (9, 9)), None, fx=ENLARGED, fy=ENLARGED, interpolation=0) * 180 + 40


def is_cell_found(row: dict[str, str]) -> bool:
    """Whether the net of the picture is that of the table, vector by vector, to 3 % (a fifth of a tile's pixel)."""
    try:
        best = find_nets(enlarged(row)).best
    except EstimationError:
        return False
    flip = np.array([1.0, -1.0])
    return same_net(best.a_mm, best.b_mm, *(cell(row) * ENLARGED * flip), within=0.03)
