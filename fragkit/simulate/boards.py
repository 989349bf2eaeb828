"""Photographs of a chessboard on a table, from which a lens is solved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.simulate.camera import Camera, LensPlan, facing
from fragkit.simulate.canvas import Canvas, FloatArray, Map, blend
from fragkit.simulate.exposure import Shooting, expose
from fragkit.simulate.pigments import material
from fragkit.simulate.surfaces import Surface

FILL_RATIO = 0.62
"""The board's share of the picture's width."""

FINENESS = 0.8
"""Pixels of the painted board against those of the photograph."""


@dataclass(frozen=True, kw_only=True)
class Board:
    """Inner corners across and down, and the side of a square; the upper left inner corner is (0, 0)."""

    columns: int = 9
    rows: int = 6
    square_mm: float = 25.0

    @property
    def corners_mm(self) -> FloatArray:
        """Inner corners (columns × rows, 2), row by row from the top."""
        column, row = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        return np.asarray(np.column_stack([column.ravel(), -row.ravel()]) * self.square_mm)

    @property
    def middle_mm(self) -> FloatArray:
        """Middle of the board."""
        return np.array([self.columns - 1, 1 - self.rows]) * self.square_mm / 2.0


VIEWS: tuple[tuple[tuple[float, float], float, tuple[float, float]], ...] = (
    ((3.0, -4.0), 2.0, (0.0, 0.0)),
    ((24.0, 4.0), -6.0, (42.0, 34.0)),
    ((-22.0, -7.0), 4.0, (-44.0, 34.0)),
    ((5.0, 26.0), 9.0, (40.0, -26.0)),
    ((-8.0, -27.0), -3.0, (-42.0, -34.0)),
    ((17.0, -18.0), 14.0, (10.0, -8.0)),
)
"""Tilt, roll, and where the camera aims beside the board's middle, in mm: together they fill the picture."""


def photograph_boards(
    board: Board, *, lens: LensPlan, shooting: Shooting, rng: np.random.Generator
) -> tuple[tuple[NDArray[np.uint8], Camera], ...]:
    """Six photographs (h, w, 3) of a board, before JPEG, each with its camera."""
    width_mm = (board.columns + 1) * board.square_mm
    distance = width_mm / FILL_RATIO / lens.size_px[0] * lens.f_px
    pictures = []
    for (tilt, roll, aside), stream in zip(VIEWS, rng.spawn(len(VIEWS)), strict=True):
        target = board.middle_mm + aside
        camera = facing(target, distance_mm=distance, lens=lens, tilt_deg=tilt, roll_deg=roll)
        canvas = Canvas(box_mm=camera.footprint_mm(), mm_per_px=FINENESS * distance / lens.f_px)
        surface = _paint_board(board, canvas, stream)
        pictures.append((expose(surface, camera, shooting=shooting, rng=stream), camera))
    return tuple(pictures)


def _paint_board(board: Board, canvas: Canvas, rng: np.random.Generator) -> Surface:
    """A printed card on a dark table."""
    grain = canvas.smooth_sum((1.2, 0.1, 30.0), (7.0, 0.1, 12.0), rng=rng, mean=1.0)
    albedo = np.stack([grain * value for value in 1.6 * material("dirt")]).astype(np.float32)
    side, (x, y) = board.square_mm, board.middle_mm
    half_x, half_y = (board.columns + 1) * side / 2.0, (board.rows + 1) * side / 2.0
    card = shapely.box(x - half_x - 14.0, y - half_y - 14.0, x + half_x + 14.0, y + half_y + 14.0)
    shade = canvas.cover([shapely.affinity.translate(card, 1.5, -1.5)])
    blend(albedo, 0.3 * material("dirt"), 0.6 * shade)
    blend(albedo, material("sticker"), canvas.cover([card]))
    squares = [
        shapely.box((i - 1) * side, -j * side, i * side, (1 - j) * side)
        for j in range(board.rows + 1)
        for i in range(board.columns + 1)
        if (i + j) % 2 == 0
    ]
    blend(albedo, material("ink"), canvas.cover(squares))
    return _plain(canvas, albedo)


def _plain(canvas: Canvas, albedo: Map) -> Surface:
    return Surface(
        canvas=canvas,
        albedo=albedo,
        gloss=np.zeros(canvas.shape, np.float32),
        labels=np.zeros(canvas.shape, np.uint8),
        visible_ratio=np.zeros(0),
        loss_ratio=0.0,
    )
