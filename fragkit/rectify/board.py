"""Chessboards: their corners in a photograph, and the lens out of several photographs of one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify.camera import Bundle, solve_cameras
from fragkit.rectify.lens import Lens
from fragkit.survey import Markers, Photograph

FloatArray = NDArray[np.float64]

MIN_VIEWS = 3
"""Board photographs below which a lens is not solved; ten are usual."""

MIN_CODED_CORNERS = 6
"""Corners of a coded board below which it fixes no plane with anything to spare."""

MIN_STRANGE_MARKERS = 2
"""Markers that the board does not have: one may be misread, two are of another board."""

SEARCH_PX = 1600
"""The board is first looked for in a copy no larger than this."""


def board_points_mm(*, columns: int, rows: int, square_mm: float) -> FloatArray:
    """Inner corners (columns × rows, 2) of a board, row by row: first at (0, 0), x along the rows, y up."""
    return np.array([[i * square_mm, -j * square_mm] for j in range(rows) for i in range(columns)], float)


def find_board(pixels: NDArray[Any], *, columns: int, rows: int) -> FloatArray:
    """Inner corners of a chessboard in a photograph, row by row, to a fraction of a pixel.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) array of uint8 or uint16
    columns, rows : int
        Inner corners along a row, and rows of them.

    Returns
    -------
    (columns × rows, 2) array
        Displayed pixels. Rows run as nearly rightwards as the board allows, and the next row lies clockwise
        of it, so the board is never read as its mirror image.

    Raises
    ------
    EstimationError
        The board is not in the photograph.

    Notes
    -----
    Corners are refined to the saddle point by the gradients in a window of 0.4 squares, at most 11 px
    (Förstner and Gülch 1987).
    """
    if columns < 3 or rows < 3:
        raise ValueError(
            f"A board of {columns} × {rows} inner corners is too small; count inner corners, at least 3 × 3."
        )
    gray = _gray(pixels)
    ratio = min(1.0, SEARCH_PX / max(gray.shape))
    small = gray if ratio == 1.0 else cv2.resize(gray, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(small, (columns, rows), flags=flags)
    other = "" if found else _other_board(small, columns, rows)
    if not found and not other:
        found, corners = cv2.findChessboardCornersSB(small, (columns, rows), flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not found:
        raise EstimationError(
            "The board is not found in the photograph.",
            found=f"no chessboard of {columns} × {rows} inner corners{other}",
            needed="the whole board, sharp, with a white border, and the right number of inner corners",
        )
    grid = (np.asarray(corners, float).reshape(-1, 2) + 0.5) / ratio - 0.5
    refined = _refined(gray, grid.reshape(rows, columns, 2))
    if _goes_on(gray, refined):
        raise EstimationError(
            "The board in the photograph has more squares than asked for.",
            found=f"squares beyond the {columns} × {rows} inner corners{_other_board(small, columns, rows)}",
            needed="the number of inner corners of the whole board, counted on the board itself",
        )
    return _ordered(refined)


def _goes_on(gray: NDArray[Any], grid: FloatArray) -> bool:
    """Whether there are squares beyond, or corners between, those of a grid (rows, columns, 2).

    Notes
    -----
    At an inner corner dark and light squares face each other; at the rim of a board one of the four is dark
    at most, which halves the difference of the two diagonals.
    """
    inner = np.median(_saddle(gray, grid[1:-1, 1:-1], grid[1:-1, 2:], grid[2:, 1:-1]))
    for lines in (grid, grid.transpose(1, 0, 2)):
        between = (lines[:-1, :-1] + lines[1:, :-1]) / 2.0
        if np.median(_saddle(gray, between, (between + lines[1:, 1:]) / 2.0, lines[1:, :-1])) > inner / 2.0:
            return True
    for side in (grid, grid[::-1], grid.transpose(1, 0, 2), grid.transpose(1, 0, 2)[::-1]):
        beyond = 2.0 * side[0] - side[1]
        along = np.concatenate([beyond[1:], 2.0 * beyond[-1:] - beyond[-2:-1]])
        reach = beyond + (beyond - side[0])
        margin = 0.5 * np.abs(reach - beyond).max()
        inside = (beyond > margin).all() and (beyond < np.array(gray.shape[::-1]) - 1 - margin).all()
        if inside and np.median(_saddle(gray, beyond, along, reach)) > 0.75 * inner:
            return True
    return False


def _saddle(gray: NDArray[Any], corner: FloatArray, right: FloatArray, below: FloatArray) -> FloatArray:
    """Difference of the diagonal means a quarter square off each corner, in grey levels."""
    across, down = (right - corner) / 4.0, (below - corner) / 4.0
    value = [_grey_at(gray, corner + i * across + j * down) for i, j in ((1, 1), (-1, -1), (1, -1), (-1, 1))]
    return np.abs(value[0] + value[1] - value[2] - value[3])


def _grey_at(gray: NDArray[Any], xy: FloatArray) -> FloatArray:
    x, y = np.rint(xy).astype(int).reshape(-1, 2).T
    height, width = gray.shape
    return np.asarray(gray[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)], float)


def _other_board(gray: NDArray[Any], columns: int, rows: int) -> str:
    """In words, what board of another size there is; empty if none, or one of the size asked for.

    Notes
    -----
    The second detector of OpenCV takes part of a larger board, or every other corner, for a smaller one.
    """
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_LARGER
    found, _, meta = cv2.findChessboardCornersSBWithMeta(gray, (3, 3), flags=flags)
    if not found or meta is None or sorted(meta.shape) == sorted((columns, rows)):
        return ""
    return f", but one of {max(meta.shape)} × {min(meta.shape)}"


def find_coded_board(
    pixels: NDArray[Any], *, columns: int, rows: int, markers: Markers, square_mm: float
) -> tuple[NDArray[np.intp], FloatArray]:
    """Which inner corners (k,) of a board with coded markers are seen, and where (k, 2) in pixels.

    Parameters
    ----------
    pixels : (h, w) or (h, w, 3) array of uint8 or uint16
    columns, rows : int
        Inner corners along a row, and rows of them.
    markers : Markers
    square_mm : float

    Returns
    -------
    (k,) int array, (k, 2) array
        Numbers count row by row from the board's first corner, whichever way up it lies.

    Raises
    ------
    EstimationError
        Fewer than `MIN_CODED_CORNERS` corners are read.
    ValueError
        A dictionary that does not exist, or markers larger than their squares.
    """
    board = _coded_board(columns, rows, markers, square_mm)
    gray = _gray(pixels)
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(board).detectBoard(gray)
    _refuse_strange_markers(marker_ids, columns, rows)
    n_found = 0 if ids is None else len(np.ravel(ids))
    if n_found < MIN_CODED_CORNERS:
        n_markers = 0 if marker_ids is None else len(np.ravel(marker_ids))
        raise EstimationError(
            "The board with coded markers is not read in the photograph.",
            found=f"{n_found} of {columns * rows} corners and {n_markers} markers of {markers.dictionary}",
            needed=f"{MIN_CODED_CORNERS} corners, the right dictionary and the right number of inner corners",
        )
    numbers = np.ravel(ids).astype(np.intp)
    return numbers, _refined_alone(gray, np.asarray(corners, float).reshape(-1, 2))


def _refuse_strange_markers(marker_ids: Any, columns: int, rows: int) -> None:
    """Refuse a board of other size: it carries markers whose numbers the board asked for does not have."""
    n_own = (columns + 1) * (rows + 1) // 2
    numbers = np.ravel([] if marker_ids is None else marker_ids).astype(int)
    strange = np.unique(numbers[numbers >= n_own])
    if len(strange) >= MIN_STRANGE_MARKERS:
        raise EstimationError(
            "The board with coded markers has more squares than asked for, or a second one is in the picture.",
            found=f"markers up to number {strange[-1]}, where {columns} × {rows} inner corners have 0 to {n_own - 1}",
            needed="the number of inner corners of the whole board, counted on the board itself, and one board only",
        )


def _coded_board(columns: int, rows: int, markers: Markers, square_mm: float) -> Any:
    code = getattr(cv2.aruco, f"DICT_{markers.dictionary.upper()}", None)
    if code is None:
        raise ValueError(f"There is no marker dictionary {markers.dictionary!r}; take one like '4x4_50' or '5x5_100'.")
    if not 0 < markers.side_mm < square_mm:
        raise ValueError(
            f"Markers of {markers.side_mm:g} mm do not fit into squares of {square_mm:g} mm; measure both."
        )
    dictionary = cv2.aruco.getPredefinedDictionary(code)
    n_markers = (columns + 1) * (rows + 1) // 2
    if n_markers > len(dictionary.bytesList):
        raise ValueError(
            f"{markers.dictionary!r} has {len(dictionary.bytesList)} markers, the board {n_markers}; "
            "take the dictionary that the board was printed with."
        )
    size = (columns + 1, rows + 1)
    return cv2.aruco.CharucoBoard(size, float(square_mm), float(markers.side_mm), dictionary)


def _refined_alone(gray: NDArray[np.uint8], corners: FloatArray) -> FloatArray:
    """Corners at their saddle points, in a window that keeps clear of the markers."""
    apart = np.linalg.norm(corners[:, None] - corners, axis=2) + 1e9 * np.eye(len(corners))
    window = int(np.clip(0.1 * np.median(apart.min(axis=1)), 2, 11))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    start = np.ascontiguousarray(corners.reshape(-1, 1, 2), np.float32)
    return np.asarray(cv2.cornerSubPix(gray, start, (window, window), (-1, -1), criteria), float).reshape(-1, 2)


def _gray(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    if pixels.dtype != np.uint8 or pixels.ndim not in (2, 3):
        raise ValueError(
            f"A photograph of {pixels.dtype} and shape {pixels.shape}; it must be 8 or 16 bits, grey or RGB."
        )
    gray = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.ascontiguousarray(gray, np.uint8)


def _refined(gray: NDArray[np.uint8], grid: FloatArray) -> FloatArray:
    along = np.linalg.norm(np.diff(grid, axis=1), axis=2).min()
    across = np.linalg.norm(np.diff(grid, axis=0), axis=2).min()
    window = int(np.clip(0.4 * min(along, across), 2, 11))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    start = np.ascontiguousarray(grid.reshape(-1, 1, 2), np.float32)
    refined = cv2.cornerSubPix(gray, start, (window, window), (-1, -1), criteria)
    return np.asarray(refined, float).reshape(grid.shape)


def _ordered(grid: FloatArray) -> FloatArray:
    """The reading of the grid that is not mirrored and whose rows run most nearly rightwards."""
    readings = [grid, grid[::-1, ::-1]]
    if grid.shape[0] == grid.shape[1]:
        readings += [grid.transpose(1, 0, 2), grid.transpose(1, 0, 2)[::-1, ::-1]]
    readings += [reading[::-1] for reading in readings]
    upright = []
    for reading in readings:
        across = (reading[:, -1] - reading[:, 0]).mean(axis=0)
        down = (reading[-1] - reading[0]).mean(axis=0)
        if across[0] * down[1] - across[1] * down[0] > 0:
            upright.append((across[0] + 1e-3 * across[1], reading))
    return max(upright, key=lambda pair: pair[0])[1].reshape(-1, 2).copy()


def solve_lens(
    pictures: Sequence[NDArray[Any] | Photograph],
    *,
    columns: int,
    rows: int,
    square_mm: float,
    name: str = "",
    markers: Markers | None = None,
) -> Lens:
    """The lens out of photographs of a chessboard.

    Parameters
    ----------
    pictures : sequence of (h, w, 3) arrays or Photographs
        All of one size, one focus and one zoom.
    columns, rows : int
        Inner corners along a row, and rows of them.
    square_mm : float
        Side of a square.
    name : str
        Name of the lens.
    markers : Markers, optional
        For a board with coded markers, which may be partly hidden or reach beyond the picture.

    Returns
    -------
    Lens
        Its covariance rests on the residuals and on how far the photographs disagree.

    Raises
    ------
    EstimationError
        The board is found in fewer than three of the photographs, or the views do not fix a camera.

    Notes
    -----
    Bundle adjustment over all views (Zhang 2000): one focal length, centre, k1 and k2, and a pose per view.
    """
    shapes = {_pixels(picture).shape[:2] for picture in pictures}
    if len(shapes) > 1:
        raise ValueError(f"Board photographs of sizes {sorted(shapes)}; a lens belongs to one size, focus and zoom.")
    views, planes, missed = [], [], []
    every = board_points_mm(columns=columns, rows=rows, square_mm=square_mm)
    for number, picture in enumerate(pictures, start=1):
        try:
            seen, corners = _corners(_pixels(picture), columns, rows, square_mm, markers)
        except EstimationError:  # named in the notes of the lens
            missed.append(getattr(picture, "file", f"photograph {number}"))
            continue
        views.append(corners)
        planes.append(every[seen])
    if len(views) < MIN_VIEWS:
        raise EstimationError(
            "The lens cannot be solved from these board photographs.",
            found=f"{columns} × {rows} inner corners in {len(views)} of {len(pictures)} photographs",
            needed=f"at least {MIN_VIEWS}, better ten, the board tilted differently and reaching the corners",
        )
    height, width = shapes.pop()
    return _lens(solve_cameras(planes, views, size_px=(width, height)), name, missed)


def _corners(
    pixels: NDArray[Any], columns: int, rows: int, square_mm: float, markers: Markers | None
) -> tuple[NDArray[np.intp], FloatArray]:
    if markers is None:
        return np.arange(columns * rows), find_board(pixels, columns=columns, rows=rows)
    return find_coded_board(pixels, columns=columns, rows=rows, markers=markers, square_mm=square_mm)


def _pixels(picture: NDArray[Any] | Photograph) -> NDArray[Any]:
    return picture.pixels if isinstance(picture, Photograph) else np.asarray(picture)


def _lens(bundle: Bundle, name: str, missed: list[str]) -> Lens:
    camera, order = bundle.camera, [0, 3, 4, 5, 6]
    notes = [f"No board found in {', '.join(missed)}."] if missed else []
    if len(bundle.views) < 8:
        notes.append(f"The lens rests on {len(bundle.views)} board photographs; ten or more are usual.")
    if bundle.spread_ratio > 1.5:
        notes.append(
            f"The board photographs disagree {bundle.spread_ratio:.1f} times more than errors of corners "
            "explain (a bent board, or a lens beyond k1 and k2); the errors of the lens are widened by that."
        )
    return Lens(
        name=name,
        f_px=camera.fx_px,
        centre_px=camera.centre_px,
        k1=camera.k1,
        k2=camera.k2,
        cov=bundle.camera_cov[np.ix_(order, order)],
        rms_px=bundle.rms_px,
        n_views=len(bundle.views),
        source="board photographs",
        notes=tuple(notes),
    )
