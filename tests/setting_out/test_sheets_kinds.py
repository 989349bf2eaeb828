"""Check sheet, tick-off plan, SVG, rolls and pricked cartoons."""

import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from pypdf import PdfReader

from fragkit.layout import lay_out, motif_forms
from fragkit.setting_out import (
    check_marks,
    draw_check_sheet,
    draw_sheets,
    draw_tick_off,
    draw_tiles,
    draw_wall,
    draw_wall_svg,
    paper_size_mm,
    prick,
    set_out,
)

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def layout(make_wall, make_repeat, make_motif):
    return lay_out([make_wall(width=2960.0, height=2090.0)], make_repeat(), make_motif())


def words_of(pdf):
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def test_the_check_sheet_has_every_expected_value_and_boxes_to_sign(layout):
    setting = set_out(layout).walls[0]
    words = " ".join(words_of(draw_check_sheet(setting)))
    for mark in check_marks(setting):
        assert mark.id in words
        assert f"{mark.running_x_mm:.0f} {mark.limit_deviation_x_mm}" in words
        assert f"{mark.running_y_mm:.0f} {mark.limit_deviation_y_mm}" in words
    for start, end, length in setting.diagonals:
        assert f"{start} to {end}" in words
        assert f"{length:.0f} ±" in words
    assert "no more than 10 in 100" in words
    assert "Checked by another person" in words
    assert "After every break" in words
    assert "3.0 mm at most" in words


def test_the_tick_off_plan_has_every_row_once_with_its_count(layout):
    setting = set_out(layout).walls[0]
    words = " ".join(words_of(draw_tick_off(setting)))
    names = [name for name, _ in setting.level_lines]
    assert re.findall(r"\br\d\d\b", words) == names[::-1]
    counts = [int(n) for n in re.findall(r"all (\d+): by", words)]
    assert sum(counts) == len(setting.rows)


def test_very_long_rows_are_folded_on_the_tick_off_plan(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=12_000.0, height=400.0)], make_repeat(), make_motif())
    setting = set_out(layout).walls[0]
    words = " ".join(words_of(draw_tick_off(setting)))
    assert sum(int(n) for n in re.findall(r"all (\d+): by", words)) == len(setting.rows)
    assert len(re.findall(r"\br01\b", words)) == 2


def test_the_svg_shows_what_the_pdf_shows_with_one_form_a_variant(layout, make_motif):
    wall, setting = layout.walls[0], set_out(layout).walls[0]
    root = ElementTree.fromstring(draw_wall_svg(setting, wall, make_motif()))
    uses = root.findall(f"{SVG}use")
    assert len(uses) == wall.n_motifs
    assert len(root.find(f"{SVG}defs")) == len(set(wall.form))
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")
    places = np.array([re.findall(r"translate\(([\d.]+) ([\d.]+)\)", use.get("transform"))[0] for use in uses], float)
    scale = int(re.search(r"1:(\d+) on", " ".join(root.itertext())).group(1))
    apart = (places - places[0]) * scale * [1, -1]
    # coordinates are written to 0.001 mm of paper
    np.testing.assert_allclose(apart, wall.xy_mm - wall.xy_mm[0], rtol=0, atol=0.002 * scale)
    stamped = [float(re.search(r"scale\(([\d.]+)\)", use.get("transform")).group(1)) for use in uses]
    np.testing.assert_allclose(np.multiply(stamped, scale), wall.scale_ratio, rtol=0, atol=1e-4)


def test_every_variant_is_one_form_of_the_wall_drawing(layout, make_motif):
    """All reshaped forms of a motif in four parts, in turn."""
    motif, wall, setting = make_motif(parts=4), layout.walls[0], set_out(layout).walls[0]
    names = list(motif_forms(motif))
    mixed = replace(wall, form=tuple(names[k % len(names)] for k in range(wall.n_motifs)))
    assert len(names) > 3
    pdf = draw_wall(setting, mixed, motif)
    assert len(PdfReader(io.BytesIO(pdf)).pages[0]["/Resources"]["/XObject"]) == len(names)


def test_text_on_a3_still_has_two_and_a_half_millimetres_on_a4(make_wall, make_repeat, make_motif):
    layout = lay_out([make_wall(width=5200.0, height=2400.0)], make_repeat(), make_motif())
    root = ElementTree.fromstring(draw_wall_svg(set_out(layout).walls[0], layout.walls[0], make_motif()))
    assert root.get("width") == "420mm"
    sizes = [float(text.get("font-size")) * 0.729 for text in root.iter(f"{SVG}text")]
    assert min(sizes) * 297 / 420 >= 2.5 - 0.002, "written to 0.001 mm"


def test_rolls_have_their_width_and_no_more_than_5080_mm(layout, make_wall, make_repeat, make_motif):
    box = PdfReader(io.BytesIO(draw_tiles(layout.walls[0], layout.forms, paper="roll 914"))).pages[0].mediabox
    width, height = (float(v) * 25.4 / 72 for v in (box.width, box.height))
    assert height == pytest.approx(914.0, abs=0.01)
    assert layout.walls[0].xy_mm[:, 0].max() < width < 3100.0
    long = lay_out([make_wall(width=7000.0, height=400.0)], make_repeat(), make_motif())
    pages = PdfReader(io.BytesIO(draw_tiles(long.walls[0], long.forms, paper="roll 610"))).pages
    assert len(pages) == 2
    assert all(float(page.mediabox.width) * 25.4 / 72 <= 5080.0 + 1e-6 for page in pages)
    with pytest.raises(ValueError, match="The roll is 90 mm wide"):
        paper_size_mm("roll 90")


def test_all_motifs_of_a_wall_are_on_its_tiles(layout):
    words = " ".join(words_of(draw_tiles(layout.walls[0], layout.forms)))
    assert set(layout.walls[0].id) <= set(re.findall(r"N-r\d+-c\d+", words))


def test_an_empty_area_is_refused(layout):
    with pytest.raises(ValueError, match="is empty"):
        draw_tiles(layout.walls[0], layout.forms, area_mm=(0.0, 0.0, 0.0, 100.0))


def test_holes_along_a_square_by_hand():
    """A square of 42 mm, holes 4.2 mm apart: 168 / 4.2 = 40 holes, the corners among them."""
    square = np.array([[0, 0], [42, 0], [42, 42], [0, 42]], float)
    (holes,) = prick({"metal": (square,)}, spacing_mm=4.2)
    assert len(holes) == 40
    gaps = np.hypot(*np.diff(np.vstack([holes, holes[:1]]), axis=0).T)
    np.testing.assert_allclose(gaps, 4.2, rtol=0, atol=1e-9)
    for corner in square:
        assert np.hypot(*(holes - corner).T).min() < 1e-9


def test_holes_are_closer_on_fine_curves_and_none_comes_twice():
    turns = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    fine = 4.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    (holes,) = prick({"metal": (fine,)}, spacing_mm=4.2)
    # over a sixth of a circle of radius 4 mm the arc rises 4 (1 - cos 30°) = 0.54 mm, over a seventh 0.40
    assert len(holes) == 7
    rings = prick({"shadow": (fine + [0.3, 0.0],), "metal": (fine,)}, spacing_mm=1.7)
    assert len(rings) == 1, "a shadow nowhere 1 mm off the metal has no holes of its own"


def test_holes_too_close_are_refused():
    with pytest.raises(ValueError, match=r"0\.2 mm apart"):
        prick({"metal": (np.eye(3, 2),)}, spacing_mm=0.2)


def test_a_pricked_sheet_has_no_filled_shape(layout, make_motif):
    plain = draw_sheets(layout, make_motif())["motif"]
    pricked = draw_sheets(layout, make_motif(), pricked_mm=4.2)["motif"]
    forms = [
        next(iter(PdfReader(io.BytesIO(pdf)).pages[0]["/Resources"]["/XObject"].values())).get_object().get_data()
        for pdf in (plain, pricked)
    ]
    assert forms[0].count(b" c\n") == 0
    assert forms[1].count(b" c\n") + forms[1].count(b" c ") >= 4 * 40
