import numpy as np
import pytest

from fragkit.works import tile


def oblong(width, height, x=0.0, y=0.0):
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


@pytest.mark.parametrize(
    ("size_mm", "leaf_mm", "by_hand"),
    [
        ((100, 60), 80, 2),  # ceil(98/78) = 2, ceil(58/78) = 1
        ((158, 158), 80, 4),  # 2 · 80 - 2 = 158 fits exactly
        ((159, 158), 80, 6),
        ((300, 200), 140, 6),  # ceil(298/138) = 3, ceil(198/138) = 2
    ],
)
def test_full_grid_by_hand(size_mm, leaf_mm, by_hand):
    assert tile([oblong(*size_mm)], (leaf_mm, leaf_mm), lap_mm=2.0).n_leaves == by_hand


def test_leaves_that_touch_no_metal_are_left_out():
    ring = [oblong(300, 20), oblong(300, 20, y=280), oblong(20, 300), oblong(20, 300, x=280)]
    tiling = tile(ring, (80, 80), lap_mm=2.0)
    assert (tiling.n_columns, tiling.n_rows) == (4, 4)
    assert tiling.n_leaves == 12  # the four in the middle see only ground


def test_oblong_leaf_is_turned_when_that_saves_leaf():
    tiling = tile([oblong(140, 70)], (80, 140), lap_mm=2.0)
    assert tiling.n_leaves == 1
    assert tiling.leaf_mm == (140, 80)


def test_margin_counts():
    assert tile([oblong(76, 76)], (80, 80), margin_mm=2.0).n_leaves == 1
    assert tile([oblong(76, 76)], (80, 80), margin_mm=2.5).n_leaves == 4


def test_refusals():
    with pytest.raises(ValueError, match="A lap of 80 mm on a leaf of 80 × 80 mm"):
        tile([oblong(100, 100)], (80, 80), lap_mm=80)
    with pytest.raises(ValueError, match="Outlines without any area"):
        tile([np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])], (80, 80))
