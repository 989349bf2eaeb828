"""Drawings, their copies, and how they are rasterised."""

import numpy as np
import pytest
import shapely

from fragkit.simulate import FORMINGS, MOTIFS, draw_motif, form_copies
from fragkit.simulate.canvas import Canvas


@pytest.fixture(params=tuple(MOTIFS))
def drawing(request):
    return draw_motif(request.param)


def test_metal_centroid_is_the_origin(drawing):
    at = drawing.metal.centroid
    assert np.allclose([at.x, at.y], 0.0, rtol=0, atol=1e-9)  # mm; exact by construction


def test_metal_parts_do_not_overlap(drawing):
    union = shapely.union_all(list(drawing.metal.geoms))
    assert len(drawing.metal.geoms) >= 5
    assert union.area == pytest.approx(drawing.metal_area_mm2, rel=0, abs=1e-6)  # mm², rounding only


def test_shadow_falls_to_one_side_and_shows(drawing):
    seen = drawing.shadow.difference(drawing.metal)
    assert seen.centroid.x > 0.5
    assert seen.centroid.y < -0.2
    assert seen.area > 0.1 * drawing.metal_area_mm2


def test_motifs_fit_their_nets(drawing):
    width, height = drawing.size_mm
    assert 18.0 < width < 60.0
    assert 25.0 < height < 62.0


def test_unknown_motif_names_the_others():
    with pytest.raises(ValueError, match=r"'acorn'.*hop cone, scallop shell"):
        draw_motif("acorn")


def _mean_gap_mm(one, other):
    """Area between two outlines ÷ their length: an independent measure of how far they lie apart."""
    return one.metal.symmetric_difference(other.metal).area / one.metal.length


@pytest.mark.parametrize(
    ("kind", "low_mm", "high_mm"), [("free", 0.25, 1.2), ("outline", 0.1, 0.5), ("block", 0.0, 0.06)]
)
def test_copies_differ_as_much_as_their_forming_says(kind, low_mm, high_mm):
    copies = form_copies(draw_motif("hop cone"), 8, forming=FORMINGS[kind], rng=np.random.default_rng(1))
    gaps = [_mean_gap_mm(copies[0], other) for other in copies[1:]]
    assert low_mm < np.mean(gaps) < high_mm


def test_a_plate_differs_from_the_design_but_not_from_itself():
    design = draw_motif("hop cone")
    copies = form_copies(design, 4, forming=FORMINGS["plate"], rng=np.random.default_rng(5))
    assert _mean_gap_mm(copies[0], copies[1]) < 0.3 * _mean_gap_mm(copies[0], design)


def test_every_copy_keeps_its_metal_centroid_at_the_origin():
    for copy in form_copies(draw_motif("trefoil"), 5, forming=FORMINGS["free"], rng=np.random.default_rng(2)):
        at = copy.metal.centroid
        assert np.hypot(at.x, at.y) < 1e-9  # mm; the truth says so, so it must hold exactly


@pytest.mark.parametrize("shift_mm", [(0.0, 0.0), (0.11, -0.07)])
def test_stamp_keeps_area_and_centroid(drawing, shift_mm):
    canvas = Canvas(box_mm=(-40.0, -40.0, 40.0, 40.0), mm_per_px=0.25)
    shape = shapely.affinity.translate(drawing.metal, *shift_mm)
    (rows, columns), mask = canvas.stamp(shape)
    area_mm2 = mask.sum() * 0.25**2
    assert area_mm2 == pytest.approx(drawing.metal_area_mm2, rel=0.002)  # drawn at 0.03 mm
    x = (mask * (np.arange(columns.start, columns.stop))).sum() / mask.sum() * 0.25 - 40.0
    y = 40.0 - (mask * (np.arange(rows.start, rows.stop))[:, None]).sum() / mask.sum() * 0.25
    assert np.allclose([x, y], shift_mm, rtol=0, atol=0.01)  # mm; a hundredth of the scatter
