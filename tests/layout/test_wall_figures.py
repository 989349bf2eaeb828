"""Figures of walls: the motifs are drawn where they are, and the classes are told apart without colour."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from fragkit.layout import POSITION_CLASSES, alternative_sites, lay_out
from fragkit.plot.alternatives import side_by_side
from fragkit.plot.walls import SIGNS, bright_and_tarnished, certainty, elevation
from fragkit.survey import LayoutEntry

ASPECTS = ("position", "form", "material")


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
    legend = certainty(layout.walls[0]).legends[0]
    labels = [text.get_text() for text in legend.get_texts()]
    assert labels == [f"by analogy: {layout.n_motifs}"]


def test_alternatives_side_by_side_show_the_chosen_first_and_their_numbers(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=1500.0, height=900.0, fall=20.0)], make_repeat(), make_motif())
    figure = side_by_side(layout, "North", n_shown=3)
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.axison]
    chosen = next(one for one in layout.alternatives if one.chosen)
    assert titles[0] == f"{chosen.name} (chosen)"
    assert len(set(titles)) == 3
    assert f"{chosen.across_mm:.1f} × {chosen.down_mm:.1f} mm" in figure.axes[0].get_xlabel()
    assert f"cost {chosen.cost:.2f}" in figure.axes[0].get_xlabel()


def test_a_redrawn_alternative_has_the_sites_that_were_laid(make_wall, make_repeat, make_motif, make_opening):
    panels = ({"wall": "North", "from_mm": 0.0, "to_mm": 1900.0}, {"wall": "North", "from_mm": 2100.0, "to_mm": 4075.0})
    walls = [make_wall(width=4075.0, fall=12.0, openings=(make_opening(900, 0, 1800, 1400),))]
    names = [
        a.name for a in lay_out(walls, make_repeat(), make_motif(), options=LayoutEntry(panels=panels)).alternatives
    ]
    for name in (next(n for n in names if n.endswith(end)) for end in ("-panels", "-edges", "-fan", "motif")):
        layout = lay_out(walls, make_repeat(), make_motif(), options=LayoutEntry(panels=panels, choice=name))
        chosen = next(one for one in layout.alternatives if one.chosen)
        sites, wall = alternative_sites(layout, chosen), layout.walls[0]
        laid = np.concatenate([wall.xy_mm - wall.shift_mm, np.array([xy for *_, xy, _ in wall.dropped]).reshape(-1, 2)])
        assert (chosen.n_motifs, chosen.n_eased) == (len(laid), int((~sites.fits).sum()))
        order = [np.lexsort(points.round(4).T) for points in (sites.xy_mm, laid)]
        np.testing.assert_allclose(sites.xy_mm[order[0]], laid[order[1]], rtol=0, atol=1e-6)


def test_leaf_is_shown_new_and_tarnished_and_an_unknown_metal_is_refused(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=1500.0, height=900.0)], make_repeat(offset=0.0), make_motif())
    wall = layout.walls[0]
    pair = bright_and_tarnished(wall, layout.forms, metal="silver")
    tones = []
    for figure in pair:
        picture = pixels(figure)
        at = figure.axes[0].transData.transform(wall.xy_mm[:-1] + (-2.0, 2.0))
        tones.append(picture[picture.shape[0] - 1 - at[:, 1].astype(int), at[:, 0].astype(int)].mean())
    assert tones[0] > tones[1] + 0.3
    assert "not measured" in pair[1].axes[0].get_title(loc="left")
    with pytest.raises(ValueError, match="has no stand-in"):
        bright_and_tarnished(wall, layout.forms, metal="mercury")


def test_certainty_of_form_and_material_are_drawn_too(make_wall, make_repeat, make_motif):
    wall = lay_out(
        [make_wall(width=1500.0, height=900.0)], make_repeat(typed=("across_mm", "down_mm")), make_motif()
    ).walls[0]
    labels = [certainty(wall, aspect=aspect).legends[0].get_texts()[0].get_text() for aspect in ASPECTS]
    assert [label.split(":")[0] for label in labels] == ["chosen to fit", "by analogy", "by analogy"]
    with pytest.raises(ValueError, match="aspect is 'colour'"):
        certainty(wall, aspect="colour")


def test_areas_too_regular_for_a_hand_are_dashed(make_wall, make_repeat, make_motif):
    wall = lay_out([make_wall(width=1500.0, height=900.0)], make_repeat(), make_motif()).walls[0]
    figure = certainty(wall, regular_mm=[np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 250.0]])] * 2)
    words = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "more regular than the hand: 2" in words
    assert sum(patch.get_linestyle() == "--" for patch in figure.axes[0].patches) == 2
