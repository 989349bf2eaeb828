import math

import numpy as np
import pytest
import shapely

from fragkit.works import nest, pieces_per_leaf, staircase

# Pieces per leaf for square pieces, margin 0 / 3 / 5 mm on leaves of 80 / 95 / 140 mm: computed by hand from
# floor(side / (box + 2 margin))²; common practice, no source.
TABLE = {
    20: ((16, 16, 49), (9, 9, 25), (4, 9, 16)),
    24: ((9, 9, 25), (4, 9, 16), (4, 4, 16)),
    30: ((4, 9, 16), (4, 4, 9), (4, 4, 9)),
    36: ((4, 4, 9), (1, 4, 9), (1, 4, 9)),
    40: ((4, 4, 9), (1, 4, 9), (1, 1, 4)),
    50: ((1, 1, 4), (1, 1, 4), (1, 1, 4)),
}


@pytest.mark.parametrize("box_mm", TABLE)
def test_pieces_per_leaf_table(box_mm):
    for margin_mm, row in zip((0, 3, 5), TABLE[box_mm], strict=True):
        side = box_mm + 2 * margin_mm
        assert tuple(pieces_per_leaf((side, side), (leaf, leaf)) for leaf in (80, 95, 140)) == row


@pytest.mark.parametrize(
    ("leaf_mm", "sides_mm"),
    [(80, (80, 40, 80 / 3, 20)), (140, (140, 70, 140 / 3, 35, 28, 140 / 6, 20))],
)
def test_thresholds_are_where_the_leaf_divides_exactly(leaf_mm, sides_mm):
    for k, side in enumerate(sides_mm, start=1):
        assert pieces_per_leaf((side, side), (leaf_mm, leaf_mm)) == k * k
        assert pieces_per_leaf((side + 0.01, side + 0.01), (leaf_mm, leaf_mm)) == (k - 1) ** 2


def brute_force(piece, largest):
    """Independent count: every whole-millimetre cut of every whole-millimetre rectangle."""
    count = np.zeros((largest + 1, largest + 1), int)
    for w in range(1, largest + 1):
        for h in range(1, largest + 1):
            best = int((piece[0] <= w and piece[1] <= h) or (piece[1] <= w and piece[0] <= h))
            best = max([best, *(count[c, h] + count[w - c, h] for c in range(1, w // 2 + 1))])
            count[w, h] = max([best, *(count[w, c] + count[w, h - c] for c in range(1, h // 2 + 1))])
    return count


def test_equals_brute_force_on_random_cases():
    rng = np.random.default_rng(11)
    n_checked = 0
    for _ in range(20):
        piece = tuple(int(side) for side in rng.integers(2, 12, 2))
        table = brute_force(piece, 26)
        for leaf in rng.integers(5, 27, (25, 2)):
            assert pieces_per_leaf(piece, tuple(leaf)) == table[tuple(leaf)], (piece, leaf)
            n_checked += 1
    assert n_checked == 500


def test_both_turns_beat_rows_of_one_turn():
    # by hand: a strip of 5 × 8 gives 2, the strip of 3 × 8 beside it 1; a pinwheel of 4 needs no straight cut
    assert pieces_per_leaf((5, 3), (8, 8)) == 3
    assert math.floor(8 / 5) * math.floor(8 / 3) == 2


def test_places_lie_inside_the_leaf_and_apart():
    nesting = nest((17.3, 23.9), (140, 95))
    boxes = [shapely.box(x, y, x + w, y + h) for x, y, w, h in nesting.places_mm]
    assert len(boxes) == nesting.n_pieces > 20
    leaf = shapely.box(0, 0, 140, 95).buffer(1e-3)
    assert all(leaf.contains(box) for box in boxes)
    overlap_mm2 = sum(box.area for box in boxes) - shapely.union_all(boxes).area
    assert overlap_mm2 == pytest.approx(0, abs=1e-2)  # rounding of sides to 1e-6 mm


def test_bigger_pieces_never_give_more():
    counts = [pieces_per_leaf((20 + 2 * m, 28 + 2 * m), (140, 140)) for m in np.linspace(0, 10, 300)]
    assert np.all(np.diff(counts) <= 0)


def test_staircase_ends_where_the_count_changes():
    steps = staircase(lambda m: (30 + 2 * m, 38 + 2 * m), (80, 80), low=0.0, high=10.0)
    assert [step.n_pieces for step in steps] == [4, 3, 2, 1]
    # by hand: 2 (38 + 2m) = 80, 30 + 38 + 4m + … = 80 in two turns, 2 (30 + 2m) = 80
    np.testing.assert_allclose([step.upto for step in steps], [1.0, 3.0, 5.0, 10.0], rtol=0, atol=1e-3)


def test_a_piece_without_size_is_refused():
    with pytest.raises(ValueError, match=r"piece of 0\.0 × 5\.0 mm: both sides must be above 0"):
        nest((0, 5), (80, 80))
    with pytest.raises(ValueError, match="leaf of nan"):
        pieces_per_leaf((5, 5), (float("nan"), 80))


def test_too_large_a_piece_gives_none():
    nesting = nest((90, 10), (80, 80))
    assert nesting.n_pieces == 0
    assert nesting.places_mm.shape == (0, 4)
