"""Colours of the surfaces of painted pictures whose colours are known."""

import numpy as np
import pytest

from fragkit.colour import delta_e00, measure_colours, nearest_paints, srgb_to_lab
from fragkit.errors import EstimationError
from fragkit.rectify import Picture

GROUND, SHADOW, LEAF = (214, 204, 184), (164, 148, 126), (150, 130, 90)


def painted(rng: np.random.Generator, *, patch_sd: float = 2.0, light: float = 0.0) -> tuple[Picture, np.ndarray]:
    """A picture of 1 mm pixels with stripes of three surfaces, uneven from patch to patch."""
    codes = np.repeat(np.array([1, 2, 3], np.uint8), 60)[None].repeat(240, 0)
    blocks = rng.normal(0.0, patch_sd, (20, 15)).repeat(12, 0).repeat(12, 1)
    tilt = np.linspace(-light, light, 240)[:, None]
    pixels = np.array([(0, 0, 0), GROUND, SHADOW, LEAF], float)[codes] + (blocks + tilt)[..., None]
    pixels += rng.normal(0.0, 2.0, pixels.shape)
    picture = Picture(
        pixels=np.clip(pixels.round(), 0, 255).astype(np.uint8),
        mm_per_px=1.0,
        origin_mm=np.zeros(2),
        coverage=np.ones(codes.shape, bool),
    )
    return picture, codes


def test_an_even_surface_by_hand():
    pixels = np.full((60, 60, 3), GROUND, np.uint8)
    picture = Picture(pixels=pixels, mm_per_px=1.0, origin_mm=np.zeros(2), coverage=np.ones((60, 60), bool))
    colours = measure_colours([picture], [np.ones((60, 60), np.uint8)])
    np.testing.assert_allclose(colours.ground.lab, srgb_to_lab(np.array(GROUND, np.uint8)), rtol=0, atol=1e-6)
    np.testing.assert_allclose(colours.ground.lab_sd, 0.0, rtol=0, atol=1e-9)
    # one pixel is lost along each border: 58 x 58, in patches of 12 mm
    assert (colours.ground.n_px, colours.ground.n_patches) == (58 * 58, 25)
    assert colours.shadow is None
    assert colours.metal is None


def test_mean_is_unbiased_and_the_stated_sd_covers():
    rng = np.random.default_rng(11)
    truth, z = srgb_to_lab(np.array(GROUND, np.uint8)), []
    for _ in range(40):
        ground = measure_colours(*([part] for part in painted(rng))).ground
        z.append((ground.lab - truth) / ground.lab_sd)
    lightness = np.array(z)[:, 0]
    # the widest of three variances is stated, so it covers a little too often: at least 85 % within 2 sd
    assert (np.abs(lightness) < 2.0).mean() >= 0.85
    assert np.abs(lightness).max() < 5.0
    assert abs(lightness.mean()) < 0.5
    assert lightness.std() > 0.3


def test_uneven_light_widens_the_sd():
    even = measure_colours(*([part] for part in painted(np.random.default_rng(2)))).ground
    uneven = measure_colours(*([part] for part in painted(np.random.default_rng(2), light=8.0))).ground
    assert uneven.lab_sd[0] > 3.0 * even.lab_sd[0]


def test_pictures_that_differ_widen_the_sd():
    rng = np.random.default_rng(5)
    (first, codes), (second, _) = painted(rng), painted(rng)
    brighter = Picture(
        pixels=second.pixels + np.uint8(8), mm_per_px=1.0, origin_mm=np.zeros(2), coverage=second.coverage
    )
    ground = measure_colours([first, brighter], [codes, codes]).ground
    difference = np.ptp([measure_colours([p], [codes]).ground.lab[0] for p in (first, brighter)])
    # two means that differ by d have a mean of sd d / 2
    np.testing.assert_allclose(ground.lab_sd[0], difference / 2.0, rtol=0, atol=0.1)
    assert ground.n_pictures == 2


def test_stray_patches_do_not_pull_the_mean():
    picture, codes = painted(np.random.default_rng(3))
    pixels = picture.pixels.copy()
    pixels[:36, :24] = (90, 70, 50)
    spoilt = Picture(pixels=pixels, mm_per_px=1.0, origin_mm=np.zeros(2), coverage=picture.coverage)
    clean = measure_colours([picture], [codes]).ground
    dirty = measure_colours([spoilt], [codes]).ground
    # 6 of 100 patches would pull a plain mean by ΔE 2.7
    assert delta_e00(clean.lab, dirty.lab) < 0.2


def test_nearest_paints_with_their_uncertainty():
    lab, sd = np.array([80.0, 1.0, 12.0]), np.array([0.5, 0.0, 0.0])
    paints = [
        ("far", (50.0, 0.0, 0.0)),
        ("lighter", (81.0, 1.0, 12.0)),
        ("same", (80.0, 1.0, 12.0)),
        ("off", (80.0, 4.0, 12.0)),
    ]
    rows = nearest_paints(lab, np.diag(sd**2), paints)
    assert [row[0] for row in rows] == ["same", "lighter", "off"]
    # at L 80.5 a step of one in L counts 1 / S_L = 1 / 1.453 (Sharma et al. 2005, eq. 15)
    np.testing.assert_allclose(rows[1][1:], [1.0 / 1.453, 0.5 / 1.453], rtol=0, atol=0.01)


def test_metal_is_an_appearance_and_never_matched_to_paints():
    colours = measure_colours(
        *([part] for part in painted(np.random.default_rng(1))), paints=[("ochre", (60.0, 5.0, 30.0))]
    )
    assert colours.metal.nearest == ()
    assert "not a paint colour" in colours.metal.flag
    assert colours.metal.flag in colours.notes
    assert [row[0] for row in colours.shadow.nearest] == ["ochre"]


def test_results_show_themselves_and_cannot_be_changed():
    colours = measure_colours(
        *([part] for part in painted(np.random.default_rng(1))), paints=[("<b>ochre</b>", (60.0, 5.0, 30.0))]
    )
    assert "&lt;b&gt;ochre" in colours._repr_html_()
    assert "ground" in repr(colours)
    with pytest.raises(ValueError, match="read-only"):
        colours.ground.lab[0] = 0.0


def test_labels_must_fit():
    picture, codes = painted(np.random.default_rng(1))
    with pytest.raises(ValueError, match="1 pictures but 2 label pictures"):
        measure_colours([picture], [codes, codes])
    with pytest.raises(ValueError, match=r"Labels 0 are \(10, 180\)"):
        measure_colours([picture], [codes[:10]])


def test_without_ground_there_is_no_answer():
    picture, codes = painted(np.random.default_rng(1))
    with pytest.raises(EstimationError, match="fewer than three patches labelled as ground"):
        measure_colours([picture], [np.zeros_like(codes)])
