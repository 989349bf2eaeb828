"""Fragments pooled: one description, the mean, and the interval for a new wall."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, pool

HALF_DROP = np.array([[80.0, 0.0], [40.0, 90.0]])


def _fragment(rng, *, basis=HALF_DROP, turn_deg=0.0, change=None, scatter_mm=0.7, scale=1.0, n=6):
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n))
    index = np.column_stack([i.ravel(), j.ravel()])
    index = index[rng.random(len(index)) > 0.2]
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    xy = scale * (index @ basis) + rng.normal(0.0, np.hypot(scatter_mm, 0.2), index.shape)
    own = index if change is None else index @ np.array(change)
    cov = np.tile(np.eye(2) * 0.04, (len(index), 1, 1))
    return fit_lattice((xy @ np.array([[cos, sin], [-sin, cos]]), cov, own))


def test_three_fragments_give_the_repeat():
    rng = np.random.default_rng(6)
    fragments = [
        _fragment(rng),
        _fragment(rng, change=[[1, 0], [1, 1]]),  # its b is b − a
        _fragment(rng, turn_deg=2.0),
    ]
    pooled = pool(fragments, turns_deg=[0.0, 0.0, -2.0], turn_sds_deg=[0.2] * 3)
    assert pooled.across_mm == pytest.approx(80.0, rel=0.003)  # what a study must reach
    assert pooled.down_mm == pytest.approx(90.0, rel=0.003)
    assert pooled.offset_ratio == pytest.approx(0.5, abs=0.005)
    assert pooled.net_type == "centred"
    assert pooled.basis == "evidence"
    assert pooled.interval_across_mm[0] < 80.0 < pooled.interval_across_mm[1]
    low, high = pooled.interval_new_wall["across_mm"]
    assert high - low > np.diff(pooled.interval_across_mm)[0]
    np.testing.assert_allclose(pooled.b_mm, [pooled.offset_ratio * pooled.across_mm, pooled.down_mm])
    assert np.all(np.linalg.eigvalsh(pooled.cov) > 0)
    assert pooled.n_fragments == 3
    assert "3 fragments" in repr(pooled)
    assert "assumption" in pooled._repr_html_()


def test_fragments_turned_by_half_a_turn_agree():
    rng = np.random.default_rng(7)
    pooled = pool([_fragment(rng), _fragment(rng, turn_deg=180.0)], turns_deg=[0.0, 180.0])
    assert pooled.across_mm == pytest.approx(80.0, rel=0.004)
    assert pooled.offset_ratio == pytest.approx(0.5, abs=0.01)


def test_intervals_of_the_mean_hold():
    """12 campaigns of 3 fragments without difference between them: 21 or more of 24 intervals hold."""
    rng = np.random.default_rng(16)
    inside = []
    for _ in range(12):
        pooled = pool([_fragment(rng) for _ in range(3)])
        inside += [
            pooled.interval_across_mm[0] < 80.0 < pooled.interval_across_mm[1],
            pooled.interval_down_mm[0] < 90.0 < pooled.interval_down_mm[1],
        ]
    assert np.mean(inside) > 0.85


def test_fragments_that_differ_widen_the_interval():
    rng = np.random.default_rng(9)
    alike = pool([_fragment(rng) for _ in range(3)])
    rng = np.random.default_rng(9)
    differing = pool([_fragment(rng, scale=scale) for scale in (0.985, 1.0, 1.015)])
    assert differing.between_sd_mm[0] > 1.5 * alike.between_sd_mm[0]
    assert np.diff(differing.interval_new_wall["across_mm"]) > np.diff(alike.interval_new_wall["across_mm"])


def test_the_prior_can_be_changed_and_is_stated():
    rng = np.random.default_rng(10)
    fragment = _fragment(rng)
    narrow, wide = pool([fragment], between_sd_ratio=0.002), pool([fragment], between_sd_ratio=0.02)
    assert np.diff(wide.interval_new_wall["down_mm"]) > 3 * np.diff(narrow.interval_new_wall["down_mm"])
    assert any("0.2 % of the repeat" in note for note in narrow.notes)
    assert any("one fragment only" in note for note in narrow.notes)


def test_bad_pools_are_refused():
    rng = np.random.default_rng(11)
    fragment = _fragment(rng)
    with pytest.raises(EstimationError, match="no fragment to pool"):
        pool([])
    with pytest.raises(ValueError, match="between_sd_ratio is 0"):
        pool([fragment], between_sd_ratio=0.0)
    with pytest.raises(ValueError, match="1 turns for 2 fragments"):
        pool([fragment, fragment], turns_deg=[0.0])
    with pytest.raises(EstimationError, match="do not carry the same net"):
        pool([fragment, _fragment(rng, basis=HALF_DROP * 1.4)])


def test_rows_off_level_are_noted():
    rng = np.random.default_rng(12)
    pooled = pool([_fragment(rng, turn_deg=3.0)])
    assert any("off level" in note for note in pooled.notes)
