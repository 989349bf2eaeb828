"""Bent copies of a figure whose bends are known."""

import cv2
import numpy as np
from displaced import warped

from fragkit.motifs.bending import Straight, bend_further, inverses_of, modes_over
from fragkit.motifs.copies import finer, grid_over
from fragkit.motifs.shares import Consensus, Paints
from fragkit.motifs.straightening import Bends

GRID = grid_over(0.4, np.array([-20.0, -20.0]), np.array([20.0, 20.0]))
LEAF = np.array([-20.0, -15.0, -10.0], np.float32)
"""Tone of the leaf in noise deviations from the ground."""


def figure(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
    """A disc of 12 mm with bare lines 0.8 mm wide, displaced by dx, dy in px at each place, blurred by a pixel."""
    x, y = np.meshgrid(*GRID.offsets_mm())
    x, y = x + dx * GRID.mm_per_px, y - dy * GRID.mm_per_px
    disc, *bare = (
        np.clip(depth / GRID.mm_per_px + 0.5, 0.0, 1.0)
        for depth in (12.0 - np.hypot(x, y), 0.4 - np.abs(x - 4.0), 0.4 - np.abs(x + 4.0), 0.4 - np.abs(y))
    )
    return cv2.GaussianBlur((disc * (1.0 - np.max(bare, axis=0))).astype(np.float32), (0, 0), 1.0)


def fitted(shown: np.ndarray, *, contrast: float = 1.0) -> np.ndarray:
    """The field (2, h, w) found for one copy in three steps, the copy cut again along it after each."""
    modes, still = modes_over(GRID), figure(0.0, 0.0)
    leaf = np.ascontiguousarray(np.broadcast_to(contrast * LEAF[:, None, None, None], (3, 1, *GRID.shape)))
    rng = np.random.default_rng(3)
    tones = leaf * shown + rng.normal(0.0, 1.0, leaf.shape).astype(np.float32)
    weights = np.zeros((1, 2, len(modes.fields)))
    both, paints = Consensus(still, 0.0 * still), Paints(None, np.eye(3, dtype=np.float32))
    straight = Straight(both, paints, modes, np.ones(weights.shape[2]), GRID.mm_per_px)
    for _ in range(3):
        field = modes.of(weights)[0]
        cut = np.stack([warped(layer[0], field) for layer in tones])[:, None]
        seen = np.ones((1, *GRID.shape), np.float32)
        weights = bend_further(weights, cut, seen, leaf, straight)
    return modes.of(weights)[0]


def wave(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A displacement of about half a pixel in waves of 40 mm."""
    rows, columns = np.indices(GRID.shape, np.float32)
    a, b, c, d = rng.uniform(0.0, 6.3, 4)
    return np.cos(columns / 16.0 + a) * np.cos(b), np.cos(rows / 16.0 + c) * np.cos(d)


def test_bends_are_found():
    rng = np.random.default_rng(4)
    metal = figure(0.0, 0.0) > 0.5
    for _ in range(4):
        dx, dy = wave(rng)
        found = fitted(figure(dx, dy))
        # from the straight place to that of the copy: the other way round than the figure was displaced
        error = (inverses_of(found[None])[0] - np.stack([dx, dy]))[:, metal]
        assert np.sqrt((error**2).mean()) < 0.3 * np.sqrt((dx**2 + dy**2)[metal].mean() / 2.0) + 0.05


def test_a_turned_copy_is_turned_back():
    rows, columns = np.indices(GRID.shape, np.float32)
    turn = np.radians(2.0)
    found = fitted(figure(-(rows - 50.0) * turn, (columns - 50.0) * turn))
    metal = figure(0.0, 0.0) > 0.5
    error = inverses_of(found[None])[0] - np.stack([-(rows - 50.0) * turn, (columns - 50.0) * turn])
    # the rim of the disc says nothing of a turn, the bare lines do; a pixel is 0.4 mm
    assert np.sqrt((error[:, metal] ** 2).mean()) < 0.15


def test_copies_alike_or_without_contrast_are_not_bent():
    still = figure(0.0, 0.0)
    # a fortieth of a millimetre from the noise of the tones
    assert np.sqrt((fitted(still) ** 2).mean()) * GRID.mm_per_px < 0.025
    dx, dy = wave(np.random.default_rng(5))
    assert np.abs(fitted(figure(dx, dy), contrast=0.002)).max() * GRID.mm_per_px < 0.1


def test_bends_are_the_same_by_the_modes_of_another_grid():
    coarse = finer(GRID, 0.6)
    modes, rng = modes_over(coarse), np.random.default_rng(5)
    spreads = rng.uniform(0.5, 1.5, len(modes.fields))
    bends = Bends((rng.normal(0.0, spreads, (4, 2, len(spreads))),), spreads, modes, coarse)
    other = bends.on(GRID)
    inner = np.s_[..., 10:-10, 10:-10]  # beyond its outermost squares a grid carries them on
    wanted, found = bends.fields_on(GRID)[0][inner], other.fields()[0][inner]
    assert np.sqrt((wanted**2).mean()) > 1.0
    assert np.sqrt(((found - wanted) ** 2).mean()) < 0.05
    back = other.on(coarse).weights[0]
    np.testing.assert_allclose(back[..., :20], bends.weights[0][..., :20], rtol=0, atol=0.1)


def test_a_field_leads_back():
    field = 0.8 * np.stack(wave(np.random.default_rng(6))).astype(np.float32)
    back = inverses_of(field[None])[0]
    there = np.stack([warped(layer, back) for layer in field])
    # straight lines between pixels, half a wave of 50 px
    np.testing.assert_allclose((back + there)[:, 5:-5, 5:-5], 0.0, rtol=0, atol=0.01)
