"""Real photographs and published tiles through `find_nets`: what repeats is found, what does not is refused."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from published_tiles import has_a_cell, is_cell_found, tile_rows

from fragkit.errors import EstimationError
from fragkit.net import find_nets, reduce_basis

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
PICTURES = REFERENCE / "images" / "scikit-image"

# Matrix that the authors of the picture applied, in (x, y, w), before halving it and turning it by -90 degrees:
# scikit-image 0.26, data registry, note on brick.png.
PUBLISHED_PERSPECTIVE = np.array([[0.54764, -0.00219, 0.0], [-0.12822, 0.54688, 0.0], [-0.00022, 0.0, 1.0]])

# Measured by hand on the rectified picture of 1200 px, on screen: the distance over two or three whole bricks in
# five courses (294, 290, 293, 289, 291 px a brick) and over nine courses (107.0 px a course). The wall is laid
# in quarter bond with scattered half bricks: joints stand on multiples of half a brick, alternate courses moved by
# a quarter.
BRICK_PX, COURSE_PX = 291.3, 107.0


def rectified_brick() -> tuple[np.ndarray, np.ndarray]:
    """The brick wall seen square on, undoing the published matrix, and where it is covered."""
    grey = cv2.imread(str(PICTURES / "brick.png"), cv2.IMREAD_GRAYSCALE)
    upright = np.ascontiguousarray(np.rot90(grey))
    matrix = np.linalg.inv(PUBLISHED_PERSPECTIVE) @ np.diag([2.0, 2.0, 1.0])
    size = (1200, 1200)
    picture = cv2.warpPerspective(upright.astype(np.float32), matrix, size, flags=cv2.INTER_CUBIC)
    covered = cv2.warpPerspective(np.ones_like(upright), matrix, size)
    return picture.clip(0, 255).astype(np.uint8), cv2.erode(covered, np.ones((9, 9))) > 0


def grey_picture(name: str) -> np.ndarray:
    return cv2.imread(str(PICTURES / name), cv2.IMREAD_GRAYSCALE)


def test_a_brick_wall_is_half_drop_and_within_two_percent_of_the_hand_measurement():
    picture, covered = rectified_brick()
    nets = find_nets(picture, mask=covered)
    a, b = nets.best.a_mm, nets.best.b_mm
    along, up = a - b, (a + b) / 2.0
    assert nets.decided
    assert nets.best.net_type == "centred"
    assert along[0] == pytest.approx(BRICK_PX / 2.0, rel=0.02)
    assert abs(along[1]) < 2.0
    assert up[1] == pytest.approx(COURSE_PX, rel=0.02)
    assert (a[0] / along[0]) % 1.0 == pytest.approx(0.5, abs=0.03)
    assert "taken out" in nets.best.notes[0]


@pytest.mark.parametrize("name", ["grass.png", "gravel.png"])
def test_grass_and_gravel_carry_no_repeat(name):
    with pytest.raises(EstimationError, match=r"carries no repeat\. Found: strongest candidate"):
        find_nets(grey_picture(name))


def test_noise_and_a_blank_picture_carry_no_repeat():
    noise = np.random.default_rng(5).normal(128, 20, (500, 500)).clip(0, 255).astype(np.uint8)
    with pytest.raises(EstimationError, match=r"[Nn]o repeat"):
        find_nets(noise)
    with pytest.raises(EstimationError, match=r"[Nn]o repeat"):
        find_nets(np.full((400, 400), 90, np.uint8))


def test_a_chessboard_has_the_net_of_its_white_squares():
    """Squares of 25 px, edges at 25, 50, … ± 1 px (scikit-image's chessboard_GRAY.png)."""
    best = find_nets(grey_picture("chessboard_GRAY.png")).best
    assert best.net_type == "square"
    assert np.hypot(*best.a_mm) == pytest.approx(25.0 * np.sqrt(2.0), rel=0.01)
    assert abs(best.a_mm @ best.b_mm) < 1.0


def test_published_tiles_have_their_primitive_cell():
    rows = [row for row in tile_rows() if has_a_cell(row)][::9]
    assert len(rows) >= 40
    assert [row["name"] for row in rows if not is_cell_found(row)] == []


@pytest.mark.benchmark
def test_all_published_tiles():
    rows = [row for row in tile_rows() if has_a_cell(row)]
    wrong = [row["name"] for row in rows if not is_cell_found(row)]
    print(f"\nasked 0.99, measured {1 - len(wrong) / len(rows):.3f} of {len(rows)} tiles; wrong: {', '.join(wrong)}")
    assert len(wrong) <= 0.01 * len(rows)


def test_reduction_agrees_with_published_examples():
    """Galbraith (2012), ch. 17; Hoffstein, Pipher, Silverman, Example 6.67: exact integers up to sign and order."""
    examples = json.loads((REFERENCE / "lattice" / "lagrange_gauss_reduction.json").read_text())["examples"]
    for example in examples:
        first, second = ([int(v) for v in vector] for vector in example["input"])
        got = [[int(x) for x in vector] for vector in reduce_basis(first, second)]
        assert sorted(x * x + y * y for x, y in got) == sorted(example["squared_lengths"])
        assert abs(got[0][0] * got[1][1] - got[0][1] * got[1][0]) == example["abs_det"]


def test_inputs_stay_and_gain_offset_and_negative_change_nothing():
    rng = np.random.default_rng(3)
    tile = cv2.GaussianBlur(rng.uniform(0, 255, (60, 45)).astype(np.float32), (0, 0), 3)
    picture = (np.tile(tile, (6, 8)) - tile.min()) / np.ptp(tile) * 200 + 20
    base = picture.astype(np.uint8)
    kept = base.copy()
    nets = find_nets(base)
    assert (base == kept).all()
    expected = sorted([45.0, 60.0])
    for other in (base, 255 - base, (base.astype(np.uint16) * 120 + 3000), base.astype(np.float64) / 255.0):
        best = find_nets(other).best
        assert sorted([np.hypot(*best.a_mm), np.hypot(*best.b_mm)]) == pytest.approx(expected, abs=0.3)
    turned = find_nets(np.ascontiguousarray(np.rot90(base))).best
    assert sorted([np.hypot(*turned.a_mm), np.hypot(*turned.b_mm)]) == pytest.approx(expected, abs=0.3)
    assert np.isfinite(nets.correlation).all()
    assert np.abs(nets.correlation).max() <= 1.0
