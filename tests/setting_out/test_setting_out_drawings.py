"""PDF drawings: true scale on the rendered page, size of pages and of text, the same bytes each time."""

import csv
import io
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from fragkit.layout import lay_out
from fragkit.setting_out import PAPER_MM, draw_sheets, draw_tiles, draw_wall, paper_size_mm, set_out
from fragkit.setting_out.paper import choose_paper
from fragkit.setting_out.pdf_page import Page
from fragkit.setting_out.sheets import tile_grid

REFERENCE = Path(__file__).resolve().parents[1] / "reference" / "units_and_tolerances"
needs_poppler = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed")


@pytest.fixture
def layout(make_wall, make_repeat, make_motif, make_opening):
    door = make_opening(700, 0, 1500, 1700, name="Tür ö")
    return lay_out([make_wall(width=2960.0, height=2090.0, openings=(door,))], make_repeat(), make_motif())


def ink(pdf, tmp_path, *, page=1, dpi=600):
    """Darkness 0..1 of a page rendered by poppler, row 0 at the top."""
    path = tmp_path / "page.pdf"
    path.write_bytes(pdf)
    command = ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", str(path)]
    done = subprocess.run(command, capture_output=True, check=True)
    with Image.open(io.BytesIO(done.stdout)) as picture:
        return 1.0 - np.asarray(picture, float) / 255.0


def test_paper_sizes_are_those_of_the_standard():
    """ISO 216:2007."""
    with (REFERENCE / "iso216_paper_sizes.csv").open(encoding="utf-8") as file:
        table = {row["size"]: (float(row["width_mm"]), float(row["height_mm"])) for row in csv.DictReader(file)}
    for name in PAPER_MM:
        assert paper_size_mm(name) == table[name]
        assert paper_size_mm(name, landscape=True) == table[name][::-1]
    with pytest.raises(ValueError, match="must be one of"):
        paper_size_mm("foolscap")


def test_pages_have_the_size_of_their_paper_in_points(layout, make_motif):
    """ISO 216 in points, 1/72 inch (ISO 32000-1, 8.3.2.3)."""
    pdf = PdfReader(io.BytesIO(draw_sheets(layout, make_motif(), paper="A3")["motif"]))
    with (REFERENCE / "iso216_paper_sizes.csv").open(encoding="utf-8") as file:
        a3 = next(row for row in csv.DictReader(file) if row["size"] == "A3")
    box = pdf.pages[0].mediabox
    assert float(box.width) == pytest.approx(float(a3["height_pt"]), abs=0.01)
    assert float(box.height) == pytest.approx(float(a3["width_pt"]), abs=0.01)
    assert "/UserUnit" not in pdf.pages[0]


def test_no_page_is_longer_than_5080_mm():
    with pytest.raises(ValueError, match="exceeds 5080 mm"):
        Page(5081.0, 200.0, title="too long")


def test_a_wall_gets_the_smallest_paper_at_1_to_20():
    assert choose_paper(4000.0, 2000.0, margins_mm=(60.0, 60.0)) == ("A4", 20)
    assert choose_paper(6000.0, 3000.0, margins_mm=(60.0, 60.0)) == ("A3", 20)
    with pytest.raises(ValueError, match="does not fit"):
        choose_paper(200_000.0, 3000.0, margins_mm=(60.0, 60.0))


@needs_poppler
def test_the_bar_and_the_register_crosses_measure_true_on_the_rendered_sheet(layout, make_motif, tmp_path):
    page = ink(draw_sheets(layout, make_motif())["repeat-North"], tmp_path, dpi=600)
    px_per_mm = 600 / 25.4
    bar_row = page[int(page.shape[0] - (10 + 14 + 1) * px_per_mm)]
    dark = np.flatnonzero(bar_row > 0.5)
    assert (dark[-1] - dark[0] + 1) / px_per_mm == pytest.approx(100.0, abs=0.1)
    # crosses on A4 stand 267 mm apart: 297 less margins of 10 and half the overlap of 10 at either end
    arm = page[int(page.shape[0] - (10 + 34 + 5 + 3) * px_per_mm)]
    uprights = np.flatnonzero(arm > 0.3)
    assert (uprights[-1] - uprights[0]) / px_per_mm == pytest.approx(267.0, abs=0.1)


@needs_poppler
def test_three_spacings_measure_true_over_the_tiles(layout, make_motif, tmp_path):
    """The left edges of four motifs of one row, on A1 so that they stand on one sheet."""
    wall = layout.walls[0]
    pdf = draw_tiles(wall, layout.forms, area_mm=(0.0, 0.0, 800.0, 250.0), paper="A1")
    page = ink(pdf, tmp_path, dpi=300)
    px_per_mm = 300 / 25.4
    row = wall.xy_mm[wall.row == 1]
    tile = tile_grid((0.0, 0.0, 800.0, 250.0), paper_size_mm("A1", landscape=True))[0]
    y_page = 10 + 34 + row[0, 1] - tile.y_mm
    line = page[int(page.shape[0] - (y_page + 5.0) * px_per_mm)]  # 5 mm above the centres: metal, clear of the cross
    dark = np.flatnonzero(line > 0.6)
    starts = dark[np.flatnonzero(np.diff(dark, prepend=-10) > 20)]
    spacing = np.diff(starts[:4]) / px_per_mm
    np.testing.assert_allclose(spacing, wall.across_mm, rtol=0, atol=0.1)


@needs_poppler
def test_the_wall_drawing_is_to_scale(layout, make_motif, tmp_path):
    """By hand: a wall 2960 mm wide is 148 mm wide at 1:20."""
    setting = set_out(layout).walls[0]
    pdf = draw_wall(setting, layout.walls[0], make_motif())
    page = ink(pdf, tmp_path, dpi=300)
    words = PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    scale = int(re.search(r"1:(\d+) on", words).group(1))
    px_per_mm = 300 / 25.4
    ceiling = max(range(page.shape[0] // 3), key=lambda r: (page[r] > 0.5).sum())
    longest = np.flatnonzero(page[ceiling] > 0.5)
    # 0.6 mm: the line itself is 0.5 mm wide
    assert np.ptp(longest) / px_per_mm * scale == pytest.approx(2960.0, abs=0.6 * scale)


def test_every_mark_of_the_wall_is_in_its_figures(layout, make_motif):
    setting = set_out(layout).walls[0]
    pdf = PdfReader(io.BytesIO(draw_wall(setting, layout.walls[0], make_motif())))
    words = " ".join(page.extract_text() for page in pdf.pages[1:])
    numbers = re.findall(r"\b\d+\b", words)
    for row in setting.rows[:: max(1, len(setting.rows) // 40)]:
        assert f"{row.running_x_mm:.0f}" in numbers
    assert words.count("motifs, x") == len(setting.level_lines)
    assert "local codes" in words
    assert "Tür ö" in pdf.pages[0].extract_text()


def test_no_text_is_smaller_than_two_and_a_half_millimetres(layout, make_motif):
    """Capitals of the font are 0.729 em high, so nothing is set below 9.7 pt."""
    sizes = []

    def see(text, cm, tm, font, size):
        if text.strip():
            sizes.append(size * abs(tm[3] if tm[3] else tm[1]))

    setting = set_out(layout).walls[0]
    for pdf in (
        draw_wall(setting, layout.walls[0], make_motif()),
        *draw_sheets(layout, make_motif()).values(),
    ):
        for page in PdfReader(io.BytesIO(pdf)).pages:
            page.extract_text(visitor_text=see)
    assert min(sizes) * 0.729 * 25.4 / 72 >= 2.5 - 0.01


def test_the_same_layout_gives_the_same_bytes(layout, make_motif):
    first, second = (draw_sheets(layout, make_motif()) for _ in range(2))
    assert first == second
    setting = set_out(layout).walls[0]
    assert draw_wall(setting, layout.walls[0], make_motif()) == draw_wall(setting, layout.walls[0], make_motif())


def test_tiles_cover_the_area_and_overlap_by_ten_millimetres():
    tiles = tile_grid((0.0, 0.0, 1000.0, 500.0), (297.0, 210.0))
    width, height = 277.0, 156.0
    assert max(t.x_mm for t in tiles) + width >= 1000.0
    assert min(t.y_mm for t in tiles) <= 0.0
    assert tiles[1].x_mm - tiles[0].x_mm == pytest.approx(width - 10.0)
    assert max(t.y_mm for t in tiles) + height == pytest.approx(500.0)


def test_a_setting_of_another_layout_is_refused(layout, make_motif, make_wall, make_repeat):
    other = lay_out([make_wall(width=1500.0)], make_repeat(), make_motif())
    with pytest.raises(ValueError, match="does not belong to the layout"):
        draw_wall(set_out(other).walls[0], layout.walls[0], make_motif())


def test_a_motif_larger_than_the_paper_is_refused(make_wall, make_repeat, make_motif):
    big = make_motif(300.0, 400.0)
    layout = lay_out([make_wall()], make_repeat(450.0, 520.0), big)
    with pytest.raises(ValueError, match="larger than the paper"):
        draw_sheets(layout, big)
