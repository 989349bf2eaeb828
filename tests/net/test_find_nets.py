"""The net on the ladder, what must not matter, and refusals; real pictures stand in `test_real_pictures`."""

import cv2
import numpy as np
import pytest
from ladder import draw_rung, same_net

from fragkit.errors import EstimationError
from fragkit.net import find_nets
from fragkit.rectify import Picture


def one_motif() -> np.ndarray:
    picture = np.full((400, 400), 200, np.uint8)
    return cv2.circle(picture, (150, 200), 40, 50, -1)


def lines() -> np.ndarray:
    return np.tile(np.where(np.arange(420) % 42 < 9, 60, 190).astype(np.uint8)[:, None], (1, 420))


@pytest.mark.parametrize(
    "picture",
    [
        cv2.GaussianBlur(np.random.default_rng(1).normal(size=(500, 500)), (0, 0), 6),
        one_motif(),
        lines(),
    ],
    ids=["clouds", "one motif", "lines"],
)
def test_pictures_without_a_repeat_are_refused(picture):
    with pytest.raises(EstimationError, match=r"[Nn]o repeat"):
        find_nets(picture)


def wall(seed: int = 2, level: str = "easy"):
    return draw_rung(level, seed, side_px=600)


@pytest.fixture(scope="module")
def easy():
    return wall()


@pytest.fixture(scope="module")
def easy_nets(easy):
    return find_nets(easy.pixels)


@pytest.mark.parametrize("level", ["mild", "worn"])
def test_the_first_steps_of_the_ladder(level):
    rung = wall(5, level)
    nets = find_nets(rung.pixels)
    flip = np.array([1.0, -1.0])
    assert nets.decided
    assert same_net(nets.best.a_mm, nets.best.b_mm, rung.a_px * flip, rung.b_px * flip)


def test_sign_gain_offset_and_channels_do_not_matter(easy, easy_nets):
    one, other = easy_nets.best, find_nets(np.repeat(30000 - 900 * easy.pixels[..., None], 3, axis=2)).best
    np.testing.assert_allclose([other.a_mm, other.b_mm], [one.a_mm, one.b_mm], rtol=0, atol=0.05)  # float32 noise


def test_a_quarter_turn_turns_the_net(easy, easy_nets):
    one, other = easy_nets.best, find_nets(np.rot90(easy.pixels).copy()).best
    quarter = np.array([[0, -1], [1, 0]])  # counter-clockwise in the plane (y up)
    assert same_net(other.a_mm, other.b_mm, quarter @ one.a_mm, quarter @ one.b_mm, within=0.003)


def test_copies_lighter_here_and_darker_there_make_no_difference():
    rung = wall(7)
    sign = np.where(np.arange(rung.pixels.shape[1]) < 300, 1.0, -1.0)
    nets = find_nets(rung.pixels * sign[None, :])
    flip = np.array([1.0, -1.0])
    assert same_net(nets.best.a_mm, nets.best.b_mm, rung.a_px * flip, rung.b_px * flip)


def test_a_picture_counts_in_mm_with_y_up_and_its_coverage(easy):
    rung = easy
    grey = np.clip(128 + 40 * rung.pixels, 0, 255).astype(np.uint8)
    coverage = np.ones(grey.shape, bool)
    coverage[:, 480:] = False
    grey[:, 480:] = 0
    picture = Picture(
        pixels=np.repeat(grey[..., None], 3, axis=2), mm_per_px=0.5, origin_mm=np.array([10.0, 20.0]), coverage=coverage
    )
    before = picture.pixels.copy()
    net = find_nets(picture).best
    flip = np.array([0.5, -0.5])
    assert same_net(net.a_mm, net.b_mm, rung.a_px * flip, rung.b_px * flip)
    np.testing.assert_array_equal(picture.pixels, before)


def test_alternating_motifs_give_the_doubled_net():
    rng = np.random.default_rng(3)
    picture = rng.normal(0, 0.1, (600, 600)).astype(np.float32)
    for i in range(10):
        for j in range(10):
            middle = (30 + 60 * i, 30 + 60 * j)
            if (i + j) % 2:
                cv2.circle(picture, middle, 16, 1.0, -1)
            else:
                cv2.rectangle(picture, (middle[0] - 18, middle[1] - 8), (middle[0] + 18, middle[1] + 8), 1.0, -1)
    net = find_nets(picture).best
    assert same_net(net.a_mm, net.b_mm, np.array([60.0, 60.0]), np.array([60.0, -60.0]))


def test_an_expected_range_narrows_the_search(easy):
    rung = easy
    with pytest.raises(ValueError, match="give 0 < shortest < longest"):
        find_nets(rung.pixels, repeat_range_mm=(50, 20))
    pitch = np.hypot(*rung.a_px)
    net = find_nets(rung.pixels, repeat_range_mm=(0.6 * pitch, 1.6 * pitch)).best
    assert 0.6 * pitch <= np.hypot(*net.a_mm) <= 1.6 * pitch


def test_results_show_themselves(easy_nets):
    nets = easy_nets
    assert repr(nets).startswith("Nets(")
    assert "Candidate 1" in nets._repr_html_()
    assert "Peaks explained" in nets.best._repr_html_()
    assert 0.0 <= nets.best.support <= 1.0
    assert 0.0 <= nets.best.explained <= 1.0
    assert nets.best.cell_area_mm2 == pytest.approx(abs(np.linalg.det([nets.best.a_mm, nets.best.b_mm])))
    with pytest.raises(ValueError, match="read-only"):
        nets.best.a_mm[0] = 0.0
