"""Centres measured by tape are counted into rows and columns of a net."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.study.sites import number_sites

HALF_DROP = (np.array([62.0, 0.0]), np.array([31.0, 78.0]))
SQUARE = (np.array([60.0, 0.0]), np.array([0.0, 60.0]))
SKEW = (np.array([55.0, 4.0]), np.array([12.0, 70.0]))


def laid(a, b, *, rows=5, columns=6, turn_deg=0.0):
    index = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), -1).reshape(-1, 2)
    turn = np.deg2rad(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return index, index @ np.array([a, b]) @ rotation.T


def is_one_to_one(index, truth):
    """Whether the two numberings differ only by a change of basis: an affine map of determinant ±1."""
    design = np.column_stack([truth, np.ones(len(truth))])
    change, *_ = np.linalg.lstsq(design, index, rcond=None)
    whole = np.abs(change - np.rint(change)).max() < 1e-9  # integers, up to rounding of the solver
    return whole and round(abs(np.linalg.det(change[:2]))) == 1


@pytest.mark.parametrize("net", [HALF_DROP, SQUARE, SKEW])
@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0, 90.0])
def test_exact_centres(net, turn_deg):
    truth, xy = laid(*net, turn_deg=turn_deg)
    assert is_one_to_one(number_sites(xy), truth)


def test_scatter_losses_and_drift():
    rng = np.random.default_rng(3)
    for _ in range(30):
        truth, xy = laid(*HALF_DROP, rows=7, columns=7)
        kept = rng.permutation(len(xy))[:30]
        drifting = xy * (1.0 + 0.00005 * xy[:, :1])  # repeats 4 % wider at the far side
        measured = drifting[kept] + rng.normal(0.0, 1.5, (30, 2))
        assert is_one_to_one(number_sites(measured), truth[kept])


def test_a_single_row_is_numbered_along_it_whichever_way_it_runs():
    number = np.array([0, 1, 3, 4, 5, 9])
    shuffled = np.random.default_rng(1).permutation(6)
    for step in ([60.0, 2.0], [-60.0, 2.0], [1.0, 60.0]):
        found = number_sites(number[shuffled, None] * np.array(step) + [300.0, 20.0])
        forward = number if max(step, key=abs) > 0 else number.max() - number
        assert found.tolist() == [[int(k), 0] for k in forward[shuffled]]


def test_centres_on_one_line_without_a_step_or_too_few():
    with pytest.raises(EstimationError, match=r"no repeat in two directions.*at least four centres in two rows"):
        number_sites(np.column_stack([[0.0, 60.0, 150.0, 190.0, 275.0], np.zeros(5)]))
    with pytest.raises(EstimationError, match="2 centres, all on one line or too few"):
        number_sites(np.array([[0.0, 0.0], [60.0, 0.0]]))


def test_scattered_points_are_refused():
    rng = np.random.default_rng(8)
    for _ in range(20):
        with pytest.raises(EstimationError, match="do not lie on one net"):
            number_sites(rng.uniform(0, 400, (30, 2)))
