"""A camera with a pose, a focal length and radial distortion, looking at a nearly flat wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.simulate.relief import FLAT, Relief

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class LensPlan:
    """Focal length, picture size and distortion of a lens; its centre lies `off_centre_px` from the middle.

    With an ideal pixel u and r = |u − centre| / f_px:  u_d = centre + (u − centre)(1 + k1 r² + k2 r⁴).
    """

    f_px: float = 2280.0
    size_px: tuple[int, int] = (2400, 1800)
    k1: float = -0.055
    k2: float = 0.021
    off_centre_px: tuple[float, float] = (9.0, -6.0)

    @property
    def centre_px(self) -> FloatArray:
        """Where the optical axis meets the picture."""
        return (np.array(self.size_px, float) - 1.0) / 2.0 + self.off_centre_px

    def distort(self, ideal_px: ArrayLike) -> FloatArray:
        """Pixels of the photograph (…, 2) from distortion-free pixels (…, 2)."""
        away = np.asarray(ideal_px, float) - self.centre_px
        r2 = (away**2).sum(-1, keepdims=True) / self.f_px**2
        return self.centre_px + away * (1.0 + self.k1 * r2 + self.k2 * r2**2)

    def undistort(self, photo_px: ArrayLike) -> FloatArray:
        """Distortion-free pixels (…, 2) of pixels of the photograph (…, 2).

        Notes
        -----
        Twelve fixed-point steps; each shrinks the error by about |3 k1 r²|, below 1e-6 px for |k1| ≤ 0.12.
        """
        seen = np.asarray(photo_px, float) - self.centre_px
        away = seen
        for _ in range(12):
            r2 = (away**2).sum(-1, keepdims=True) / self.f_px**2
            away = seen / (1.0 + self.k1 * r2 + self.k2 * r2**2)
        return self.centre_px + away


@dataclass(frozen=True, eq=False, kw_only=True)
class Camera:
    """A lens at a place.

    Attributes
    ----------
    lens : LensPlan
    position_mm : (3,) array
        Camera centre in the plane's frame: x right, y up, z out of the wall.
    rotation : (3, 3) array
        Rows are the camera's right, down and forward directions in that frame.
    """

    lens: LensPlan
    position_mm: FloatArray
    rotation: FloatArray

    @property
    def homography(self) -> FloatArray:
        """(3, 3) matrix from plane mm (z = 0) to distortion-free pixels, last element 1."""
        inner = np.array([[self.lens.f_px, 0.0, 0.0], [0.0, self.lens.f_px, 0.0], [0.0, 0.0, 1.0]])
        inner[:2, 2] = self.lens.centre_px
        outer = np.column_stack([self.rotation[:, :2], -self.rotation @ self.position_mm])
        matrix = inner @ outer
        return matrix / matrix[2, 2]

    def project(self, xy_mm: ArrayLike, relief: Relief = FLAT) -> FloatArray:
        """Pixels of the photograph (…, 2) of places (…, 2) on the wall, distortion and relief included."""
        xy = np.asarray(xy_mm, float)
        space = np.concatenate([xy, relief.at(xy)[..., None]], axis=-1)
        seen = (space - self.position_mm) @ self.rotation.T
        return self.lens.distort(self.lens.centre_px + self.lens.f_px * seen[..., :2] / seen[..., 2:])

    def to_wall(self, photo_px: ArrayLike, relief: Relief = FLAT) -> FloatArray:
        """Places (…, 2) in mm on the wall seen at pixels of the photograph (…, 2)."""
        ideal = (self.lens.undistort(photo_px) - self.lens.centre_px) / self.lens.f_px
        ray = np.concatenate([ideal, np.ones_like(ideal[..., :1])], axis=-1) @ self.rotation
        height = np.zeros_like(ray[..., 0])
        for _ in range(4):
            reach = (height - self.position_mm[2]) / ray[..., 2]
            place = self.position_mm[:2] + ray[..., :2] * reach[..., None]
            height = relief.at(place)
        return place

    def footprint_mm(self, margin_mm: float = 15.0) -> tuple[float, float, float, float]:
        """Box (x0, y0, x1, y1) on the wall that holds all the camera sees, with a margin."""
        width, height = self.lens.size_px
        along = np.linspace(-0.5, 0.5, 9)
        edge = np.vstack(
            [np.column_stack([along, np.full(9, side)]) for side in (-0.5, 0.5)]
            + [np.column_stack([np.full(9, side), along]) for side in (-0.5, 0.5)]
        )
        places = self.to_wall((edge + 0.5) * [width - 1, height - 1])
        (x0, y0), (x1, y1) = places.min(0) - margin_mm, places.max(0) + margin_mm
        return float(x0), float(y0), float(x1), float(y1)


def facing(
    target_mm: ArrayLike,
    *,
    distance_mm: float,
    lens: LensPlan,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    roll_deg: float = 0.0,
) -> Camera:
    """A camera whose axis meets the wall at `target_mm`, `distance_mm` away.

    Parameters
    ----------
    target_mm : (2,) array_like
        In the middle of the picture.
    distance_mm : float
        From the camera to the target.
    lens : LensPlan
    tilt_deg : (float, float)
        Camera above (+) or below the target, and right (+) or left of it, as angles from square on.
    roll_deg : float
        Turn about the axis; positive turns the picture anticlockwise.
    """
    up, right = np.radians(tilt_deg)
    away = np.array([np.sin(right) * np.cos(up), np.sin(up), np.cos(right) * np.cos(up)])
    if away[2] <= 0.1:
        raise ValueError(f"tilt_deg is {tilt_deg}; the camera must stand in front of the wall, within 80 degrees")
    forward = -away
    level = np.cross(forward, [0.0, 1.0, 0.0])
    level /= np.linalg.norm(level)
    down = np.cross(forward, level)
    turn = np.radians(roll_deg)
    x_axis = np.cos(turn) * level + np.sin(turn) * down
    y_axis = -np.sin(turn) * level + np.cos(turn) * down
    target = np.append(np.asarray(target_mm, float), 0.0)
    return Camera(lens=lens, position_mm=target + distance_mm * away, rotation=np.vstack([x_axis, y_axis, forward]))
