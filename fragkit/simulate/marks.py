"""Control stickers with a cross at a known place, and a small colour chart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import affinity

from fragkit.simulate.canvas import Canvas, Map
from fragkit.simulate.pigments import lab_to_linear, material

FloatArray = NDArray[np.float64]

STICKER_MM = 15.0
CROSS_LINE_MM = 0.8
PATCH_MM = 14.0

CHART_LAB: tuple[tuple[str, tuple[float, float, float]], ...] = (
    ("white", (94.0, 0.0, 1.0)),
    ("grey 80", (80.0, 0.0, 0.0)),
    ("grey 65", (65.0, 0.0, 0.0)),
    ("grey 50", (50.0, 0.0, 0.0)),
    ("grey 36", (36.0, 0.0, 0.0)),
    ("black", (21.0, 0.0, 0.0)),
    ("brick", (45.0, 36.0, 26.0)),
    ("straw", (82.0, 4.0, 44.0)),
    ("leaf green", (52.0, -28.0, 24.0)),
    ("slate blue", (46.0, -4.0, -26.0)),
    ("plum", (35.0, 24.0, -10.0)),
    ("oak", (57.0, 13.0, 24.0)),
)
"""Patches of the invented chart, two rows of six, Lab under D50."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Marks:
    """What the surveyors stuck on the wall.

    Attributes
    ----------
    names : tuple of str
    xy_mm : (n, 2) array
        True centres of the crosses.
    chart_mm : (12, 2) array or None
        True centres of the chart's patches.
    """

    names: tuple[str, ...]
    xy_mm: FloatArray
    chart_mm: FloatArray | None = None


def spread_marks(
    box_mm: tuple[float, float, float, float],
    *,
    columns: int,
    rows: int,
    avoid_mm: FloatArray,
    rng: np.random.Generator,
) -> Marks:
    """Marks on a rough grid over a box, each where it hides least: as far from the motifs as it can be."""
    x0, y0, x1, y1 = box_mm
    xs, ys = np.linspace(x0, x1, columns), np.linspace(y1, y0, rows)
    tree = cKDTree(avoid_mm)
    reach = np.array([(x1 - x0) / max(columns - 1, 1), (y1 - y0) / max(rows - 1, 1)]) * 0.28
    places = []
    for y in ys:
        for x in xs:
            tries = np.clip([x, y] + rng.uniform(-1.0, 1.0, (60, 2)) * reach, [x0, y0], [x1, y1])
            places.append(tries[np.argmax(tree.query(tries)[0])])
    names = tuple(f"{row}{column}" for row in "ABCDEFGH"[:rows] for column in range(1, columns + 1))
    return Marks(names=names, xy_mm=np.array(places))


def chart_places(corner_mm: FloatArray) -> FloatArray:
    """Centres (12, 2) in mm of the chart's patches; `corner_mm` is its upper left corner."""
    column, row = np.meshgrid(np.arange(6), np.arange(2))
    return np.asarray(corner_mm) + (np.column_stack([column.ravel(), -row.ravel()]) + [0.8, -0.8]) * (PATCH_MM + 2)


def stick(canvas: Canvas, albedo: Map, marks: Marks, rng: np.random.Generator) -> Map:
    """Paint the marks into `albedo` in place; returns the map 0..1 of what they hide."""
    hidden = np.zeros(canvas.shape, np.float32)
    for place in marks.xy_mm:
        turn = rng.uniform(-12.0, 12.0)
        half, line = STICKER_MM / 2.0, CROSS_LINE_MM / 2.0
        ring = shapely.Point(0, 0).buffer(4.2).difference(shapely.Point(0, 0).buffer(3.7))
        cross = shapely.union_all([shapely.box(-half, -line, half, line), shapely.box(-line, -half, line, half), ring])
        for shape, name in ((shapely.box(-half, -half, half, half), "sticker"), (cross, "ink")):
            laid = affinity.translate(affinity.rotate(shape, turn, origin=(0, 0)), *place)
            _fill(canvas, albedo, laid, material(name), hidden)
    if marks.chart_mm is not None:
        (x0, y0), (x1, y1) = marks.chart_mm.min(0) - PATCH_MM * 0.8, marks.chart_mm.max(0) + PATCH_MM * 0.8
        _fill(canvas, albedo, shapely.box(x0, y0, x1, y1), material("ink"), hidden)
        for (x, y), (_, lab) in zip(marks.chart_mm, CHART_LAB, strict=True):
            patch = shapely.box(x - PATCH_MM / 2, y - PATCH_MM / 2, x + PATCH_MM / 2, y + PATCH_MM / 2)
            _fill(canvas, albedo, patch, lab_to_linear(lab).astype(np.float32), hidden)
    return hidden


def _fill(
    canvas: Canvas,
    albedo: Map,
    shape: shapely.Polygon,
    colour: NDArray[np.float32],
    hidden: Map,
) -> None:
    where, mask = canvas.stamp(shape)
    patch = albedo[:, where[0], where[1]]
    patch += mask * (colour[:, None, None] - patch)
    np.maximum(hidden[where], mask, out=hidden[where])
