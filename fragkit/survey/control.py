"""Control, charts and lenses: what ties a photograph to millimetres, checked before anything is computed.

Keys of `control = { … }` that need not be given, with their defaults; every sd is one standard deviation:

* `sd_px` (all kinds; 0.5, a board 0.1): picking, per coordinate.
* `marker_mm`, `dictionary` (board; none, "4x4_50"): side of the coded markers, and the set they were printed from.
* `level` (tape; the first two points): two points on a level line, the second to the right.
* `stand_off_mm`, `stand_off_sd_mm` (bar; 0, 1): how far the bar stands before the wall, towards the camera.
* `length_sd_mm` (bar; 0.2): how well the bar keeps its length.

`chart = { patches = …, kind = … }`: kind "colour" (the default) sets a colour matrix, "grey" white and lightness only.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fragkit.errors import SurveyError
from fragkit.frozen import frozen_array
from fragkit.survey.document import Document
from fragkit.survey.entries import (
    BarControl,
    BoardControl,
    ChartEntry,
    Control,
    FloatArray,
    LensEntry,
    Markers,
    PointControl,
)
from fragkit.survey.folder import Folder, Place
from fragkit.survey.image_files import ImageHeader, read_header
from fragkit.survey.schema import (
    BarTable,
    BoardTable,
    ChartTable,
    LensBoardTable,
    LensTable,
    PointsTable,
    TapeTable,
)
from fragkit.survey.tables import Column, CsvTable, check_unique, read_table
from fragkit.survey.taped import read_tape

POINT_COLUMNS = (
    Column("point", "text"),
    *(Column(name) for name in ("x_px", "y_px", "x_mm", "y_mm")),
    Column("sd_mm", above=0.0),
)
_CHART_COLUMNS = (Column("patch", "text"), *(Column(name) for name in ("x_px", "y_px", "L", "a", "b")))
_FEWEST_POINTS = 4
_THINNEST_RATIO = 0.01
"""Points whose spread across is less than this share of their spread along count as one line."""


def image_header(folder: Folder, path: Path) -> ImageHeader | None:
    """Header of an image of the study, or None and its faults; the file joins the sources."""
    folder.read_bytes(path)
    try:
        return read_header(path, folder.label(path))
    except SurveyError as error:
        folder.faults.extend(error.faults)
        return None


def read_control(
    folder: Folder,
    table: PointsTable | BoardTable | TapeTable | BarTable,
    place: Place,
    header: ImageHeader | None,
) -> Control | None:
    """The control that `table` describes, or None and its faults."""
    if isinstance(table, PointsTable):
        return _read_points(folder, table, place, header)
    if isinstance(table, TapeTable):
        control = read_tape(folder, table, place)
        if control is not None and header is not None:
            _check_pixels(folder, place, control.xy_px, header)
        return control
    if isinstance(table, BarTable):
        return _read_bar(folder, table, place, header)
    markers = _read_markers(folder, place, table)
    return BoardControl(
        columns=table.columns,
        rows=table.rows,
        square_mm=table.square_mm,
        sd_px=table.sd_px,
        markers=markers,
    )


def read_chart(folder: Folder, chart: ChartTable, place: Place, header: ImageHeader | None) -> ChartEntry | None:
    """The colour chart or grey card whose patches stand in the table that `chart` names."""
    path = folder.find(chart.patches, place, "the table of patches")
    table = read_table(folder, path, _CHART_COLUMNS) if path else None
    if table is None or not check_unique(folder, table, "patch"):
        return None
    _check_in_picture(folder, table, header)
    return ChartEntry(
        names=tuple(table.columns["patch"]),
        xy_px=frozen_array(table.numbers("x_px", "y_px")),
        lab=frozen_array(table.numbers("L", "a", "b")),
        kind=chart.kind,
    )


def read_lens(folder: Folder, document: Document, name: str, table: LensTable) -> LensEntry | None:
    """The lens `[lens.name]`, given by numbers or by photographs of a board."""
    place = document.place("lens", name)
    numbers = (table.f_px, table.centre_px, table.k1, table.k2)
    if table.board is not None:
        if any(value is not None for value in numbers):
            folder.fault(place, f"lens {name!r} has both a board and numbers.", "Keep one of the two.")
            return None
        return _read_board_lens(folder, document.place("lens", name, "board"), name, table.board)
    if table.f_px is None or table.centre_px is None or table.k1 is None:
        remedy = "Give f_px, centre_px and k1 (and k2 if known), or a board."
        folder.fault(place, f"lens {name!r} is not complete.", remedy)
        return None
    centre = (table.centre_px[0], table.centre_px[1])
    return LensEntry(name=name, f_px=table.f_px, centre_px=centre, k1=table.k1, k2=table.k2 or 0.0)


def spread_ratio(xy: FloatArray) -> float:
    """Spread across ÷ spread along the longest direction of points (n, 2); 0 when they lie on one line."""
    long, short = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    return float(short / long) if long > 0 else 0.0


def carries_a_plane(xy: FloatArray) -> bool:
    """Whether points (n, 2) fix a plane projectively: with any one left out, the others are not on a line."""
    rest = [np.delete(xy, k, axis=0) for k in range(len(xy))]
    return min(spread_ratio(points) for points in rest) > _THINNEST_RATIO


def _read_points(folder: Folder, table: PointsTable, place: Place, header: ImageHeader | None) -> PointControl | None:
    path = folder.find(table.table, place, "the table of points")
    points = read_table(folder, path, POINT_COLUMNS) if path else None
    if points is None:
        return None
    n_before = len(folder.faults)
    check_unique(folder, points, "point")
    _check_in_picture(folder, points, header)
    _check_spread(folder, points)
    if len(folder.faults) > n_before:
        return None
    return PointControl(
        names=tuple(points.columns["point"]),
        xy_px=frozen_array(points.numbers("x_px", "y_px")),
        xy_mm=frozen_array(points.numbers("x_mm", "y_mm")),
        sd_mm=frozen_array(points.numbers("sd_mm")),
        sd_px=table.sd_px,
    )


def _check_spread(folder: Folder, points: CsvTable) -> None:
    place = Place(points.file)
    if len(points) < _FEWEST_POINTS:
        found = f"{len(points)} control point{'s' if len(points) != 1 else ''}"
        remedy = "At least 4 are needed, and 6 to 8 well spread ones give a check."
        if not len(points):
            remedy += " Enter them in this table, or point at them in notebook 1."
        folder.fault(place, f"{found} cannot fix a plane.", remedy)
        return
    for columns, what in ((("x_mm", "y_mm"), "on the wall"), (("x_px", "y_px"), "in the photograph")):
        if not carries_a_plane(points.numbers(*columns)):
            message = f"the control points lie on one line {what} (all, or all but one)."
            remedy = "Add points well off that line, best near the four corners of the motifs."
            folder.fault(place, message, remedy)
            return


def _check_in_picture(folder: Folder, table: CsvTable, header: ImageHeader | None) -> None:
    if header is None:
        return
    size = f"{header.width_px} × {header.height_px} px"
    remedy = "Take pixels from the upright picture, x to the right and y down from its top-left corner."
    for column, extent in (("x_px", header.width_px), ("y_px", header.height_px)):
        values = table.numbers(column)
        for k in np.flatnonzero(np.abs(values - (extent - 1) / 2) > extent / 2):
            message = f"{values[k]:g} lies outside the photograph, which shows {size}."
            folder.fault(table.place(int(k), column), message, remedy)


def _check_pixels(folder: Folder, place: Place, xy_px: FloatArray, header: ImageHeader) -> None:
    size = np.array([header.width_px, header.height_px])
    outside = np.flatnonzero((np.abs(xy_px - (size - 1) / 2) > size / 2).any(axis=1))
    if len(outside):
        x, y = xy_px[outside[0]]
        message = f"({x:g}, {y:g}) lies outside the photograph, which shows {size[0]} × {size[1]} px."
        remedy = "Take pixels from the upright picture, x to the right and y down from its top-left corner."
        folder.fault(place, message, remedy)


def _read_bar(folder: Folder, table: BarTable, place: Place, header: ImageHeader | None) -> BarControl:
    ends = np.array(table.ends_px, float)
    if header is not None:
        _check_pixels(folder, place, ends, header)
    if np.hypot(*(ends[1] - ends[0])) < 1.0:
        folder.fault(place, "the two ends of the bar are one point.", "Give the pixels of both its ends.")
    return BarControl(
        ends_px=frozen_array(ends),
        length_mm=table.length_mm,
        stand_off_mm=table.stand_off_mm,
        length_sd_mm=table.length_sd_mm,
        stand_off_sd_mm=table.stand_off_sd_mm,
        sd_px=table.sd_px,
    )


def _read_markers(folder: Folder, place: Place, table: BoardTable | LensBoardTable) -> Markers | None:
    """Coded markers of a board; a board without them must tell which way up it is by its shape."""
    if table.marker_mm is None:
        _check_board(folder, place, table.columns, table.rows)
        return None
    if table.marker_mm >= table.square_mm:
        message = f"markers of {table.marker_mm:g} mm do not fit into squares of {table.square_mm:g} mm."
        folder.fault(place, message, "Measure both on the printed board.")
    return Markers(side_mm=table.marker_mm, dictionary=table.dictionary.lower())


def _check_board(folder: Folder, place: Place, columns: int, rows: int) -> None:
    if columns == rows:
        message = f"a board of {columns} × {rows} inner corners looks the same when turned."
        folder.fault(place, message, "Use a board with unequal numbers of corners across and down.")


def _read_board_lens(folder: Folder, place: Place, name: str, board: LensBoardTable) -> LensEntry:
    files = [path for pattern in board.files for path in folder.find_all(pattern, place, "the board photograph")]
    markers = _read_markers(folder, place, board)
    headers = [image_header(folder, path) for path in files]
    sizes = {(header.width_px, header.height_px) for header in headers if header is not None}
    if len(sizes) > 1:
        written = " and ".join(f"{width} × {height} px" for width, height in sorted(sizes))
        remedy = "Photographs for one lens need one camera, one zoom and one size; turn them the same way up."
        folder.fault(place, f"the board photographs of lens {name!r} differ in size: {written}.", remedy)
    return LensEntry(
        name=name,
        columns=board.columns,
        rows=board.rows,
        square_mm=board.square_mm,
        files=tuple(files),
        markers=markers,
    )
