"""Pictures in strips, copies in groups, threads: what is worked out in parts is what the whole gives."""

from threading import Barrier, current_thread

import numpy as np
import pytest
from hop_scene import example, make_wall

from fragkit.motifs import build_motif, strips
from fragkit.motifs.blurring import widely
from fragkit.motifs.copies import covered, cut, grid_over
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.threads import at_once, one_opencv_thread, side_by_side


@pytest.fixture(scope="module")
def wall():
    return example(make_wall(seed=3, columns=3, rows=3, loss_ratio=0.2))


@pytest.fixture
def threads():
    before = cv2.getNumThreads()
    yield cv2.setNumThreads
    cv2.setNumThreads(before)


@pytest.mark.parametrize("shape", [(7, 9), (1000, 1500), (2018, 3038), (4036, 6076), (3001, 1999)])
def test_strips_hold_every_row_once(shape):
    parts = strips.strips_of(shape, margin_px=40, multiple=6)
    rows = np.concatenate([np.arange(*part.inner.indices(shape[0])) for part in parts])
    np.testing.assert_array_equal(rows, np.arange(shape[0]))
    assert len(parts) == 1 or len(parts) % 2 == 0  # two threads get as much each
    for part in parts:
        assert part.outer.start % 6 == 0
        np.testing.assert_array_equal(np.arange(shape[0])[part.outer][part.own], np.arange(shape[0])[part.inner])
        some = part.every(3)
        np.testing.assert_array_equal(rows[part.outer][::3][some.own], rows[::3][some.inner])


def test_a_picture_in_strips_is_labelled_as_in_one(wall, monkeypatch):
    whole = build_motif([wall])
    monkeypatch.setattr(strips, "STRIP_PX", wall[0].coverage.size // 5)
    parts = build_motif([wall])
    # beyond the margin of a strip blurs still reach, by their last thousandths
    assert (whole.labels[0] != parts.labels[0]).mean() < 1e-3
    assert np.abs(whole.label_percent[0].astype(float) - parts.label_percent[0]).mean() < 0.1  # hundredths


def test_results_do_not_depend_on_the_number_of_threads(wall, threads, monkeypatch):
    monkeypatch.setattr(strips, "STRIP_PX", wall[0].coverage.size // 5)
    found = []
    for n in (1, 3):
        threads(n)
        motif = build_motif([wall])
        layers = (*motif.labels, *motif.label_percent, motif.metal, motif.support, motif.shifts_mm, motif.residuals)
        found.append([layer.tobytes() for layer in layers])
    assert found[0] == found[1]


def test_threads_keep_the_order_and_pass_faults_on(threads):
    for n in (1, 2, 5):
        threads(n)
        assert side_by_side(lambda a, b: a - b, range(9), range(0, 18, 2)) == [-k for k in range(9)]
        assert at_once(lambda: "one", lambda: 2) == ("one", 2)
        with pytest.raises(ZeroDivisionError, match="zero"):
            side_by_side(lambda a: 1 // a, [3, 2, 1, 0, 5])


def test_calls_within_calls_share_a_few_threads(threads):
    threads(3)
    names = set()

    def times(a, deep):
        names.add(current_thread().name)
        return a if deep == 0 else sum(side_by_side(times, [a] * 4, [deep - 1] * 4))

    assert times(1, 5) == 4**5
    assert len(names) <= 3


def test_opencv_keeps_to_one_thread_while_ours_work_side_by_side(threads):
    threads(3)
    barrier = Barrier(3, timeout=20.0)  # s; broken unless three threads wait for each other

    @one_opencv_thread()
    def within():
        with one_opencv_thread():
            assert cv2.getNumThreads() == 1
        side_by_side(lambda _: barrier.wait(), range(3))
        return cv2.getNumThreads()

    assert within() == 1
    assert cv2.getNumThreads() == 3


@pytest.mark.parametrize("width_px", [1.4, 2.5, 3.9, 4.0, 7.3, 15.0])
def test_wide_blurs_have_their_width_and_lose_nothing(width_px):
    layer = np.zeros((241, 263), np.float32)
    layer[118:123, 129:134] = 1.0
    found = widely(layer, width_px)
    y, x = np.indices(layer.shape)
    total = found.sum()
    assert total == pytest.approx(25.0, abs=0.05)
    middle = (found * x).sum() / total, (found * y).sum() / total
    assert middle == pytest.approx((131.0, 120.0), abs=max(0.1, 0.05 * width_px))
    for axis, centre in ((x, middle[0]), (y, middle[1])):
        variance = (found * (axis - centre) ** 2).sum() / total - 2.0  # that of five pixels is (25 - 1) / 12
        assert np.sqrt(variance) == pytest.approx(width_px, rel=0.2)  # "about": sides are whole pixels
    even = np.full((30, 41), 0.7, np.float32)
    np.testing.assert_allclose(widely(even, width_px), even, rtol=0, atol=1e-6)


def test_what_is_covered_of_copies_is_what_the_warp_of_the_coverage_gives():
    coverage = np.ones((90, 120), bool)
    coverage[40:60, 70:] = False
    picture = Picture(pixels=np.zeros((90, 120, 3), np.uint8), mm_per_px=0.5, origin_mm=np.zeros(2), coverage=coverage)
    grid = grid_over(0.4, np.array([-6.0, -5.0]), np.array([6.0, 5.0]))
    xy = np.array([[12.0, -12.0], [33.3, -20.2], [1.0, -1.0], [59.0, -44.0], [90.0, -90.0], [-30.0, 20.0]])
    bends = np.random.default_rng(4).normal(0.0, 0.7, (len(xy), 2, *grid.shape)).astype(np.float32)
    for own in (None, bends):
        warp = cut(coverage.astype(np.float32), picture, xy, grid, beyond=0.0, bends=own) > 0.999
        found = covered(picture, xy, grid, bends=own)
        assert found[0].all()
        assert not found[4:].any()
        assert (found != warp).mean() < 1e-3  # a place just on a border falls on either side by rounding
