"""Marks refined to a fraction of a pixel, with an error that holds, and refused where there is none."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.opencv import cv2
from fragkit.rectify import refine_mark

KINDS = ("cross", "dot", "corner")


def drawn(kind, centre, rng, *, noise=0.03, dtype=np.uint8):
    """A dark mark on a light ground, 8 × 8 samples a pixel, blurred by 0.9 px; by geometry alone."""
    y, x = (np.mgrid[0:488, 0:488] + 0.5) / 8 - 0.5 - np.array(centre)[::-1, None, None]
    first = rng.uniform(0, np.pi)
    second = first + np.pi / 2 + rng.normal(0, 0.15)
    off = [-np.sin(a) * x + np.cos(a) * y for a in (first, second)]
    half = rng.uniform(0.8, 1.8)
    inked = {
        "cross": (np.abs(off[0]) < half) | (np.abs(off[1]) < half),
        "dot": (1.1 * x) ** 2 + (y + 0.1 * x) ** 2 < (4 * half) ** 2,
        "corner": (off[0] > 0) ^ (off[1] > 0) if half > 1.3 else (off[0] > 0) & (off[1] > 0),
        "nothing": np.zeros_like(x, bool),
    }[kind]
    levels = cv2.resize((0.7 - 0.5 * inked).astype(np.float32), (61, 61), interpolation=cv2.INTER_AREA)
    levels = cv2.GaussianBlur(levels, (0, 0), 0.9) + rng.normal(0, noise, (61, 61))
    return np.clip(np.round(levels * np.iinfo(dtype).max), 0, np.iinfo(dtype).max).astype(dtype)


@pytest.mark.parametrize("kind", KINDS)
def test_stated_errors_hold(kind):
    rng = np.random.default_rng(1)
    pulls, sizes = [], []
    for _ in range(30):
        centre = 30 + rng.uniform(-0.5, 0.5, 2)
        mark = refine_mark(drawn(kind, centre, rng), centre + rng.uniform(-3, 3, 2), kind=kind)
        pulls.extend((mark.xy_px - centre) / np.sqrt(np.diag(mark.cov_px2)))
        sizes.append(mark.sd_px)
    assert np.mean(np.abs(pulls) < 1.96) > 0.9  # 60 pulls: 95 % ± 2.8 %
    assert np.sqrt(np.mean(np.square(pulls))) > 0.35  # not padded: a floor of 0.02 px for real marks is in it
    assert np.mean(sizes) < 0.08  # picking by eye: 0.4 px


def test_sixteen_bits_and_colour_and_sign_of_contrast():
    rng = np.random.default_rng(2)
    gray = drawn("dot", (30.2, 29.8), rng, dtype=np.uint16)
    mark = refine_mark(np.dstack([gray] * 3), (31, 31), kind="dot")
    np.testing.assert_allclose(mark.xy_px, [30.2, 29.8], rtol=0, atol=0.2)  # px
    assert mark.contrast == pytest.approx(-0.5, abs=0.1)
    assert repr(mark).startswith("Mark(dot at (30.")


@pytest.mark.parametrize("true", ["nothing", *KINDS])
def test_refuses_where_no_such_mark_is(true):
    rng = np.random.default_rng(3)
    for asked in KINDS:
        if asked == true:
            continue
        for _ in range(2):
            with pytest.raises(EstimationError, match=f"There is no {asked} where it was picked"):
                refine_mark(drawn(true, (30, 30), rng), (30, 30), kind=asked)


def test_refuses_texture_edges_and_kinds_that_do_not_exist():
    rng = np.random.default_rng(4)
    texture = cv2.GaussianBlur(rng.normal(0, 1, (61, 61)).astype(np.float32), (0, 0), 2.0)
    levels = np.clip(128 + 300 * texture, 0, 255).astype(np.uint8)
    with pytest.raises(EstimationError, match="There is no cross"):
        refine_mark(levels, (30, 30), kind="cross")
    with pytest.raises(EstimationError, match="so near the edge"):
        refine_mark(levels, (2, 30), kind="dot")
    with pytest.raises(ValueError, match="kind is 'star'"):
        refine_mark(levels, (30, 30), kind="star")


@pytest.mark.parametrize("is_sheet", [True, False])
@pytest.mark.parametrize(("centre", "degrees"), [((29.5, 29.5), 0.0), ((30.3, 29.6), 0.0), ((29.5, 29.5), 45.0)])
def test_a_perfectly_sharp_corner_has_a_place(is_sheet, centre, degrees):
    y, x = (np.mgrid[0:480, 0:480] + 0.5) / 8 - 0.5 - np.array(centre)[::-1, None, None]
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    right, below = c * x + s * y > 0, c * y - s * x > 0
    inked = right & below if is_sheet else right == below
    levels = cv2.resize((0.8 - 0.6 * inked).astype(np.float32), (60, 60), interpolation=cv2.INTER_AREA)
    mark = refine_mark(np.round(255 * levels).astype(np.uint8), (31, 29), kind="corner")
    np.testing.assert_allclose(mark.xy_px, centre, rtol=0, atol=0.1)  # px; the pixel is taken as even along the edge
    assert mark.sd_px < 0.1
