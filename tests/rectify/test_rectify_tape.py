"""Taped distances: the figure, its covariance, the wrong reading, the missing brace, and the plane from it."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify import adjust_figure
from fragkit.rectify.adjust import adjust
from fragkit.rectify.control import observe
from fragkit.rectify.lens import assumed_lens
from fragkit.survey import TapeControl

NO_PIXELS = np.zeros((4, 4, 3), np.uint8)
SD_MM = 0.5


def taped(xy_mm, *, rng=None, pairs=None, xy_px=None, sd_mm=SD_MM, level=None):
    n = len(xy_mm)
    pairs = np.array(list(combinations(range(n), 2)) if pairs is None else pairs)
    distance = np.hypot(*(xy_mm[pairs[:, 1]] - xy_mm[pairs[:, 0]]).T)
    if rng is not None:
        distance = distance + rng.normal(0, sd_mm, len(pairs))
    return TapeControl(
        names=tuple("ABCDEFGH"[:n]), xy_px=xy_mm * [4.0, -4.0] if xy_px is None else xy_px, pairs=pairs,
        distance_mm=distance, sd_mm=np.full(len(pairs), sd_mm), sd_px=0.4, level=level,
    )  # fmt: skip


FIGURE = np.array([[0.0, 0.0], [800.0, 0.0], [790.0, 600.0], [10.0, 590.0], [400.0, 20.0], [380.0, 580.0]])


def test_rectangle_of_three_four_five_by_hand():
    figure = adjust_figure(taped(np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]])))
    np.testing.assert_allclose(
        figure.xy_mm, [[0, 0], [400, 0], [400, 300], [0, 300]], rtol=0, atol=1e-6
    )  # 6 exact distances
    assert "1 readings to spare" in figure.notes[0]


def test_the_figure_is_not_its_mirror_image_and_follows_the_level_line():
    turned = FIGURE @ np.array([[np.cos(0.2), np.sin(0.2)], [-np.sin(0.2), np.cos(0.2)]])
    control = taped(turned, level=("D", "C"))
    xy = adjust_figure(control).xy_mm
    along = xy[2] - xy[3]
    assert along[0] > 0
    assert along[1] == pytest.approx(0.0, abs=1e-6)
    (ax, ay), (bx, by) = xy[1] - xy[0], xy[3] - xy[0]
    assert ax * by - ay * bx > 0


def test_covariance_is_that_of_many_tapings():
    # Independent of the frame: the covariance of all distances between the adjusted points.
    rng = np.random.default_rng(1)
    pairs = np.array(list(combinations(range(6), 2)))
    found = []
    for _ in range(300):
        xy = adjust_figure(taped(FIGURE, rng=rng)).xy_mm
        found.append(np.hypot(*(xy[pairs[:, 1]] - xy[pairs[:, 0]]).T))
    exact = adjust_figure(taped(FIGURE))
    apart = exact.xy_mm[pairs[:, 1]] - exact.xy_mm[pairs[:, 0]]
    unit = apart / np.hypot(*apart.T)[:, None]
    stated = []
    for (i, j), u in zip(pairs, unit, strict=True):
        lever = np.zeros(12)
        lever[2 * i : 2 * i + 2], lever[2 * j : 2 * j + 2] = -u, u
        stated.append(np.sqrt(lever @ exact.joint_mm2 @ lever))
    np.testing.assert_allclose(np.std(found, axis=0) / stated, 1.0, rtol=0, atol=0.15)  # 300: 4 % each


def test_inner_constraints_leave_no_motion_of_the_whole():
    figure = adjust_figure(taped(FIGURE))
    centred = figure.xy_mm - figure.xy_mm.mean(axis=0)
    turn = np.column_stack([-centred[:, 1], centred[:, 0]]).ravel()
    for motion in (np.tile([1.0, 0.0], 6), np.tile([0.0, 1.0], 6), turn):
        np.testing.assert_allclose(figure.joint_mm2 @ motion, 0.0, rtol=0, atol=1e-6)  # mm²


def test_a_reading_that_does_not_fit_is_named():
    control = taped(FIGURE, rng=np.random.default_rng(2))
    wrong = np.array(control.distance_mm)
    wrong[7] += 20.0  # B–E
    with pytest.raises(EstimationError, match=r"tape reading B–E .* does not fit.*taped again"):
        adjust_figure(replace(control, distance_mm=wrong))


def test_wrong_readings_are_named_and_right_ones_are_not():
    rng = np.random.default_rng(3)
    named = alarms = 0
    for _ in range(60):
        control = taped(FIGURE, rng=rng)
        alarms += len(adjust_figure(control).notes) > 1
        k = int(rng.integers(15))
        wrong = np.array(control.distance_mm)
        wrong[k] += 12 * SD_MM * rng.choice([-1, 1])
        i, j = control.pairs[k]
        try:
            text = " ".join(adjust_figure(replace(control, distance_mm=wrong)).notes)
        except EstimationError as error:
            text = str(error)
        named += f"reading {'ABCDEF'[i]}–{'ABCDEF'[j]} (" in text
    assert named >= 56  # 12 sd among 15 readings of which a fifth is left to check each
    assert alarms <= 3  # 1 % stated


def test_a_frame_without_a_brace_flexes_and_the_brace_is_named():
    square = np.array([[0.0, 0.0], [500.0, 0.0], [500.0, 400.0], [0.0, 400.0]])
    sides = [(0, 1), (1, 2), (2, 3), (3, 0)]
    with pytest.raises(EstimationError, match=r"can flex: 4 distances do not hold 4 points. Measure also (A–C|B–D)\."):
        adjust_figure(taped(square, pairs=sides))
    braced = adjust_figure(taped(square, pairs=[*sides, (0, 2)]))
    assert any("no other checks" in note for note in braced.notes)


def test_naming_braces_holds_the_figure():
    rng = np.random.default_rng(4)
    every = list(combinations(range(6), 2))
    for _ in range(10):
        pairs = [every[k] for k in rng.choice(15, 7, replace=False)]
        with pytest.raises(EstimationError, match="Measure also") as raised:
            adjust_figure(taped(FIGURE, pairs=pairs))
        advice = str(raised.value).split("Measure also ")[1].split(". Found")[0]
        braces = [("ABCDEF".index(a), "ABCDEF".index(b)) for a, b in (p.split("–") for p in advice.split(", "))]
        np.testing.assert_allclose(
            adjust_figure(taped(FIGURE, pairs=[*pairs, *braces])).misfits_mm, 0.0, rtol=0, atol=1e-5
        )  # held: exact distances fit exactly


def test_three_points_and_readings_that_are_none():
    with pytest.raises(EstimationError, match=r"at least four control points.*Found: 3 points"):
        adjust_figure(taped(FIGURE[:3]))
    control = taped(FIGURE)
    with pytest.raises(ValueError, match=r"Reading A–B of -1 mm .* is no distance"):
        adjust_figure(replace(control, distance_mm=np.r_[-1.0, control.distance_mm[1:]]))
    with pytest.raises(ValueError, match=r"must be \(m, 2\) indices of the points"):
        adjust_figure(replace(control, pairs=control.pairs + 5))
    with pytest.raises(ValueError, match="level names 'Z'"):
        adjust_figure(replace(control, level=("A", "Z")))


def test_plane_from_tape_states_what_distances_on_it_are_worth(shoot_at_random, choose_control):
    rng = np.random.default_rng(5)
    pulls = []
    for _ in range(40):
        shot = shoot_at_random(rng)
        xy = choose_control(shot, 6, rng)
        control = taped(xy, rng=rng, xy_px=shot.see(xy) + rng.normal(0, 0.4, (6, 2)))
        plane = adjust(observe(NO_PIXELS, control), assumed_lens(*shot.size_px)).plane
        true = rng.uniform(-0.5, 0.5, (20, 2)) * shot.wall_mm
        seen = plane.to_mm(shot.see(true))
        joint = plane.joint_covariance_mm2(seen).reshape(20, 2, 20, 2)
        for i in range(0, 20, 2):
            apart = seen[i + 1] - seen[i]
            length = np.hypot(*apart)
            cov = joint[i, :, i] + joint[i + 1, :, i + 1] - joint[i, :, i + 1] - joint[i + 1, :, i]
            sd = np.sqrt(apart @ cov @ apart) / length
            pulls.append((length - np.hypot(*(true[i + 1] - true[i]))) / sd)
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.15)  # 400 pulls in 40 planes
    assert np.mean(np.abs(pulls) < 1.96) > 0.91
