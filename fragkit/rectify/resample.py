"""The true-scale picture: what area, at what sampling, and how the photograph is brought to it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify.homography import apply_homography
from fragkit.rectify.lens import radius_limit
from fragkit.rectify.picture import Picture
from fragkit.rectify.plane import Plane
from fragkit.threads import by_rows

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

MAX_SIDE_PX = 32766
"""Longest side that OpenCV's remap takes."""

STRIP_ROWS = 256
"""Rows made at a time, to keep memory low."""

PROBES = 61
"""Points per side of the grid on which area and sampling are judged."""

NODE_STEP = 8
"""Picture pixels between the points at which the map is computed."""

MAX_SHRINK = 1.5
"""Photograph pixels per picture pixel up to which one sample will do; beyond, samples are averaged."""

MIN_MM_PER_PX, MAX_MM_PER_PX = 0.005, 50.0
"""Ground sampling outside these bounds means that the control is not in mm."""


def stretched_hull(xy_mm: FloatArray, *, factor: float) -> FloatArray:
    """Convex hull (k, 2) of points, anticlockwise, stretched about its centroid."""
    hull = xy_mm[ConvexHull(xy_mm).vertices]
    centre = hull.mean(axis=0)
    return np.asarray(centre + factor * (hull - centre))


def seen(plane: Plane, xy_mm: FloatArray, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Which plane points (n, 2) the photograph shows: before the camera, in the lens model and the frame."""
    matrix = plane.from_unit @ plane.unit_homography @ plane.to_unit
    before = xy_mm @ matrix[2, :2] + matrix[2, 2] > 1e-6
    safe = np.where(before[:, None], xy_mm, xy_mm[before].mean(axis=0) if before.any() else 0.0)
    ideal = apply_homography(matrix, safe)
    radius = np.hypot(*(ideal - plane.lens.centre_px).T) / plane.lens.f_px
    x, y = plane.to_px(safe).T
    width, height = size_px
    inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
    return np.asarray(before & (radius < radius_limit(plane.lens)) & inside)


def in_polygon(xy: FloatArray, polygon: FloatArray) -> NDArray[np.bool_]:
    """Which points (n, 2) lie inside a convex polygon (k, 2) that runs anticlockwise."""
    edges = np.roll(polygon, -1, axis=0) - polygon
    offsets = xy[:, None, :] - polygon
    return np.asarray((edges[:, 0] * offsets[..., 1] - edges[:, 1] * offsets[..., 0] >= 0).all(axis=1))


def grid(area_mm: Box, n: int = PROBES) -> FloatArray:
    """Points (n², 2) evenly over an area."""
    x0, y0, x1, y1 = area_mm
    return np.stack(np.meshgrid(np.linspace(x0, x1, n), np.linspace(y0, y1, n)), axis=-1).reshape(-1, 2)


def natural_area_mm(plane: Plane, hull_mm: FloatArray, size_px: tuple[int, int]) -> Box:
    """Bounding box (x0, y0, x1, y1) of what the photograph shows within `hull_mm`."""
    box = (*hull_mm.min(axis=0), *hull_mm.max(axis=0))
    points = grid(box, 4 * PROBES)
    points = points[seen(plane, points, size_px) & in_polygon(points, hull_mm)]
    if len(points) < 4:
        raise EstimationError(
            "The photograph shows nothing of the plane near the control.",
            found="an empty area",
            needed="control points picked in this photograph",
        )
    x0, y0 = points.min(axis=0)
    x1, y1 = points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def ground_sampling_mm(plane: Plane, xy_mm: FloatArray) -> FloatArray:
    """Millimetres per photograph pixel (n,) at plane points (n, 2): the root of the area of a pixel."""
    return np.asarray(1.0 / np.sqrt(np.abs(np.linalg.det(plane.px_per_mm(xy_mm)))))


def choose_sampling_mm(plane: Plane, xy_mm: FloatArray, asked_mm_per_px: float | None) -> float:
    """Millimetres per picture pixel: as asked, or the median of what the photograph carries at `xy_mm`.

    Raises
    ------
    EstimationError
        A ground sampling that no photograph of a wall has: the control is not in mm.
    ValueError
        Finer than the photograph is anywhere.
    """
    carried = ground_sampling_mm(plane, xy_mm)
    natural, finest = float(np.median(carried)), float(carried.min())
    if not MIN_MM_PER_PX < natural < MAX_MM_PER_PX:
        raise EstimationError(
            "The control cannot be in millimetres.",
            found=f"{natural:.2g} mm per photograph pixel",
            needed=f"between {MIN_MM_PER_PX} and {MAX_MM_PER_PX:.0f} mm; give the coordinates in mm, not m",
        )
    if asked_mm_per_px is None:
        unit = 10.0 ** (np.floor(np.log10(natural)) - 1)
        return float(np.round(np.ceil(natural / unit) * unit, 12))
    if not asked_mm_per_px > 0 or asked_mm_per_px < finest * (1 - 1e-9):
        raise ValueError(
            f"mm_per_px is {asked_mm_per_px:g}; the photograph carries {finest:.2g} mm per px at best, "
            f"so give at least that (its natural value is {natural:.2g})."
        )
    return asked_mm_per_px


def true_scale(
    pixels: NDArray[Any],
    plane: Plane,
    *,
    area_mm: Box,
    mm_per_px: float,
    hull_mm: FloatArray,
    hidden_mm: FloatArray | None,
) -> Picture:
    """The photograph (h, w, 3) brought to the plane, y up, its depth in bits kept.

    Parameters
    ----------
    pixels : (h, w, 3) array of uint8 or uint16
    plane : Plane
    area_mm : (x0, y0, x1, y1)
    mm_per_px : float
    hull_mm : (k, 2) array
        Convex, anticlockwise; nothing outside it is covered.
    hidden_mm : (m, 2) array, optional
        Convex, anticlockwise; a foreign body, such as the control board, that is not covered.

    Notes
    -----
    Bicubic. Where the photograph is finer than the picture by more than `MAX_SHRINK`, each pixel is the mean
    of k × k samples. Made strip by strip to keep memory low.
    """
    x0, y0, x1, y1 = area_mm
    width, height = (max(1, int(np.ceil((b - a) / mm_per_px - 1e-9))) for a, b in ((x0, x1), (y0, y1)))
    if max(width, height) > MAX_SIDE_PX or max(pixels.shape[:2]) > MAX_SIDE_PX:
        raise ValueError(
            f"The picture would be {width} × {height} px; at most {MAX_SIDE_PX} px a side are possible. "
            "Give a coarser mm_per_px or a smaller area_mm."
        )
    origin = np.array([x0 + mm_per_px / 2.0, y1 - mm_per_px / 2.0])
    picture = np.empty((height, width, 3), pixels.dtype)
    covered = np.empty((height, width), bool)
    xs = origin[0] + mm_per_px * np.arange(width)
    within = _drawn(hull_mm, origin, mm_per_px, covered.shape)
    if hidden_mm is not None:
        within &= ~_drawn(hidden_mm, origin, mm_per_px, covered.shape)

    def fill(rows: slice) -> None:
        ys = origin[1] - mm_per_px * np.arange(rows.start, rows.stop)
        picture[rows], shown = _strip(pixels, plane, xs, ys, mm_per_px)
        np.logical_and(shown, within[rows], out=covered[rows])

    by_rows(fill, height, size=STRIP_ROWS)
    return Picture(pixels=picture, mm_per_px=mm_per_px, origin_mm=origin, coverage=covered)


def _strip(
    pixels: NDArray[Any], plane: Plane, xs: FloatArray, ys: FloatArray, mm_per_px: float
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Rows of the picture, black where the photograph does not show the plane, and where it does."""
    n_samples = _n_samples(plane, xs, ys, mm_per_px)
    map_x, map_y, shown = _maps(plane, xs, ys, pixels.shape)
    if n_samples > 1:
        offsets = mm_per_px * ((np.arange(n_samples) + 0.5) / n_samples - 0.5)
        fine_x, fine_y = (xs[:, None] + offsets).ravel(), (ys[:, None] - offsets).ravel()
        map_x, map_y, _ = _maps(plane, fine_x, fine_y, pixels.shape)
    rows = cv2.remap(pixels, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    if n_samples > 1:
        rows = cv2.resize(rows, (len(xs), len(ys)), interpolation=cv2.INTER_AREA)
    return rows if shown.all() else np.asarray(cv2.copyTo(rows, shown.view(np.uint8))), shown


def _n_samples(plane: Plane, xs: FloatArray, ys: FloatArray, mm_per_px: float) -> int:
    points = grid((xs[0], ys[-1], xs[-1], ys[0]), 7)
    shrink = float(np.linalg.norm(plane.px_per_mm(points), ord=2, axis=(1, 2)).max()) * mm_per_px
    return max(1, int(np.ceil(shrink / MAX_SHRINK))) if np.isfinite(shrink) and shrink < 64 else 1


def _maps(
    plane: Plane, xs: FloatArray, ys: FloatArray, shape: tuple[int, ...]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Photograph coordinates of an even grid of plane points, as two maps, and whether they are seen.

    Notes
    -----
    Computed at every eighth point and interpolated linearly: within 0.002 px for any lens met in practice.
    """
    nodes = [_nodes(values) for values in (xs, ys)]
    size = (len(xs), len(ys))
    exact_x, exact_y, safe = _exact_maps(plane, *nodes)
    map_x, map_y = _between_nodes(exact_x, size), _between_nodes(exact_y, size)
    inside = (map_x >= 0) & (map_x <= shape[1] - 1) & (map_y >= 0) & (map_y <= shape[0] - 1)
    return map_x, map_y, inside if safe.all() else inside & (_between_nodes(safe, size) > 0.999)


def _nodes(values: FloatArray) -> FloatArray:
    """Every `NODE_STEP`th of even values, carried on until they span them; at least two."""
    step = (values[-1] - values[0]) / max(len(values) - 1, 1)
    return values[0] + step * np.arange(0, max(len(values) - 1, 1) + NODE_STEP, NODE_STEP)


def _between_nodes(node_map: NDArray[np.float32], size_px: tuple[int, int]) -> NDArray[np.float32]:
    to_node = np.array([[1.0 / NODE_STEP, 0.0, 0.0], [0.0, 1.0 / NODE_STEP, 0.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(node_map, to_node, size_px, flags=flags, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def _exact_maps(plane: Plane, xs: FloatArray, ys: FloatArray) -> tuple[NDArray[np.float32], ...]:
    """Two maps (len(ys), len(xs)) and 1 where the point lies before the camera and inside the lens model."""
    lens, matrix = plane.lens, plane.from_unit @ plane.unit_homography @ plane.to_unit
    centred = np.array([[1, 0, -lens.centre_px[0]], [0, 1, -lens.centre_px[1]], [0, 0, lens.f_px]]) @ matrix
    x, y, w = (row[0] * xs + (row[1] * ys + row[2])[:, None] for row in centred)
    before = w > 1e-6 * lens.f_px
    x, y = x / np.where(before, w, np.inf), y / np.where(before, w, np.inf)
    r2 = x * x + y * y
    safe = before & (r2 < radius_limit(lens) ** 2)
    gain = np.where(safe, lens.f_px * (1.0 + r2 * (lens.k1 + r2 * lens.k2)), 0.0)
    x, y = x * gain + lens.centre_px[0], y * gain + lens.centre_px[1]
    return x.astype(np.float32), y.astype(np.float32), safe.astype(np.float32)


def _drawn(
    polygon_mm: FloatArray, origin_mm: FloatArray, mm_per_px: float, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """A polygon in mm as a mask of the picture."""
    corners = (polygon_mm - origin_mm) / [mm_per_px, -mm_per_px]
    canvas = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(canvas, np.round(np.clip(corners, -1e5, 1e5) * 16).astype(np.int32), 1, shift=4)
    return canvas.astype(bool)
