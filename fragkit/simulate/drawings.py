"""Motif drawings in millimetres: our own designs from smooth curves, in metal parts with a painted shadow."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fragkit.turning import turning

FloatArray = NDArray[np.float64]

SHADOW_OFFSET_MM = (2.7, -2.1)
"""The painted light comes from the upper left, so the shadow lies to the lower right."""

VEIN_MM = 0.8
"""Width of the bare lines between the metal parts of one motif."""


@dataclass(frozen=True, eq=False, kw_only=True)
class MotifDrawing:
    """One motif as drawn: x right, y up, the metal centroid at (0, 0).

    Attributes
    ----------
    name : str
    metal : MultiPolygon
        Parts in leaf, in mm; they do not overlap.
    shadow : MultiPolygon
        What was painted before the leaf was laid, in mm; the metal covers part of it.
    """

    name: str
    metal: MultiPolygon
    shadow: MultiPolygon

    @property
    def metal_area_mm2(self) -> float:
        """Area of the metal."""
        return float(self.metal.area)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of metal and shadow together."""
        x0, y0, x1, y1 = shapely.union(self.metal, self.shadow).bounds
        return float(x1 - x0), float(y1 - y0)


def draw_motif(name: str) -> MotifDrawing:
    """The motif called `name`.

    Parameters
    ----------
    name : str
        One of `MOTIFS`: "hop cone", "scallop shell", "trefoil", "barley ear", "bellflower".

    Raises
    ------
    ValueError
        No motif has this name.
    """
    if name not in MOTIFS:
        raise ValueError(f"motif is {name!r}; it must be one of {', '.join(MOTIFS)}")
    return with_shadow(name, shapely.MultiPolygon(MOTIFS[name]()))


def with_shadow(name: str, metal: MultiPolygon, *, offset_mm: tuple[float, float] = SHADOW_OFFSET_MM) -> MotifDrawing:
    """`metal` with its centroid moved to (0, 0), and a shadow: its closed outline, moved by `offset_mm`."""
    metal = moved(metal, -metal.centroid.x, -metal.centroid.y)
    shadow = moved(metal.buffer(1.2).buffer(-0.9), *offset_mm)
    return MotifDrawing(name=name, metal=polygons_of(metal), shadow=polygons_of(shadow))


def moved(shape: BaseGeometry, dx_mm: float, dy_mm: float) -> BaseGeometry:
    """`shape` shifted by (dx, dy)."""
    return shapely.transform(shape, lambda xy: xy + [dx_mm, dy_mm])


def polygons_of(shape: BaseGeometry) -> MultiPolygon:
    return shapely.MultiPolygon([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])


def _petal(
    length_mm: float,
    width_mm: float,
    *,
    at_mm: tuple[float, float] = (0.0, 0.0),
    turn_deg: float = 0.0,
    belly: float = 0.5,
    point: float = 0.7,
) -> Polygon:
    """A leaf-shaped outline from its base `at_mm` upwards, turned anticlockwise.

    `belly` is where along its length it is widest; `point` below 1 rounds its ends, above 1 sharpens them.
    """
    s = (1.0 - np.cos(np.linspace(0.0, np.pi, 33))) / 2.0
    half = width_mm / 2.0 * np.sin(np.pi * s ** (np.log(0.5) / np.log(belly))) ** point
    outline = np.vstack([np.column_stack([half, s * length_mm]), np.column_stack([-half, s * length_mm])[-2:0:-1]])
    return shapely.make_valid(Polygon(outline @ turning(turn_deg).T + np.asarray(at_mm)))


def _stroke(points_mm: Sequence[tuple[float, float]], width_mm: float) -> Polygon:
    """A brush stroke along a smooth curve through three control points (quadratic Bézier)."""
    start, middle, end = (np.asarray(point, float) for point in points_mm)
    t = np.linspace(0.0, 1.0, 15)[:, None]
    curve = (1 - t) ** 2 * start + 2 * t * (1 - t) * middle + t**2 * end
    return shapely.LineString(curve).buffer(width_mm / 2.0, quad_segs=4)


def _overlapped(parts: Sequence[BaseGeometry]) -> list[Polygon]:
    """Parts from the topmost down; each is cut back by a bare line round those that lie on it."""
    covered: BaseGeometry = Polygon()
    kept: list[Polygon] = []
    for part in parts:
        rest = part.difference(covered.buffer(VEIN_MM, quad_segs=4))
        kept += [piece for piece in shapely.get_parts(rest) if piece.geom_type == "Polygon" and piece.area > 2.0]
        covered = covered.union(part)
    return kept


def _hop_cone() -> list[Polygon]:
    rows = [(15.0, (-3.6, 3.6)), (11.5, (0.0, -8.0, 8.0)), (6.0, (-4.8, 4.8)), (2.5, (0.0, -9.0, 9.0))]
    rows += [(-3.0, (-4.6, 4.6)), (-7.0, (0.0, -6.6, 6.6)), (-12.0, (-2.4, 2.4))]
    bracts = [
        _petal(13.5, 10.6, at_mm=(x, y), turn_deg=180.0 + 2.6 * x, belly=0.46, point=0.62) for y, xs in rows for x in xs
    ]
    stalk = _stroke([(0.0, 14.0), (0.6, 19.0), (-2.4, 23.0)], 2.2)
    sepals = [_petal(10.5, 4.6, at_mm=(x, 16.0), turn_deg=-62.0 * np.sign(x), point=0.8) for x in (-1.4, 1.4)]
    return _overlapped([stalk, *bracts, *sepals])


def _scallop_shell() -> list[Polygon]:
    ribs = [
        _petal(29.0 - abs(turn) / 12.0, 10.0, turn_deg=turn, belly=0.74, point=0.75)
        for turn in (0.0, 21.0, -21.0, 42.0, -42.0, 63.0, -63.0)
    ]
    hinge = _petal(15.0, 7.0, at_mm=(-7.5, -0.5), turn_deg=-90.0, point=0.5)
    return _overlapped([hinge, *ribs])


def _trefoil() -> list[Polygon]:
    lobes = [
        _petal(17.0, 15.0, at_mm=at, turn_deg=turn, belly=0.58, point=0.5)
        for at, turn in (((0.0, 2.0), 0.0), ((-1.2, 0.4), 98.0), ((1.2, 0.4), -98.0))
    ]
    stem = _stroke([(0.0, 1.0), (0.4, -8.0), (5.5, -16.0)], 2.6)
    drops = [_petal(6.0, 3.6, at_mm=(x, 12.0), turn_deg=-38.0 * np.sign(x), belly=0.6) for x in (-9.5, 9.5)]
    return _overlapped([*lobes, stem, *drops])


def _barley_ear() -> list[Polygon]:
    sides = [(side, step) for step in range(6) for side in (-1.0, 1.0)]
    grains = [
        _petal(10.0, 5.4, at_mm=(1.6 * side, -13.0 + 4.6 * step), turn_deg=-27.0 * side, belly=0.45, point=0.75)
        for side, step in sides
    ]
    top = _petal(10.0, 5.0, at_mm=(0.0, 14.5), belly=0.45, point=0.75)
    awns = [
        _stroke([(x * side, y), ((x + 1.6) * side, y + 9.0), ((x + 2.4) * side, y + 17.0)], 1.1)
        for side in (-1.0, 1.0)
        for x, y in ((3.2, 15.5), (7.0, 8.5))
    ]
    stem = _stroke([(0.0, -12.0), (0.2, -18.0), (-3.0, -23.0)], 2.0)
    return _overlapped([*grains, top, stem, *awns])


def _bellflower() -> list[Polygon]:
    bell = [
        _petal(24.0, 13.0, at_mm=(x, 12.0), turn_deg=180.0 + 3.4 * x, belly=0.66, point=0.55) for x in (0.0, -4.0, 4.0)
    ]
    sepals = [_petal(11.0, 4.8, at_mm=(0.0, 11.0), turn_deg=turn, point=0.8) for turn in (112.0, -112.0)]
    stem = _stroke([(0.0, 12.0), (0.2, 18.0), (4.5, 20.5)], 2.4)
    drop = _petal(6.5, 4.4, at_mm=(0.0, -13.0), turn_deg=180.0, belly=0.6, point=0.6)
    return _overlapped([stem, *sepals, *bell, drop])


MOTIFS: Mapping[str, Callable[[], list[Polygon]]] = MappingProxyType(
    {
        "hop cone": _hop_cone,
        "scallop shell": _scallop_shell,
        "trefoil": _trefoil,
        "barley ear": _barley_ear,
        "bellflower": _bellflower,
    }
)
"""The designs by name; each gives its metal parts."""
