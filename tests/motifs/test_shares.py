"""Tones divided into shares of leaf, paint and ground."""

import cv2
import numpy as np
import pytest

from fragkit.motifs import shares

SIDE, RADIUS_PX, N_COPIES = 64, 16.0, 60


def disc(radius_px: float) -> np.ndarray:
    y, x = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2
    return cv2.GaussianBlur((np.hypot(x, y) < radius_px).astype(np.float32), (0, 0), 1.2)


def radius_px(share: np.ndarray) -> float:
    fine = cv2.resize(share, None, fx=8, fy=8, interpolation=cv2.INTER_CUBIC)
    return float(np.sqrt((fine > 0.5).sum() / np.pi) / 8)


def test_the_edge_of_the_leaf_does_not_lean_on_a_first_guess():
    """Copies by hand differ at their edges; those that reach beyond too small a guess must not count as odd."""
    rng = np.random.default_rng(11)
    direction = np.array([1.0, 0.9, 0.7], np.float32)[:, None, None, None]
    leaf = direction * rng.uniform(8.0, 25.0, (1, N_COPIES, 1, 1)).astype(np.float32)
    cover = np.array([disc(radius) for radius in RADIUS_PX + rng.normal(0.0, 1.5, N_COPIES)], np.float32)
    tones = leaf * cover + rng.standard_normal((3, N_COPIES, SIDE, SIDE)).astype(np.float32)
    copies = shares.Toned(tones, cover, np.ones_like(cover))
    found = []
    for guess_px in RADIUS_PX + np.array([-2.0, 0.0, 2.0]):
        guess = np.stack([disc(guess_px), 0.0 * disc(guess_px), 1.0 - disc(guess_px)])
        both, _ = shares.divide([copies], guess, shares.Paints(None, np.eye(3, dtype=np.float32)), mm_per_px=0.4)
        found.append(radius_px(both.metal))
    assert np.ptp(found) < 0.05
    assert found[1] == pytest.approx(radius_px(cover.mean(0)), abs=0.4)
