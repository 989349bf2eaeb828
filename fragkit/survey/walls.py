"""Walls with their openings and edges, and the geometry that can be wrong with them."""

from __future__ import annotations

import math
import re

import numpy as np
from shapely import LineString, Point, Polygon, is_valid_reason
from shapely.geometry.polygon import orient

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.survey.document import Document, validated
from fragkit.survey.entries import EdgeEntry, FloatArray, MeasuredPoints, OpeningEntry, WallEntry
from fragkit.survey.folder import Folder, Place
from fragkit.survey.measured import adjust_points
from fragkit.survey.measures import DATUM, read_readings
from fragkit.survey.schema import EdgeTable, OpeningTable, WallTable
from fragkit.survey.wording import suggestion

_SMALLEST_WALL_MM = 200.0
_LOWEST_BAND_MM = 20.0
"""A frieze runs in a band that is much lower than it is long."""
_STRAY_MM = 50.0
"""How far an opening or an edge may leave its wall: floors are rarely true, typing errors are larger."""
_SAGITTA_MM = 0.1
"""How far a circle drawn as a polygon may differ from the circle."""


def read_wall(folder: Folder, document: Document, k: int) -> WallEntry | None:
    """The k-th wall of the survey with its openings and edges, or None and its faults."""
    data = document.tables("wall")[k]
    own = {key: value for key, value in data.items() if key not in ("opening", "edge")}
    table = validated(folder, document, WallTable, own, ("wall", k))
    measured = _read_measured(folder, document, table, k) if table and table.measures is not None else None
    outline = _wall_outline(folder, document, table, k, measured) if table else None
    openings = _read_openings(folder, document, k, outline, measured)
    edges = _read_edges(folder, document, k, outline, measured)
    if table is None or outline is None:
        return None
    return WallEntry(
        name=table.name,
        outline_mm=frozen_array(np.array(outline.exterior.coords)[:-1]),
        openings=openings,
        edges=edges,
        axis_x_mm=table.axis_x_mm,
        next=table.next,
        corner=table.corner,
        clearance_mm=table.clearance_mm,
        measured=measured,
    )


def _read_measured(folder: Folder, document: Document, table: WallTable, k: int) -> MeasuredPoints | None:
    place = document.place("wall", k, "measures")
    readings = read_readings(folder, table, place)
    if readings is None:
        return None
    try:
        measured = adjust_points(readings)
    except EstimationError as error:
        folder.fault(place, f"wall {table.name!r}: {error}", "Add the reading to the table.")
        return None
    folder.notes += [f"wall {table.name!r}: {note}" for note in measured.notes]
    return measured


def _wall_outline(
    folder: Folder, document: Document, table: WallTable, k: int, measured: MeasuredPoints | None
) -> Polygon | None:
    place = document.place("wall", k, "outline_mm" if table.measures is None else "measures")
    title = f"wall {table.name!r}"
    if table.measures is not None and measured is None:
        return None
    corners = table.outline_mm
    if measured is not None:
        names = table.corners or [name for name in measured.names if name != DATUM]
        corners = _named_points(folder, place, title, names, measured)
    if corners is None:
        if measured is None:
            remedy = "Give its corners in order, in mm from the datum, or measures, a table of readings."
            folder.fault(place, f"{title} has no outline_mm.", remedy)
        return None
    outline = _polygon(folder, place, title, corners)
    if outline is None:
        return None
    low_x, low_y, high_x, high_y = outline.bounds
    sides = sorted((high_x - low_x, high_y - low_y))
    if sides[0] < _LOWEST_BAND_MM or sides[1] < _SMALLEST_WALL_MM:
        size = f"{high_x - low_x:g} × {high_y - low_y:g} mm"
        folder.fault(place, f"{title} is only {size}.", "Lengths are in millimetres: a wall of 4 m is 4000.")
    if table.axis_x_mm is not None and not low_x <= table.axis_x_mm <= high_x:
        message = f"{title}: the axis at x = {table.axis_x_mm:g} mm is off the wall ({low_x:g} to {high_x:g} mm)."
        folder.fault(document.place("wall", k, "axis_x_mm"), message, "Correct axis_x_mm.")
    return outline


def _named_points(
    folder: Folder, place: Place, title: str, names: list[str], measured: MeasuredPoints | None
) -> list[list[float]] | None:
    """Coordinates of measured points by name; None and a fault where one was not measured."""
    known = measured.names if measured is not None else ()
    for name in (name for name in names if name not in known):
        folder.fault(place, f"{title} names the point {name!r}, which was not measured.", suggestion(name, list(known)))
        return None
    return [list(measured.place(name)) for name in names] if measured is not None else None


def _polygon(folder: Folder, place: Place, title: str, corners: list[list[float]]) -> Polygon | None:
    """The outline as a polygon, counter-clockwise; None and a fault when it crosses itself or has no area."""
    polygon = Polygon(corners)
    if not polygon.is_valid:
        found = re.search(r"\[(\S+) (\S+)\]", is_valid_reason(polygon))
        where = f" near x = {float(found[1]):.0f}, y = {float(found[2]):.0f} mm" if found else ""
        remedy = "List the corners in order round the outline."
        folder.fault(place, f"the outline of {title} crosses or touches itself{where}.", remedy)
        return None
    if polygon.area <= 0:
        folder.fault(place, f"the outline of {title} encloses nothing.", "Give at least three corners.")
        return None
    return orient(polygon)


def _read_openings(
    folder: Folder, document: Document, k: int, wall: Polygon | None, measured: MeasuredPoints | None
) -> tuple[OpeningEntry, ...]:
    found = []
    for m, data in enumerate(_inner_tables(folder, document, k, "opening")):
        path = ("wall", k, "opening", m)
        table = validated(folder, document, OpeningTable, data, path)
        place = document.place(*path)
        shape = _opening_shape(folder, place, table, measured) if table else None
        if table is None or shape is None:
            continue
        title = f"opening {table.name!r}"
        if wall is not None:
            _check_on_wall(folder, place, title, shape, wall)
        outline = frozen_array(np.array(shape.exterior.coords)[:-1])
        found.append(
            OpeningEntry(name=table.name, kind=table.kind, outline_mm=outline, clearance_mm=table.clearance_mm)
        )
    _check_names(folder, document, ("wall", k, "opening"), [opening.name for opening in found])
    return tuple(found)


def _opening_shape(
    folder: Folder, place: Place, table: OpeningTable, measured: MeasuredPoints | None
) -> Polygon | None:
    """Outline, circle, or both joined (a door with an arched head)."""
    title = f"opening {table.name!r}"
    if (table.centre_mm is None) != (table.radius_mm is None):
        folder.fault(place, f"{title}: a circle needs centre_mm and radius_mm.", "Give both or none.")
        return None
    circle = None
    if table.centre_mm is not None and table.radius_mm is not None:
        circle = Polygon(circle_mm(table.centre_mm, table.radius_mm))
    corners = table.outline_mm
    if table.corners is not None:
        corners = _named_points(folder, place, title, table.corners, measured)
        if corners is None:
            return None
    if corners is None:
        if circle is None:
            folder.fault(place, f"{title} has no outline.", "Give outline_mm, or centre_mm and radius_mm.")
        return circle
    outline = _polygon(folder, place, title, corners)
    if outline is None or circle is None:
        return outline
    joined = outline.union(circle)
    if not isinstance(joined, Polygon):
        folder.fault(place, f"{title}: its circle does not meet its outline.", "Correct centre_mm or radius_mm.")
        return None
    return orient(joined)


def circle_mm(centre_mm: list[float], radius_mm: float) -> FloatArray:
    """Corners (n, 2) of a polygon round a circle, nowhere inside it and at most 0.1 mm outside."""
    n = math.ceil(math.pi / math.acos(radius_mm / (radius_mm + _SAGITTA_MM)))
    n = max(n, 16)
    angle = 2.0 * np.pi * np.arange(n) / n
    return np.asarray(centre_mm) + radius_mm / math.cos(math.pi / n) * np.c_[np.cos(angle), np.sin(angle)]


def _check_on_wall(folder: Folder, place: Place, title: str, shape: Polygon, wall: Polygon) -> None:
    if shape.intersection(wall).area == 0:
        folder.fault(place, f"{title} lies outside its wall.", "Correct its outline or move it to its own wall.")
        return
    outside = shape.difference(wall)
    if outside.is_empty:
        return
    beyond = max(Point(x, y).distance(wall) for x, y in shape.exterior.coords)
    if beyond > _STRAY_MM:
        folder.fault(place, f"{title} reaches {beyond:.0f} mm beyond its wall.", "Correct its outline or the wall's.")
    elif beyond > 1.0:
        folder.notes.append(f"{title} reaches {beyond:.0f} mm beyond its wall; the part outside is ignored.")


def _read_edges(
    folder: Folder, document: Document, k: int, wall: Polygon | None, measured: MeasuredPoints | None
) -> tuple[EdgeEntry, ...]:
    found = []
    for m, data in enumerate(_inner_tables(folder, document, k, "edge")):
        path = ("wall", k, "edge", m)
        table = validated(folder, document, EdgeTable, data, path)
        if table is None:
            continue
        points = _edge_points(folder, document.place(*path), table, measured)
        if points is None:
            continue
        line = LineString(points)
        if line.length == 0:
            folder.fault(document.place(*path), f"edge {table.name!r} has no length.", "Give two points.")
        elif wall is not None and line.distance(wall) > _STRAY_MM:
            message = f"edge {table.name!r} lies {line.distance(wall):.0f} mm off its wall."
            folder.fault(document.place(*path), message, "Correct line_mm.")
        found.append(
            EdgeEntry(
                name=table.name,
                kind=table.kind,
                line_mm=frozen_array(points),
                rule=table.rule,
                max_shift_mm=table.max_shift_mm,
                min_scale_ratio=table.min_scale_ratio,
            )
        )
    _check_names(folder, document, ("wall", k, "edge"), [edge.name for edge in found])
    return tuple(found)


def _edge_points(
    folder: Folder, place: Place, table: EdgeTable, measured: MeasuredPoints | None
) -> list[list[float]] | None:
    title = f"edge {table.name!r}"
    if table.corners is not None:
        return _named_points(folder, place, title, table.corners, measured)
    if table.line_mm is None:
        folder.fault(
            place, f"{title} has no line_mm.", "Give the points along it, or corners, names of measured points."
        )
    return table.line_mm


def _inner_tables(folder: Folder, document: Document, k: int, key: str) -> list[dict[str, object]]:
    inner = document.tables("wall")[k].get(key, [])
    if not isinstance(inner, list) or not all(isinstance(item, dict) for item in inner):
        place = document.place("wall", k, key)
        folder.fault(place, f"{key!r} is not a table of the kind that belongs here.", f"Write [[wall.{key}]].")
        return []
    return inner


def _check_names(folder: Folder, document: Document, path: tuple[str | int, ...], names: list[str]) -> None:
    for m, name in enumerate(names):
        if name.casefold() in (earlier.casefold() for earlier in names[:m]):
            message = f"two {path[-1]}s of one wall are called {name!r}."
            folder.fault(document.place(*path, m), message, "Give each its own name.")
