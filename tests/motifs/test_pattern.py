"""Where the motif's pattern is missed, by hand."""

import numpy as np
import pytest

from fragkit.motifs.mixture import GROUND, METAL, Surfaces
from fragkit.motifs.pattern import missed_pattern
from fragkit.motifs.tones import boxes_for

PITCH_MM = 0.4
LIGHTER = 1.03


@pytest.fixture
def striped():
    """Leaf and bare ground in stripes of 6 px, the shadow's tone that of the ground."""
    rng = np.random.default_rng(0)
    boxes = boxes_for(1.0 + 0.2 * rng.standard_normal((20_000, 3)).astype(np.float32))
    density = np.zeros((4, len(boxes.middles())), np.float32)
    density[:, boxes.sort(np.ones((1, 3), np.float32))[0]] = 1.0
    prior = np.zeros((3, 120, 120), np.float32)
    prior[METAL] = (np.arange(120) // 6 % 2 == 0)[None]
    prior[GROUND] = 1.0 - prior[METAL]
    return prior, Surfaces(boxes, density, 0.1)


def test_one_tone_over_all_stripes_speaks_against_them(striped):
    prior, surfaces = striped
    nats = missed_pattern(np.full((120, 120, 3), LIGHTER, np.float32), prior, surfaces, PITCH_MM)
    # by hand: stripes 0.03 lighter have the variance (0.015 / 0.06)² = 0.0625; 4 π (2 / 1.2)² × 0.0625 / 2 = 1.091;
    # the running mean three times over is narrower than the bell that the formula has
    assert nats[60, 60] == pytest.approx(1.09, abs=0.05)


def test_tones_that_follow_the_stripes_do_not(striped):
    prior, surfaces = striped
    ratio = 1.0 + (LIGHTER - 1.0) * prior[METAL][..., None] * np.ones(3, np.float32)
    nats = missed_pattern(ratio, prior, surfaces, PITCH_MM)
    assert nats[30:90, 30:90].max() < 0.02


def test_no_pattern_says_nothing_and_none_says_more_than_the_limit(striped):
    prior, surfaces = striped
    bare = np.zeros_like(prior)
    bare[METAL] = 1.0
    assert missed_pattern(np.full((120, 120, 3), 1.4, np.float32), bare, surfaces, PITCH_MM).max() < 0.02
    assert missed_pattern(np.full((120, 120, 3), 1.4, np.float32), prior, surfaces, PITCH_MM).max() == 4.0
