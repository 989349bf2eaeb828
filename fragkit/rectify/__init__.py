"""From a photograph and its control to a true-scale picture of the plane, with the error of any point."""

from fragkit.rectify.board import board_points_mm, find_board, solve_lens
from fragkit.rectify.lens import Lens, distort, given_lens, undistort
from fragkit.rectify.light import even_light
from fragkit.rectify.picture import Picture
from fragkit.rectify.plane import Plane
from fragkit.rectify.rectified import Rectified, rectify
from fragkit.rectify.relief import Camera, relief_shift_mm

__all__ = [
    "Camera",
    "Lens",
    "Picture",
    "Plane",
    "Rectified",
    "board_points_mm",
    "distort",
    "even_light",
    "find_board",
    "given_lens",
    "rectify",
    "relief_shift_mm",
    "solve_lens",
    "undistort",
]
