"""Symmetry of motifs whose symmetry is known."""

from dataclasses import replace

import hop_scene
import numpy as np
import pytest
from hop_scene import centroid, example, make_wall

from fragkit.motifs import build_motif, find_symmetries, symmetrised

PITCH_MM = 0.4


@pytest.fixture(scope="module")
def built():
    return build_motif([example(make_wall(seed=3, columns=3, rows=3, loss_ratio=0.1))])


def with_metal(built, radius_mm):
    """The motif with a metal whose outline is radius(angle), in examples that differ by noise alone."""
    rows, columns = np.indices((121, 121))
    x, y = (columns - 60.0) * PITCH_MM, (60.0 - rows) * PITCH_MM
    edge = radius_mm(np.arctan2(y, x)) - np.hypot(x, y)
    metal = np.clip(edge / (2.0 * PITCH_MM) + 0.5, 0.0, 1.0).astype(np.float32)
    band = (metal > 0.0) & (metal < 1.0)
    noise = np.random.default_rng(1).normal(0.0, 0.1, (16, *metal.shape)).astype(np.float32) * band
    noise -= noise.mean(axis=0)
    angle = np.linspace(0.0, 2.0 * np.pi, 361)[:-1]
    outline = radius_mm(angle)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return replace(
        built,
        mm_per_px=PITCH_MM,
        origin_px=np.array([60.0, 60.0]),
        metal=metal,
        shadow=np.zeros_like(metal),
        ground=1.0 - metal,
        residuals=noise,
        seen=np.ones(noise.shape, bool),
        outlines={"metal": (outline,), "shadow": ()},
    )


def test_a_trefoil_turns_by_a_third_and_mirrors(built):
    motif = with_metal(built, lambda t: 12.0 + 3.0 * np.cos(3.0 * (t - np.pi / 2.0)))
    found = {(s.kind, round(s.angle_deg)): s for s in find_symmetries(motif, rng=np.random.default_rng(2))}
    assert found["turn", 120].holds
    assert not found["turn", 180].holds
    assert not found["turn", 90].holds
    (axis,) = (s for s in found.values() if s.kind == "mirror")
    assert axis.holds
    # three axes, one of them upright
    assert min(abs(axis.angle_deg - a) for a in (30.0, 90.0, 150.0)) < 0.6


def test_a_lobe_on_one_side_is_not_mirrored(built):
    motif = with_metal(built, lambda t: 12.0 + 2.0 * np.cos(3.0 * t) + 1.5 * np.sin(2.0 * t) + np.cos(5.0 * t + 0.7))
    assert not any(s.holds for s in find_symmetries(motif, rng=np.random.default_rng(3)))


def test_made_symmetric_only_on_request(built):
    motif = with_metal(built, lambda t: 12.0 + 1.0 * np.cos(t - np.pi / 2.0) ** 3 + 0.4 * np.cos(2.0 * t + 0.5))
    best = next(s for s in find_symmetries(motif, rng=np.random.default_rng(4)) if s.kind == "mirror")
    even = symmetrised(motif, best)
    again = next(s for s in find_symmetries(even, rng=np.random.default_rng(4)) if s.kind == "mirror")
    assert again.mismatch_mm <= best.mismatch_mm
    assert "Made symmetric on request" in even.notes[-1]
    # pi 12² and a little; the mean of a figure and its image keeps the area
    assert even.metal_area_mm2 == pytest.approx(float(motif.metal.sum()) * PITCH_MM**2, rel=0.01)


def lobed(away_mm: float) -> np.ndarray:
    """A motif with an upright mirror axis, from which its edge departs by `away_mm` rms."""
    t = np.linspace(0.0, 2.0 * np.pi, 361)[:-1]
    up = t - np.pi / 2.0
    r = 15.0 * (1.0 + 0.07 * np.cos(9.0 * up) + 0.12 * np.cos(2.0 * up) + 0.06 * np.cos(3.0 * up))
    r += away_mm * np.sqrt(2.0) * np.sin(4.0 * up)
    points = np.column_stack([r * np.cos(t), r * np.sin(t)])
    return points - centroid(points)


@pytest.mark.benchmark
def test_figures_of_symmetry(monkeypatch):
    print()
    for away_mm, least, most in ((0.0, 0.9, 1.0), (0.1, 0.0, 1.0), (0.2, 0.0, 0.5), (0.3, 0.0, 0.1)):
        monkeypatch.setattr(hop_scene, "cone", lambda size_mm=42.0, away_mm=away_mm: lobed(away_mm))
        built = [build_motif([example(make_wall(seed=seed))]) for seed in range(4100, 4116)]
        found = [find_symmetries(motif, rng=np.random.default_rng(1)) for motif in built]
        mirrors = [next(s for s in each if s.kind == "mirror") for each in found]
        share, mismatch = np.mean([s.holds for s in mirrors]), np.mean([s.mismatch_mm for s in mirrors])
        # by hand: an edge that departs by a sine of rms d lies 2 d 2√2/π from its image in the mean
        expected = 2.0 * away_mm * 2.0 * np.sqrt(2.0) / np.pi
        print(
            f"mirror, edge {away_mm:.1f} mm off: held for symmetric {share:.2f} of 16 walls, "
            f"mismatch {mismatch:.2f} mm (true {expected:.2f})"
        )
        assert least <= share <= most
