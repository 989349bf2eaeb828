"""A simulated camera and painted walls for the tests of `rectify`: they share no code with the room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from fragkit.opencv import cv2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A camera before a wall: photograph pixels of wall points, by the textbook formulas."""

    rotation: FloatArray
    shift_mm: FloatArray
    f_px: float
    centre_px: FloatArray
    k1: float
    k2: float
    size_px: tuple[int, int]
    wall_mm: FloatArray

    def see(self, xy_mm: FloatArray, z_mm: float | FloatArray = 0.0) -> FloatArray:
        xyz = np.column_stack([xy_mm, np.broadcast_to(z_mm, len(xy_mm))])
        seen = xyz @ self.rotation.T + self.shift_mm
        x = seen[:, :2] / seen[:, 2:]
        r2 = (x**2).sum(axis=1, keepdims=True)
        return self.centre_px + self.f_px * x * (1 + self.k1 * r2 + self.k2 * r2**2)


def _turn(degrees: float, axis: int) -> FloatArray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    matrix = np.eye(3)
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    matrix[i, i] = matrix[j, j] = c
    matrix[i, j], matrix[j, i] = -s, s
    return matrix


def make_shot(
    *, tilt_deg: tuple[float, float] = (0.0, 0.0), roll_deg: float = 0.0, k1: float = 0.0, k2: float = 0.0,
    size_px: tuple[int, int] = (4000, 3000), wall_mm: tuple[float, float] = (900.0, 650.0),
    f_ratio: float = 0.85,
) -> Shot:  # fmt: skip
    """The nearest shot that shows the whole wall area, centred at the wall's origin."""
    face = np.diag([1.0, -1.0, -1.0])
    rotation = face @ _turn(tilt_deg[0], 0) @ _turn(tilt_deg[1], 1) @ _turn(roll_deg, 2)
    centre = (np.array(size_px) - 1) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(wall_mm) / 2
    distance = 0.5 * f_ratio * max(wall_mm)
    while True:
        shot = Shot(
            rotation=rotation, shift_mm=np.array([0, 0, distance]), f_px=f_ratio * max(size_px),
            centre_px=centre, k1=k1, k2=k2, size_px=size_px, wall_mm=np.array(wall_mm),
        )  # fmt: skip
        pixels = shot.see(corners)
        if (pixels > 0.01 * max(size_px)).all() and (pixels < np.array(size_px) - 0.01 * max(size_px)).all():
            return shot
        distance *= 1.02


def random_shot(rng: np.random.Generator) -> Shot:
    """Tilt to 25° on both axes, roll to 8°, k1 from −0.12 to 0.05."""
    tilt = tuple(rng.uniform(-25, 25, 2))
    return make_shot(tilt_deg=tilt, roll_deg=rng.uniform(-8, 8), k1=rng.uniform(-0.12, 0.05))


def control_points(shot: Shot, n: int, rng: np.random.Generator) -> FloatArray:
    """Points of the wall near its corners and the middles of its sides, where a hand would put them."""
    corners_and_sides = [[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1], [-1, 0], [1, 0]]
    places = np.array([*corners_and_sides, [0, 0], [0.5, 0.5], [-0.5, 0.5], [0.5, -0.5]])[:n] * shot.wall_mm / 2
    return np.clip(places + rng.uniform(-0.06, 0.06, (n, 2)) * shot.wall_mm, -shot.wall_mm / 2, shot.wall_mm / 2)


def photograph_of(
    shot: Shot, colour_at: Callable[[FloatArray], FloatArray], *, dtype: type = np.uint8
) -> NDArray[np.generic]:
    """Paint a wall given by a function of mm, 3 × 3 samples a pixel; the lens undone by plain iteration."""
    width, height = shot.size_px
    fine = (np.arange(3 * width) - 1) / 3, (np.arange(3 * height) - 1) / 3
    shown = (np.stack(np.meshgrid(*fine), -1).reshape(-1, 2) - shot.centre_px) / shot.f_px
    x = shown
    for _ in range(9):
        r2 = (x**2).sum(axis=1, keepdims=True)
        x = shown / (1 + shot.k1 * r2 + shot.k2 * r2**2)
    matrix = np.column_stack([shot.rotation[:, :2], shot.shift_mm])
    mm = np.column_stack([x, np.ones(len(x))]) @ np.linalg.inv(matrix).T
    colours = colour_at(mm[:, :2] / mm[:, 2:]).reshape(3 * height, 3 * width, 3).astype(np.float32)
    levels = cv2.resize(colours, (width, height), interpolation=cv2.INTER_AREA)
    return np.round(levels * np.iinfo(dtype).max).astype(dtype)


@pytest.fixture(scope="session")
def paint() -> Callable[..., NDArray[np.generic]]:
    return photograph_of


@pytest.fixture(scope="session")
def shoot() -> Callable[..., Shot]:
    return make_shot


@pytest.fixture(scope="session")
def shoot_at_random() -> Callable[[np.random.Generator], Shot]:
    return random_shot


@pytest.fixture(scope="session")
def choose_control() -> Callable[[Shot, int, np.random.Generator], FloatArray]:
    return control_points
