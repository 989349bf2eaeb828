"""Areas of the ground kept apart: marked ones measured, others proposed only where the evidence carries it."""

import numpy as np
import pytest

from fragkit.colour import delta_e00, measure_colours, srgb_to_lab
from fragkit.rectify import Picture

GROUND, CLEANED = np.array([190.0, 178.0, 150.0]), np.array([203.0, 194.0, 172.0])


def wall(seed, *, cleaned=None, slope=0.0, blotches=0.0):
    """A ground of 480 × 360 mm, 1 mm a pixel, uneven from patch to patch; a cleaned window; a slow change."""
    rng = np.random.default_rng(seed)
    pixels = np.broadcast_to(GROUND, (360, 480, 3)).copy()
    if cleaned is not None:
        pixels[cleaned] = CLEANED
    pixels += slope * np.linspace(-1, 1, 480)[None, :, None]
    uneven = rng.normal(0, 1.5, (30, 40)) + blotches * (rng.random((30, 40)) < 0.15)
    pixels += np.kron(uneven, np.ones((12, 12)))[..., None] + rng.normal(0, 2.0, pixels.shape)
    picture = Picture(
        pixels=np.clip(pixels.round(), 0, 255).astype(np.uint8),
        mm_per_px=1.0,
        origin_mm=np.zeros(2),
        coverage=np.ones((360, 480), bool),
    )
    return picture, np.ones((360, 480), np.uint8)


WINDOW = np.s_[100:250, 120:260]


def test_a_marked_area_is_measured_by_itself_and_the_difference_covers():
    truth = float(delta_e00(*(srgb_to_lab(rgb / 255.0) for rgb in (GROUND, CLEANED))))
    inside = 0
    for seed in range(12):
        picture, labels = wall(seed, cleaned=WINDOW)
        mask = np.zeros(labels.shape, bool)
        mask[WINDOW] = True
        colours = measure_colours([picture], [labels], areas=[{"cleaned": mask}])
        (area,) = colours.areas
        assert area.is_marked
        found, low, high = area.ground_apart
        inside += low <= truth <= high
        assert abs(found - truth) < 0.6
        # the rest is not touched by the cleaned window
        assert delta_e00(colours.ground.lab, srgb_to_lab(GROUND / 255.0)) < 0.5
    assert inside >= 10
    assert any("cleaned (marked)" in note for note in colours.notes)


def test_a_window_that_nobody_marked_is_proposed():
    for seed in range(6):
        picture, labels = wall(seed, cleaned=WINDOW)
        (area,) = measure_colours([picture], [labels], names=["north-1"]).areas
        assert area.name == "a part of north-1"
        assert not area.is_marked
        assert area.ground_apart[1] > 1.5
        assert 80 <= area.ground.n_patches <= 190  # 146 patches lie in the window


@pytest.mark.parametrize("kind", [{}, {"slope": 12.0}, {"blotches": 14.0}])
def test_nothing_is_proposed_on_one_ground_a_slow_change_or_strewn_dirt(kind):
    for seed in range(20):
        picture, labels = wall(seed, **kind)
        assert measure_colours([picture], [labels]).areas == ()


def test_an_area_marked_on_one_colour_is_said_to_be_the_same():
    same = 0
    for seed in range(12):
        picture, labels = wall(seed)
        mask = np.zeros(labels.shape, bool)
        mask[WINDOW] = True
        (area,) = measure_colours([picture], [labels], areas=[{"north half": mask}]).areas
        same += area.ground_apart[1] == 0.0
    assert same >= 10
