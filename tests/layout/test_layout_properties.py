"""What must hold for every public function of the layout beside `lay_out`, tried on inputs that hypothesis invents."""

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as some

from fragkit import lay_out
from fragkit.layout import UNCERTAINTY, alternative_sites, arcsec_words, average_uncertainty, motif_forms

calm = settings(
    max_examples=25,
    phases=[Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    derandomize=True,
)


@given(
    classes=some.lists(some.sampled_from(sorted(UNCERTAINTY)), min_size=1, max_size=12),
    scale=some.floats(0.1, 1e4),
    seed=some.integers(0, 999),
)
@calm
def test_an_average_class_lies_among_its_classes_whatever_the_unit(classes, scale, seed):
    area = np.random.default_rng(seed).uniform(1.0, 5.0, len(classes))
    mean = average_uncertainty(classes, area)
    values = [UNCERTAINTY[name] for name in classes]
    assert min(values) - 1e-12 <= mean <= max(values) + 1e-12
    assert average_uncertainty(classes, scale * area) == pytest.approx(mean, rel=0, abs=1e-9)


@given(seconds=some.floats(1.0, 5e4))
@calm
def test_an_angle_in_words_is_true_to_two_figures(seconds):
    words = arcsec_words(seconds)
    number = float("".join(c for c in words.replace(",", "") if c.isdigit() or c == ".") or "nan")
    unit = 3600.0 if "°" in words or "degree" in words else 60.0 if "minute" in words or "′" in words else 1.0
    assert number * unit == pytest.approx(seconds, rel=0.06)


@given(width=some.floats(20.0, 90.0), height=some.floats(20.0, 90.0), parts=some.integers(1, 3))
@calm
def test_no_form_of_a_motif_reaches_beyond_the_whole(make_motif, width, height, parts):
    forms = motif_forms(make_motif(width=width, height=height, parts=parts))
    assert next(iter(forms)) == "whole"
    whole = np.concatenate([np.asarray(ring) for rings in forms["whole"].values() for ring in rings])
    for outlines in forms.values():
        points = np.concatenate([np.asarray(ring) for rings in outlines.values() for ring in rings])
        assert points.min() >= whole.min() - 1e-6 or np.ptp(points, axis=0).max() <= np.ptp(whole, axis=0).max() + 1e-6


@given(width=some.floats(900.0, 3500.0), height=some.floats(900.0, 2500.0))
@settings(calm, max_examples=5)
def test_every_alternative_is_drawn_with_the_motifs_it_counts(make_wall, make_repeat, make_motif, width, height):
    layout = lay_out([make_wall(width=width, height=height)], make_repeat(), make_motif())
    for alternative in layout.alternatives:
        sites = alternative_sites(layout, alternative)
        assert len(sites.xy_mm) >= alternative.n_motifs - alternative.n_dropped
