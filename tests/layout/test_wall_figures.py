"""Figures of walls: the motifs are drawn where they are, and the classes are told apart without colour."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from fragkit.layout import POSITION_CLASSES, lay_out
from fragkit.plot.walls import SIGNS, certainty, elevation


def pixels(figure):
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].astype(float) / 255.0


def test_an_elevation_shows_metal_at_every_centre_and_ground_between(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=1500.0, height=900.0)], make_repeat(offset=0.0), make_motif())
    wall = layout.walls[0]
    figure = elevation(wall, layout.forms, metal=(1.0, 0.0, 0.0))
    picture = pixels(figure)
    to_display = figure.axes[0].transData
    for shift, red in (((-2.0, 2.0), True), ((wall.across_mm / 2, 0.0), False)):
        at = to_display.transform(wall.xy_mm[:-1] + shift)
        colour = picture[picture.shape[0] - 1 - at[:, 1].astype(int), at[:, 0].astype(int)]
        is_red = (colour[:, 0] > 0.8) & (colour[:, 1] < 0.2)
        assert is_red.mean() == pytest.approx(float(red), abs=0.05)


def test_every_class_has_a_sign_of_its_own_in_black_and_white():
    signs = {(str(SIGNS[name]["marker"]), str(SIGNS[name]["facecolors"])) for name in POSITION_CLASSES}
    assert len(signs) == len(POSITION_CLASSES)


def test_the_certainty_drawing_names_each_class_with_its_count(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=1500.0, height=900.0)], make_repeat(), make_motif())
    legend = certainty(layout.walls[0]).axes[0].get_legend()
    labels = [text.get_text() for text in legend.get_texts()]
    assert labels == [f"by analogy: {layout.n_motifs}"]
