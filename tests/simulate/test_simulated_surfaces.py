"""Painted and photographed surfaces: what the truth says is where the picture shows it."""

from dataclasses import replace
from time import perf_counter, process_time

import numpy as np
import pytest

from fragkit.placing import OnLines
from fragkit.simulate import (
    NETS,
    PERFECT,
    UNWORN,
    Conditions,
    FragmentPlan,
    LensPlan,
    Pose,
    Shooting,
    Wear,
    draw_motif,
    simulate_photograph,
)
from fragkit.simulate.canvas import Canvas
from fragkit.simulate.exposure import expose
from fragkit.simulate.fragments import build_scene, photograph
from fragkit.simulate.photographs import frame_fragment, true_photograph
from fragkit.simulate.pigments import encode_srgb, lab_to_linear
from fragkit.simulate.surfaces import METAL
from fragkit.simulate.wear import losses

SMALL = LensPlan(f_px=1140.0, size_px=(1200, 900), off_centre_px=(4.0, -3.0))
PLAN = FragmentPlan(name="f", size_mm=(760.0, 540.0), net=NETS["half-drop"], net_origin_mm=(11.0, 17.0), turn_deg=1.0)
PLAIN = Conditions(wear=UNWORN, shooting=PERFECT, surface_mm_per_px=0.35, relief_mm=5.0)


@pytest.fixture(scope="module")
def clean():
    """A fragment as new, dark leaf, on a wall with bulges, through a lens with k1 and k2, at a tilt."""
    camera = frame_fragment(PLAN, lens=SMALL, pose=Pose(tilt_deg=(14.0, -18.0), roll_deg=3.0))
    scene = build_scene(PLAN, draw_motif("hop cone"), [camera], conditions=PLAIN, rng=np.random.default_rng(4))
    pixels = photograph(scene, camera, shooting=PERFECT, rng=np.random.default_rng(5))
    return true_photograph(scene, camera), pixels


def _dark_centroid(pixels, centre_px, reach_px, threshold):
    """Centroid of the dark pixels in a window; independent of all that the simulation knows."""
    x0, y0 = np.round(centre_px).astype(int) - reach_px
    window = pixels[y0 : y0 + 2 * reach_px + 1, x0 : x0 + 2 * reach_px + 1].mean(axis=2)
    weight = np.clip(threshold - window, 0.0, None)
    y, x = np.mgrid[: weight.shape[0], : weight.shape[1]]
    return np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum() + [x0, y0]


def test_painted_motifs_lie_where_the_truth_says(clean):
    truth, pixels = clean
    whole = _whole(truth)
    found = np.array([_dark_centroid(pixels, at, 36, 95.0) for at in truth.centres_px[whole]])
    assert whole.sum() > 35
    assert np.hypot(*(found - truth.centres_px[whole]).T).max() < 0.6  # px; below the promised 1 px


def test_on_the_wall_the_centres_are_those_of_the_truth(clean):
    """Perspective shifts a centroid in the picture by 0.2 px; weighted by area on the wall it does not."""
    truth, pixels = clean
    off = []
    for at_px, at_mm in zip(truth.centres_px[_whole(truth)], truth.centres_mm[_whole(truth)], strict=True):
        x0, y0 = np.round(at_px).astype(int) - 36
        y, x = np.mgrid[y0 : y0 + 73, x0 : x0 + 73]
        wall = truth.camera.to_wall(np.stack([x, y], axis=-1).astype(float), truth.scene.relief)
        down, across = np.gradient(wall[..., 0]), np.gradient(wall[..., 1])
        area = np.abs(down[0] * across[1] - down[1] * across[0])
        weight = np.clip(95.0 - pixels[y, x].mean(axis=2), 0.0, None) * area
        off.append((weight[..., None] * wall).sum((0, 1)) / weight.sum() - at_mm)
    assert np.abs(np.mean(off, axis=0)).max() < 0.1  # mm; the shadow darkens one edge; half a pixel is 0.4 mm
    assert np.sqrt(np.mean(np.square(off))) < 0.12  # mm; creases of the leaf, 0.8 mm per px


def _whole(truth):
    """Motifs of which all is visible and which stand clear of stickers."""
    clear = np.abs(truth.centres_mm[:, None] - truth.scene.marks.xy_mm).max(-1).min(1) > 45.0
    return clear & (truth.visible_ratio > 0.999)


def test_crosses_lie_where_the_truth_says(clean):
    truth, pixels = clean
    size = np.array(SMALL.size_px)
    at = [p for p in truth.marks_px if (p > 20).all() and (p < size - 20).all()]
    found = np.array([_dark_centroid(pixels, p, 5, 190.0) for p in at])
    assert len(at) >= 10
    assert np.hypot(*(found - at).T).max() < 1.0  # px; lines one pixel wide, a leaf's corner may intrude
    assert np.abs(np.mean(found - at, axis=0)).max() < 0.25  # px; half a pixel would mean a wrong convention


def test_unworn_metal_is_all_visible_and_has_the_area_of_its_drawings(clean):
    truth, _ = clean
    surface = truth.scene.surface
    decoration = truth.scene.decoration
    away = np.abs(decoration.centres_mm[:, None] - truth.scene.marks.xy_mm).max(-1).min(1) > 40.0
    deep = (decoration.centres_mm > 60.0).all(1) & (decoration.centres_mm < np.array(PLAN.size_mm) - 60.0).all(1)
    assert np.allclose(surface.visible_ratio[away & deep], 1.0, rtol=0, atol=1e-6)
    x, y = surface.canvas.to_px(decoration.centres_mm[away & deep][0]).round().astype(int)
    reach = round(32.0 / surface.canvas.mm_per_px)
    patch = surface.labels[y - reach : y + reach, x - reach : x + reach]
    area_mm2 = (patch == METAL).sum() * surface.canvas.mm_per_px**2
    drawn = decoration.copies[np.flatnonzero(away & deep)[0]].metal_area_mm2
    assert area_mm2 == pytest.approx(drawn, rel=0.03)  # labels are whole pixels of 0.35 mm


@pytest.mark.parametrize("loss_ratio", [0.15, 0.3, 0.45])
def test_losses_cover_what_was_asked_and_hang_together(loss_ratio):
    canvas = Canvas(box_mm=(0.0, 0.0, 900.0, 700.0), mm_per_px=0.5)
    everywhere = np.ones(canvas.shape, np.float32)
    loss, deep = losses(canvas, everywhere, wear=Wear(loss_ratio=loss_ratio), rng=np.random.default_rng(8))
    assert loss.mean() == pytest.approx(loss_ratio, abs=0.01)  # the level is a sample quantile
    assert (deep <= loss).all()
    assert np.corrcoef(loss[:, :-20].ravel(), loss[:, 20:].ravel())[0, 1] > 0.5  # at 10 mm
    assert abs(np.corrcoef(loss[:, :-800].ravel(), loss[:, 800:].ravel())[0, 1]) < 0.35  # at 400 mm


def test_visible_share_falls_with_the_losses():
    lean = replace(PLAIN, surface_mm_per_px=1.0, chart=False)
    camera = frame_fragment(PLAN, lens=LensPlan(f_px=380.0, size_px=(400, 300)), pose=Pose())
    means = []
    for loss_ratio in (0.0, 0.3, 1.0):
        worn = replace(lean, wear=replace(UNWORN, loss_ratio=loss_ratio))
        scene = build_scene(PLAN, draw_motif("trefoil"), [camera], conditions=worn, rng=np.random.default_rng(1))
        means.append(scene.surface.visible_ratio[scene.inside].mean())
    assert means[0] > 0.85  # the ragged edge cuts a few
    assert 0.4 < means[1] < 0.8
    assert means[2] < 0.01


def test_leaf_is_lighter_than_its_ground_here_and_darker_there():
    small = LensPlan(f_px=570.0, size_px=(600, 450))
    _, truth = simulate_photograph(
        rng=np.random.default_rng(2), lens=small, conditions=Conditions(surface_mm_per_px=0.6)
    )
    surface = truth.scene.surface
    light = surface.albedo.mean(axis=0)
    ground = np.median(light[surface.labels == 1])
    brighter = (light[surface.labels == METAL] > ground).mean()
    assert 0.1 < brighter < 0.8


def test_scatter_is_that_of_the_placing():
    stray = replace(PLAIN, placing=OnLines(sd_x_mm=0.7, sd_y_mm=0.3), surface_mm_per_px=1.5)
    plan = replace(PLAN, size_mm=(2400.0, 1800.0))
    camera = frame_fragment(plan, lens=LensPlan(f_px=380.0, size_px=(400, 300)), pose=Pose())
    scene = build_scene(plan, draw_motif("trefoil"), [camera], conditions=stray, rng=np.random.default_rng(6))
    turn = np.radians(plan.turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ideal = plan.net.place(scene.decoration.index) @ rotation.T + plan.net_origin_mm
    sd = ((scene.decoration.centres_mm - ideal) @ rotation).std(axis=0)
    n = len(ideal)
    assert np.allclose(sd, [0.7, 0.3], rtol=4.0 / np.sqrt(2.0 * n), atol=0)  # four standard errors of an sd


def test_same_generator_same_photograph():
    small = LensPlan(f_px=380.0, size_px=(400, 300))
    conditions = Conditions(surface_mm_per_px=1.0)
    first, again, other = (
        simulate_photograph(rng=np.random.default_rng(seed), lens=small, conditions=conditions)[0] for seed in (1, 1, 2)
    )
    assert first.shape == (300, 400, 3)
    assert first.dtype == np.uint8
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_light_noise_and_vignetting_are_as_asked(clean):
    truth, pixels = clean
    surface, camera = truth.scene.surface, truth.camera

    def shot(**change):
        return expose(
            surface,
            camera,
            shooting=replace(PERFECT, **change),
            relief=truth.scene.relief,
            rng=np.random.default_rng(9),
        ).astype(float)

    dark = shot(vignetting_ratio=0.4)
    assert (dark[:80, :80].mean() / pixels[:80, :80].mean()) < 0.9
    assert dark[400:500, 550:650].mean() == pytest.approx(pixels[400:500, 550:650].mean(), rel=0.02)
    uneven = shot(unevenness_ratio=0.5, light_from_deg=180.0)
    assert uneven[:, :100].mean() > 1.15 * uneven[:, -100:].mean()
    assert 0.5 < (shot(noise_ratio=0.01) - pixels).std() < 4.0
    shine = shot(glare_ratio=1.0) - pixels
    assert shine.max() > 60.0
    assert np.median(shine) < 4.0  # the leaf shines, the ground hardly


def test_colours_agree_with_published_numbers():
    """sRGB of Lab D50 (50, 0, 0) is grey 119 (IEC 61966-2-1 with CIE 015 Lab; the white points coincide)."""
    grey = encode_srgb(lab_to_linear((50.0, 0.0, 0.0)))
    assert np.abs(grey.astype(int) - 119).max() <= 1
    assert np.abs(encode_srgb(lab_to_linear((100.0, 0.0, 0.0))).astype(int) - 255).max() <= 1


def test_impossible_wear_is_refused():
    with pytest.raises(ValueError, match=r"loss_ratio is 1\.4; it is a share"):
        Wear(loss_ratio=1.4)


def test_truth_shows_itself():
    small = LensPlan(f_px=380.0, size_px=(400, 300))
    _, truth = simulate_photograph(
        rng=np.random.default_rng(3),
        lens=small,
        conditions=Conditions(surface_mm_per_px=1.0, shooting=Shooting()),
    )
    assert "motifs" in repr(truth)
    assert "95.6 mm across" in truth._repr_html_()


@pytest.mark.benchmark
def test_speed_of_a_full_photograph():
    start, start_cpu = perf_counter(), process_time()
    simulate_photograph(rng=np.random.default_rng(1))
    seconds, cpu_seconds = perf_counter() - start, process_time() - start_cpu
    print(f"\nsimulate_photograph, 2400 × 1800 px: {seconds:.1f} s, of which computing {cpu_seconds:.1f} s")
    assert cpu_seconds < 7.0  # on an idle machine about what one waits; a busy one makes one wait longer
