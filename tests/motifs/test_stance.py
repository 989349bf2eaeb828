"""The spread of turn and size of copies, from copies drawn with known turn and size."""

import cv2
import numpy as np
import pytest
from hop_scene import cone

from fragkit.motifs.copies import Grid
from fragkit.motifs.stance import measure_stance

GRID = Grid(mm_per_px=0.25, shape=(260, 240), centre_px=(119.5, 129.5))
FOLD = 8


def draw_copy(turn_deg, size_ratio, shift_mm, bend_mm, rng):
    """Share of metal (h, w) of one copy: the outline moved by the definition, bent, filled 8 times finer, averaged."""
    turn = np.radians(turn_deg)
    points = size_ratio * cone() @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + shift_mm
    for _ in range(4):
        wave, phase = rng.normal(0.0, 0.25, 2), rng.uniform(0.0, 2.0 * np.pi)
        points = points + np.cos(points @ wave + phase)[:, None] * rng.normal(0.0, bend_mm / np.sqrt(2.0), 2)
    pixels = (points * [1.0, -1.0] / GRID.mm_per_px + GRID.centre_px + 0.5) * FOLD - 0.5
    fine = np.zeros((GRID.shape[0] * FOLD, GRID.shape[1] * FOLD), np.uint8)
    cv2.fillPoly(fine, [np.round(pixels * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, GRID.shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0


def draw_copies(n, rng, *, turn_sd_deg, size_sd_ratio, noise=0.1, hidden_ratio=0.35, bend_mm=0.0):
    """Shares and weights (n, h, w): blurred, noisy, and each copy hidden from one side."""
    shares = [
        draw_copy(rng.normal(0.0, turn_sd_deg), rng.normal(1.0, size_sd_ratio), rng.normal(0.0, 0.1, 2), bend_mm, rng)
        for _ in range(n)
    ]
    blurred = np.array([cv2.GaussianBlur(share, (0, 0), 1.2) for share in shares])
    weights = np.ones_like(blurred)
    side = np.linspace(-1.0, 1.0, GRID.shape[1])
    for weight in weights:
        weight[:, rng.choice([-1, 1]) * side > 1.0 - hidden_ratio * rng.random()] = 0.0
    noisy = blurred + rng.normal(0.0, noise, blurred.shape)
    return noisy.astype(np.float32), weights


@pytest.mark.parametrize(("turn", "size"), [(1.6, 0.02), (0.4, 0.004)])
def test_the_spreads_come_back_without_the_error_of_reading(turn, size):
    """Ten sets of forty copies: the rms of the found sd is the true one within 4 of its own sd, 0.115/√10 = 3.6 %."""
    rng = np.random.default_rng(31)
    sets = [measure_stance(*draw_copies(40, rng, turn_sd_deg=turn, size_sd_ratio=size), GRID) for _ in range(10)]
    assert np.sqrt(np.mean([s.turn_sd_deg**2 for s in sets])) == pytest.approx(turn, rel=0.144)
    assert np.sqrt(np.mean([s.size_sd_ratio**2 for s in sets])) == pytest.approx(size, rel=0.144)


def test_copies_all_alike_are_not_given_a_spread_by_their_noise():
    rng = np.random.default_rng(7)
    found = measure_stance(*draw_copies(40, rng, turn_sd_deg=0.0, size_sd_ratio=0.0, noise=0.3), GRID)
    assert found.turn_sd_deg < found.turn_reading_sd_deg
    assert found.size_sd_ratio < found.size_reading_sd_ratio
    assert 0.0 < found.turn_reading_sd_deg < 0.2


def test_seven_copies_or_halves_of_copies_say_nothing():
    rng = np.random.default_rng(3)
    shares, weights = draw_copies(12, rng, turn_sd_deg=1.0, size_sd_ratio=0.01, hidden_ratio=0.0)
    assert measure_stance(shares[:7], weights[:7], GRID) is None
    assert measure_stance(shares[:8], weights[:8], GRID).n == 8
    weights[:, :, GRID.shape[1] // 2 :] = 0.0
    weights[0] = 1.0
    assert measure_stance(shares, weights, GRID) is None
