"""The figure of residuals shows every point and states its scale."""

import io

import numpy as np

from fragkit.plot.rectify import disagreement, residuals
from fragkit.rectify import Comparison, rectify
from fragkit.survey import PointControl


def figure_of(shot, n, rng):
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [0, 1]])[:n] * shot.wall_mm / 2.2
    control = PointControl(
        names=tuple("ABCDEF"[:n]), xy_px=shot.see(corners), xy_mm=corners + rng.normal(0, 0.3, (n, 2)),
        sd_mm=np.full(n, 0.3), sd_px=0.4,
    )  # fmt: skip
    width, height = shot.size_px
    return residuals(rectify(np.full((height, width, 3), 128, np.uint8), control))


def test_residuals_as_a_figure(shoot):
    shot = shoot(tilt_deg=(8.0, -10.0), size_px=(400, 300))
    axes = figure_of(shot, 6, np.random.default_rng(1)).axes[0]
    assert {text.get_text() for text in axes.texts} >= set("ABCDEF")
    assert axes.get_title().startswith("control against a plane solved without the point, longest arrow")
    assert axes.get_xlabel() == "x, mm"


def test_four_points_show_their_own_residuals_and_the_figure_saves(shoot):
    figure = figure_of(shoot(size_px=(400, 300)), 4, np.random.default_rng(2))
    assert figure.axes[0].get_title().startswith("residuals of the control")
    figure.savefig(stream := io.BytesIO(), format="png")
    assert len(stream.getvalue()) > 1000


def test_disagreement_shows_its_places_and_its_scale():
    places = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]])
    apart = np.array([[0.3, 0.4], [0.0, 0.1], [-0.1, 0.0], [0.1, 0.1]])
    result = Comparison(xy_mm=places, apart_mm=apart, rms_mm=0.2, allowed_mm=0.3, chance=0.6, agree=True, notes=())
    axes = disagreement(result).axes[0]
    assert "longest arrow 0.5 mm" in axes.get_title()
    assert len(axes.collections[0].get_offsets()) == 4
