"""Every figure asked of the motif, beside what is measured, in one table."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from hop_scene import area, cone, example, make_wall
from known_truth import Fragment, area_limit_mm2, in_doubt, independent, looked_up, overlap, simulated
from test_consensus import mean_distance_mm
from test_stacking import SIZE, damaged_copies, noisy_copies

from fragkit.motifs import Motif, build_motif, combine_copies, ring_correlation
from fragkit.rectify import Rectified
from fragkit.simulate import Shooting

SCENES = (
    ("simulate", "hop cone", 401),
    ("simulate", "trefoil", 402),
    ("simulate", "scallop shell", 403),
    ("simulate", "bellflower", 404),
    ("independent", "shell", 405),
    ("independent", "bell", 406),
    ("independent", "trefoil", 407),
)
N_OUTLINES = 12


def limits(fragment: Fragment, plane: Rectified, true: np.ndarray) -> dict[str, float]:
    """Overlap of one who knows every tone and names metal where its cover, as the picture shows it, exceeds one half:
    through the camera's blur, and through a lens without blur. No bound, but without noise, damage and JPEG."""
    metal = (fragment.codes == 3).astype(np.float32)
    photo = looked_up(metal, fragment.photo.shape[:2], fragment.to_wall, cv2.INTER_LINEAR)
    seen = {"through the lens": cv2.GaussianBlur(photo, (0, 0), Shooting().blur_px), "without blur": photo}
    picture = plane.picture
    covers = {
        words: looked_up(k, true.shape, lambda px: plane.to_px(picture.to_mm(px)), cv2.INTER_CUBIC)
        for words, k in seen.items()
    }
    return {words: overlap(np.where(cover > 0.5, 3, 0), true, 3) for words, cover in covers.items()}


def half_damaged(seed: int) -> Motif:
    """The motif from the 12 examples of a wall that show nearest to half of their metal."""
    picture, centres = example(make_wall(seed=seed, loss_ratio=0.45))
    away = np.abs(np.where(centres.found, centres.visible_ratio, 9.0) - 0.5)
    used = np.isin(np.arange(len(away)), np.argsort(away)[:12]) & centres.found
    return build_motif([(picture, replace(centres, status=tuple("partly seen" if u else "lost" for u in used)))])


def doubt_mm(motif: Motif) -> float:
    return float(np.median(np.concatenate(motif.doubts_mm["metal"])))


def line(words: str, asked: str, measured: str) -> None:
    print(f"{words:62s} {asked:>10s}   {measured}")


@pytest.mark.benchmark
def test_figures_of_labels():
    print()
    for kind, name, seed in SCENES:
        fragment = (simulated if kind == "simulate" else independent)(name, seed)
        plane, found = fragment.read()
        true, metal = fragment.labels_on(plane), fragment.metal
        most = limits(fragment, plane, true) if kind == "simulate" else {}
        scores = {code: overlap(found.labels[0], true, code) for code in (3, 4)}
        error, limit = found.metal_area_mm2 - metal.area, area_limit_mm2(metal)
        words = f"{kind}, {name}, seed {seed}"
        line(f"{words}: metal, overlap of labels", ">= 0.90", f"{scores[3]:.3f}")
        for how, value in most.items():
            line(f"{words}: the same, every tone known, {how}", "", f"{value:.3f}")
        line(f"{words}: loss, overlap of labels", ">= 0.85", f"{scores[4]:.3f}")
        line(f"{words}: metal area, mm² (sd {found.metal_area_sd_mm2:.0f})", f"<= {limit:.0f}", f"{error:+.0f}")
        held = in_doubt(found, metal)
        line(f"{words}: outline within its doubt (± {doubt_mm(found):.2f} mm)", ">= 0.95", f"{held:.3f}")
        # motifs of many bare lines come nearest: hop cones, seeds 64001 to 64004, 0.905 to 0.914; most of what is wrong
        # lies within a pixel of an edge
        assert scores[3] >= 0.90
        assert all(scores[3] < value < 0.99 for value in most.values())
        assert scores[4] >= 0.85
        assert abs(error) <= limit
        assert held >= 0.92


def test_awns_are_found_although_a_first_look_takes_them_and_their_shadow_for_shadow():
    # found in 0.85 of the height while leaf's tone was known beside sure leaf alone; by leaf further off alone they
    # came out a quarter too thin, which moved the metal's centroid: 0.6 of the outline lay within its doubt
    fragment = simulated("barley ear", 98201)
    (_, found), metal = fragment.read(), fragment.metal
    low, high = metal.bounds[1], metal.bounds[3]
    assert abs(found.metal_height_mm - (high - low)) < 1.5
    assert abs(found.metal_area_mm2 - metal.area) <= area_limit_mm2(metal)
    assert in_doubt(found, metal) >= 0.9


@pytest.mark.benchmark
def test_thin_leaf_falls_short():
    fragment = simulated("barley ear", 408)
    plane, found = fragment.read()
    true = fragment.labels_on(plane)
    most = limits(fragment, plane, true)
    print()
    line("simulate, barley ear, seed 408: metal, overlap of labels", "", f"{overlap(found.labels[0], true, 3):.3f}")
    for how, value in most.items():
        line(f"the same, every tone known, {how}", "", f"{value:.3f}")
    # awns one or two pixels wide: one who knew every tone would hardly do better than what is asked
    assert overlap(found.labels[0], true, 3) > 0.79
    assert 0.90 < most["through the lens"] < 0.93


@pytest.mark.benchmark
def test_figures_of_outlines():
    rows = []
    for seed in range(500, 500 + N_OUTLINES):
        motif = half_damaged(seed)
        error = motif.metal_area_mm2 - area(cone())
        distance = mean_distance_mm(motif.outlines["metal"][0], cone())
        held = in_doubt(motif, shapely.Polygon(cone()))
        rows.append((distance, error, error / motif.metal_area_sd_mm2, held, doubt_mm(motif)))
    distance, error, pull, held, half = np.array(rows).T
    limit = area_limit_mm2(shapely.Polygon(cone()))
    words = f"12 half-damaged examples, {N_OUTLINES} walls"
    print()
    line(
        f"{words}: mean distance of outlines, mm, most",
        "<= 0.25",
        f"{distance.max():.3f} (median {np.median(distance):.3f})",
    )
    line(f"{words}: metal area, mm², most", f"<= {limit:.0f}", f"{np.abs(error).max():.0f} (mean {error.mean():+.0f})")
    line(f"{words}: area within 1.96 sd", ">= 0.95", f"{np.mean(np.abs(pull) <= 1.96):.2f}")
    line(f"{words}: outline within its doubt (± {np.median(half):.2f} mm)", ">= 0.95", f"{held.mean():.3f}")
    assert np.median(distance) <= 0.25
    assert np.mean(np.abs(error) <= limit) >= 0.9
    assert held.mean() >= 0.95
    assert np.median(half) <= 0.4


@pytest.mark.benchmark
def test_figures_of_combining():
    damage = [damaged_copies(seed, n=30, share=0.3) for seed in range(100, 120)]
    errors = [combine_copies(copies, search_px=0.0).mean - truth for copies, truth in damage]
    bias, noise = np.mean([e.mean() for e in errors]), np.mean([e.std() for e in errors]) * np.sqrt(30.0)
    limits, perfect = [], []
    for seed in range(120, 140):
        copies, straight = noisy_copies(seed, n=64)
        limits.append(combine_copies(copies).resolution.limit_cycles_per_px)
        perfect.append(ring_correlation(straight[::2].mean(0), straight[1::2].mean(0)).limit_cycles_per_px)
    empty = [np.random.default_rng(seed).normal(size=(64, SIZE, SIZE)) for seed in range(140, 160)]
    noise_limits = [combine_copies(copies).resolution.limit_cycles_per_px for copies in empty]
    print()
    line("bias at 30 % one-sided damage, sd, 20 scenes", "<= 0.05", f"{bias:+.3f}")
    line("noise × √N at 30 % damage, 20 scenes", "<= 1.25", f"{noise:.3f}")
    line("ring limit, S/N 1, N 64, cycles per px, least of 20", ">= 0.183", f"{np.min(limits):.3f}")
    line("ring limit against perfect alignment, mean of 20", ">= 0.95", f"{np.mean(np.array(limits) / perfect):.3f}")
    line("claimed from pure noise, cycles per px, most of 20", "<= 0.03", f"{np.max(noise_limits):.3f}")
    assert abs(bias) <= 0.05
    assert noise <= 1.25
    assert np.min(limits) >= 0.183
    assert np.max(noise_limits) <= 0.03
