"""The spread of copies of which only arcs are seen, on copies known exactly."""

import numpy as np
import pytest
from test_procrustes import shapes_of

from fragkit.motifs import align_shapes
from fragkit.motifs.outlines import stations
from fragkit.motifs.spread import Spread, spread_of

NOISE_MM = 0.3


def lobed() -> tuple[np.ndarray, np.ndarray]:
    """Places 1.5 mm apart on an oval with five lobes, and their normals."""
    t = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    r = 18.0 * (1.0 + 0.12 * np.cos(5.0 * t)) * np.hypot(0.8 * np.cos(t), np.sin(t))
    points, normals = stations(np.column_stack([r * np.cos(t), r * np.sin(t)]))
    return points[::3], normals[::3]


def turn_and_size(points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    about = points - points.mean(0)
    return np.column_stack([(normals * np.c_[-about[:, 1], about[:, 0]]).sum(1), (normals * about).sum(1)])


def hand_drawn(rng: np.random.Generator, n: int, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Strays (n, k) of copies turned, sized and bent by plane waves, as no wave round the outline is."""
    out = rng.normal(0.0, [np.radians(1.2), 0.015], (n, 2)) @ turn_and_size(points, normals).T
    for row in out:
        for _ in range(5):
            length, angle = rng.uniform(18.0, 60.0), rng.uniform(0.0, 2.0 * np.pi)
            wave = np.cos(points @ [np.cos(angle), np.sin(angle)] * 2.0 * np.pi / length + rng.uniform(0.0, 6.3))
            row += wave * (normals @ rng.normal(0.0, 0.25 * np.sqrt(0.4), 2))
    return out


def rms_beside(strays: np.ndarray, free: np.ndarray) -> float:
    basis = np.linalg.qr(free)[0]
    return float(np.sqrt(np.mean((strays - strays @ basis @ basis.T) ** 2)))


def measured(seed: int, n: int, seen_ratio: float) -> Spread:
    """The spread of copies out of place and noisy, an arc of each away; lengths of arcs differ."""
    rng, (points, normals) = np.random.default_rng(seed), lobed()
    strays = hand_drawn(rng, n, points, normals) + rng.normal(0.0, 0.6, (n, 2)) @ normals.T
    strays += rng.normal(0.0, NOISE_MM, strays.shape)
    k = strays.shape[1]
    if seen_ratio < 1.0:
        for row in strays:
            away = round(k * (1.0 - rng.uniform(0.1, 2.0 * seen_ratio - 0.1)))
            row[(rng.integers(k) + np.arange(away)) % k] = np.nan
    found = spread_of(strays, points, normals)
    assert found is not None
    return found


def true_spread() -> tuple[float, float]:
    points, normals = lobed()
    copies = hand_drawn(np.random.default_rng(1), 3000, points, normals)
    return rms_beside(copies, normals), rms_beside(copies, np.c_[normals, turn_and_size(points, normals)])


def test_copies_seen_all_round_and_by_half_agree_with_the_truth():
    stray, shape = true_spread()
    for seen_ratio, of_truth in ((1.0, 0.06), (0.5, 0.12)):
        found = [measured(seed, 30, seen_ratio) for seed in range(8)]
        assert np.mean([f.stray_mm for f in found]) == pytest.approx(stray, rel=of_truth)
        assert np.mean([f.shape_mm for f in found]) == pytest.approx(shape, rel=of_truth)
        pulls = [(f.stray_mm - stray) / f.stray_sd_mm for f in found]
        assert np.sqrt(np.mean(np.square(pulls))) < 2.0


@pytest.mark.benchmark
def test_figures_of_spread():
    stray, shape = true_spread()
    print()
    for n, seen_ratio in ((12, 1.0), (12, 0.5), (30, 0.5), (30, 0.35), (50, 1.0)):
        found = [measured(seed, n, seen_ratio) for seed in range(2000, 2060)]
        for name, true in (("stray", stray), ("shape", shape)):
            values = np.array([getattr(f, f"{name}_mm") for f in found])
            sds = np.array([getattr(f, f"{name}_sd_mm") for f in found])
            held = np.mean(np.abs(values - true) <= 1.96 * sds)
            print(
                f"{n} copies, {100 * seen_ratio:.0f} % seen, {name}: mean / true {values.mean() / true:.3f}, "
                f"within 1.96 sd {held:.2f} (asked 0.95), 60 draws"
            )
            assert values.mean() / true == pytest.approx(1.0, abs=0.2)
            assert held >= 0.8


def test_place_turn_size_and_noise_are_taken_off():
    rng, (points, normals) = np.random.default_rng(3), lobed()
    own = rng.normal(0.0, [np.radians(2.0), 0.02], (20, 2)) @ turn_and_size(points, normals).T
    strays = own + rng.normal(0.0, 0.5, (20, 2)) @ normals.T + rng.normal(0.0, NOISE_MM, own.shape)
    strays[:, 30:50] = np.nan
    found = spread_of(strays, points, normals)
    # a quarter of the noise of a place
    assert found.shape_mm < 0.08
    assert found.stray_mm == pytest.approx(rms_beside(own, normals), rel=0.15)


def test_published_shapes_with_points_deleted():
    """Digits of Dryden and Mardia (2016), 13 points down a line: spread along the normals of the mean shape."""
    found = align_shapes(shapes_of("digit3_handwritten.csv"))
    mean = found.mean * found.centroid_sizes.mean()
    chord = np.gradient(mean, axis=0)
    normals = np.column_stack([chord[:, 1], -chord[:, 0]]) / np.hypot(*chord.T)[:, None]
    away = ((found.aligned - found.mean) * found.centroid_sizes.mean() * normals).sum(axis=2)
    whole = spread_of(away, mean, normals)
    # what differs from point to point without its neighbours counts as noise, so that a little less is left
    assert 0.75 * rms_beside(away, np.c_[normals, turn_and_size(mean, normals)]) < whole.shape_mm
    for seed in range(6):
        kept = np.random.default_rng(seed).random(away.shape) < 0.8
        some = spread_of(np.where(kept, away, np.nan), mean, normals)
        assert some.seen_ratio < 0.85
        assert abs(some.shape_mm - whole.shape_mm) < 1.96 * some.shape_sd_mm


def test_too_little_seen_has_no_spread():
    points, normals = lobed()
    strays = np.full((6, len(points)), np.nan)
    strays[:, :7] = 0.1
    assert spread_of(strays, points, normals) is None
