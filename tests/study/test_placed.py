"""Fragments come to their place on the wall with the uncertainty of that place."""

import numpy as np
import pytest

from fragkit.study.placed import place_centres
from fragkit.survey import FragmentEntry

NORTH = FragmentEntry(
    name="north", wall="N", origin_mm=(1000.0, 500.0), origin_sd_mm=4.0, turn_deg=90.0, turn_sd_deg=0.5
)


def test_a_quarter_turn_by_hand():
    xy = NORTH.to_wall_mm(np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 30.0]]))
    np.testing.assert_allclose(xy, [[1000, 500], [1000, 600], [970, 500]], rtol=0, atol=1e-9)  # rounding


def test_the_sd_is_that_of_simulated_frames():
    rng = np.random.default_rng(4)
    xy = np.array([[0.0, 0.0], [400.0, 0.0], [300.0, 800.0]])
    placed = place_centres(
        NORTH, index=np.zeros((3, 2), int), xy_mm=xy, own_sd_mm=np.full(3, 1.0), status=("seen",) * 3
    )
    turns = np.deg2rad(90.0 + rng.normal(0.0, 0.5, 40_000))
    rotation = np.array([[np.cos(turns), -np.sin(turns)], [np.sin(turns), np.cos(turns)]])
    draws = np.einsum("ijk,nj->kni", rotation.transpose(1, 0, 2), xy)
    draws = draws + rng.normal(0.0, 4.0, (len(turns), 1, 2)) + rng.normal(0.0, 1.0, draws.shape)
    per_coordinate = np.sqrt(draws.var(axis=0).mean(axis=1))
    np.testing.assert_allclose(placed.sd_mm, per_coordinate, rtol=0, atol=0.05)  # 40 000 draws: 0.4 %
    assert placed.wall == "N"


def test_a_fragment_without_a_place_is_refused():
    loose = FragmentEntry(name="loose")
    with pytest.raises(ValueError, match=r"Fragment 'loose' has no wall and origin: give wall and origin_mm"):
        place_centres(
            loose, index=np.zeros((1, 2), int), xy_mm=np.zeros((1, 2)), own_sd_mm=np.ones(1), status=("seen",)
        )
