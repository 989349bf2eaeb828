"""Photographs of one fragment joined: one list, no motif twice."""

from dataclasses import dataclass

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import merge_centres

BASIS = np.array([[80.0, 0.0], [40.0, 90.0]])


@dataclass(frozen=True, kw_only=True)
class Photographed:
    """The fields of `motifs.Centres` that joining uses."""

    index: np.ndarray
    xy_mm: np.ndarray
    cov_mm2: np.ndarray
    score: np.ndarray
    visible_ratio: np.ndarray
    status: tuple
    notes: tuple = ()

    @property
    def found(self):
        return np.array([s in ("seen", "partly seen") for s in self.status])


def _photograph(index, *, sd_mm=0.2, status=None, shift=(0, 0), change=None, rng=None, move=(0.0, 0.0)):
    """A photograph of the sites `index`, which it counts from another origin and in another basis."""
    index = np.array(index)
    noise = np.zeros(index.shape) if rng is None else rng.normal(0.0, sd_mm, index.shape)
    own = index @ (np.eye(2, dtype=int) if change is None else np.array(change)) + shift
    return Photographed(
        index=own,
        xy_mm=index @ BASIS + noise + np.array(move),
        cov_mm2=np.tile(np.eye(2) * sd_mm**2, (len(index), 1, 1)),
        score=np.full(len(index), 0.8),
        visible_ratio=np.full(len(index), 0.9),
        status=tuple(status or ["seen"] * len(index)),
    )


LEFT = [(i, j) for i in range(4) for j in range(4)]
RIGHT = [(i, j) for i in range(2, 6) for j in range(4)]


def test_shared_motifs_are_combined_by_their_covariances_by_hand():
    left, right = _photograph(LEFT, sd_mm=0.1), _photograph(RIGHT, sd_mm=0.2, shift=(7, -3))
    moved = _photograph(RIGHT, sd_mm=0.2, shift=(7, -3), move=(0.5, 0.0))
    merged = merge_centres([left, right])
    assert len(merged.index) == 24
    assert len({tuple(site) for site in merged.index}) == 24
    merged = merge_centres([left, moved])
    row = int(np.flatnonzero((merged.index == [2, 1]).all(axis=1))[0])
    # weights 1/0.01 and 1/0.04: 0.8 and 0.2; sd 1/√125
    np.testing.assert_allclose(merged.xy_mm[row], np.array([2, 1]) @ BASIS + [0.1, 0.0], rtol=0, atol=1e-9)
    np.testing.assert_allclose(merged.cov_mm2[row], np.eye(2) * 0.008, rtol=0, atol=1e-12)


def test_another_basis_and_origin_make_no_difference():
    rng = np.random.default_rng(1)
    left = _photograph(LEFT, rng=rng)
    right = _photograph(RIGHT, rng=rng)
    # own basis (a, b − a): (i, j) becomes (i + j, j); and another origin
    other = _photograph(RIGHT, change=[[1, 0], [1, 1]], shift=(5, 9), rng=np.random.default_rng(1))
    other_left = _photograph(LEFT, rng=np.random.default_rng(1))
    assert len(merge_centres([left, right]).index) == len(merge_centres([other_left, other]).index) == 24
    merged = merge_centres([other_left, other])
    np.testing.assert_allclose(merged.xy_mm, merged.index @ BASIS, rtol=0, atol=1.0)  # five sd of 0.2 mm


def test_the_best_status_wins():
    left = _photograph([(0, 0), (1, 0), (0, 1), (1, 1)], status=["seen", "seen", "seen", "lost"])
    right = _photograph([(0, 0), (1, 0), (0, 1), (1, 1)], status=["lost", "seen", "seen", "partly seen"])
    merged = merge_centres([left, right])
    assert merged.status == ("seen", "seen", "seen", "partly seen")
    np.testing.assert_allclose(merged.cov_mm2[3], np.eye(2) * 0.04, rtol=0, atol=1e-12)  # seen once


def test_photographs_that_disagree_are_flagged_and_other_nets_refused():
    left, right = _photograph(LEFT, sd_mm=0.1), _photograph(RIGHT, sd_mm=0.1, move=(3.0, 0.0))
    assert any("check the control" in note for note in merge_centres([left, right]).notes)
    with pytest.raises(EstimationError, match="do not carry one net"):
        merge_centres([left, _photograph(RIGHT, move=(40.0, 20.0))])
    with pytest.raises(EstimationError, match="no centres to merge"):
        merge_centres([])


def test_one_photograph_is_left_as_it_is():
    left = _photograph(LEFT)
    assert merge_centres([left]) is left
