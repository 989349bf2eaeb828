"""The evidence that one control point slipped, and what chance alone reaches."""

import numpy as np
import pytest

from fragkit.rectify.lens import assumed_lens
from fragkit.rectify.plane import Observations, solve_plane
from fragkit.rectify.slips import ALARM_RATE, SMALLEST_SLIP_SD, USUAL_SLIP_SD, _evidence, weigh_slips

SD_MM, SD_PX = 0.3, 0.4


def measured(shot, xy_mm, rng):
    n = len(xy_mm)
    return Observations(
        names=tuple("ABCDEFGHIJKL"[:n]), xy_px=shot.see(xy_mm) + rng.normal(0, SD_PX, (n, 2)), sd_px=SD_PX,
        xy_mm=xy_mm + rng.normal(0, SD_MM, (n, 2)), cov_mm2=np.tile(SD_MM**2 * np.eye(2), (n, 1, 1)),
    )  # fmt: skip


def drops(plane, points):
    """What leaving out each point takes off the weighted sum of squares, by the linear formula."""
    residual, cofactor, slopes = plane.whitened_slips(points)
    upward = (slopes.T @ residual.ravel()).reshape(-1, 2)
    normal = slopes.T @ cofactor @ slopes
    blocks = [normal[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(upward))]
    return np.array([b @ np.linalg.solve(block, b) for b, block in zip(upward, blocks, strict=True)])


@pytest.mark.parametrize("slip", [(8.0, 0.0), (9.0, 9.0), (30.0, 4.0)])
def test_evidence_is_the_integral_over_slips(slip):
    # One point, in units of its own error: likelihood exp(b·s − s·F s / 2), summed over the slips s themselves.
    information = np.array([[0.6, 0.1], [0.1, 0.4]])
    upward = information @ np.array(slip)
    found = _evidence(upward[None, None], information[None], np.eye(2)[None])[0, 0]
    step = 0.25
    size = np.arange(SMALLEST_SLIP_SD + step / 2, 120.0, step)
    turn = np.arange(0, 2 * np.pi, np.pi / 180)
    taper = np.exp(-0.5 * (size / USUAL_SLIP_SD) ** 2)

    def summed(directions):
        along, across = directions @ upward, np.einsum("ti,ij,tj->t", directions, information, directions)
        return (np.exp(np.outer(along, size) - 0.5 * np.outer(across, size**2)) * taper).sum(axis=1) * step

    any_way = summed(np.column_stack([np.cos(turn), np.sin(turn)])).mean()
    in_x, in_y = (summed(np.array([axis, [-axis[0], -axis[1]]])).mean() for axis in ([1.0, 0.0], [0.0, 1.0]))
    assert found == pytest.approx(np.log(any_way + (in_x + in_y) / 2), abs=0.3)  # nats; the floor is taken as straight


def test_alarms_on_clean_photographs_are_as_rare_as_stated(shoot, choose_control):
    shot = shoot(tilt_deg=(15.0, -20.0), k1=-0.06)
    rng = np.random.default_rng(21)
    xy_mm = choose_control(shot, 8, rng)
    alarms = 0
    for _ in range(120):
        points = measured(shot, xy_mm, rng)
        plane = solve_plane(points, assumed_lens(*shot.size_px))
        evidence, alarm = weigh_slips(plane, points, drops(plane, points))
        alarms += evidence.max() > alarm
    assert alarms <= 5  # 1.2 expected at 1 %: 6 or more has a chance of 0.2 %
    assert ALARM_RATE == 0.01


def test_a_slip_in_a_corner_is_told_from_its_neighbours(shoot, choose_control):
    shot = shoot(tilt_deg=(15.0, -20.0), k1=-0.06)
    rng = np.random.default_rng(22)
    points = measured(shot, choose_control(shot, 12, rng), rng)
    points.xy_mm[2] += [0.0, 4.0]  # 13 sd
    plane = solve_plane(points, assumed_lens(*shot.size_px))
    evidence, alarm = weigh_slips(plane, points, drops(plane, points))
    assert evidence.argmax() == 2
    assert evidence[2] > alarm
    assert evidence[2] - np.sort(evidence)[-2] > np.log(20.0)


def test_what_nothing_checks_has_no_evidence(shoot, choose_control):
    shot = shoot(tilt_deg=(10.0, 5.0))
    rng = np.random.default_rng(23)
    points = measured(shot, choose_control(shot, 4, rng), rng)
    plane = solve_plane(points, assumed_lens(*shot.size_px))
    evidence, alarm = weigh_slips(plane, points, np.zeros(4))
    assert np.isneginf(evidence).all()
    assert not (evidence > alarm).any()
