"""From a photograph and its control to a true-scale picture of the plane, with the error of any point."""

from fragkit.rectify.board import board_points_mm, find_board, find_coded_board, solve_lens
from fragkit.rectify.chart import Tone, fit_tone
from fragkit.rectify.comparison import Comparison, compare_photographs
from fragkit.rectify.lens import Lens, distort, given_lens, undistort
from fragkit.rectify.light import even_light
from fragkit.rectify.marks import Mark, refine_mark
from fragkit.rectify.picture import Picture
from fragkit.rectify.plane import Plane
from fragkit.rectify.planning import PhotoPlan, lens_35mm, plan_photograph
from fragkit.rectify.rectified import Rectified, rectify
from fragkit.rectify.relief import Camera, relief_shift_mm
from fragkit.rectify.solving import Solved, solve
from fragkit.rectify.tape import TapedFigure, adjust_figure
from fragkit.rectify.tone import set_tone

__all__ = [
    "Camera",
    "Comparison",
    "Lens",
    "Mark",
    "PhotoPlan",
    "Picture",
    "Plane",
    "Rectified",
    "Solved",
    "TapedFigure",
    "Tone",
    "adjust_figure",
    "board_points_mm",
    "compare_photographs",
    "distort",
    "even_light",
    "find_board",
    "find_coded_board",
    "fit_tone",
    "given_lens",
    "lens_35mm",
    "plan_photograph",
    "rectify",
    "refine_mark",
    "relief_shift_mm",
    "set_tone",
    "solve",
    "solve_lens",
    "undistort",
]
