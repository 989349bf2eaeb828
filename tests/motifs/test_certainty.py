"""How sure labels are, by hand and on walls of both generators."""

from itertools import pairwise

import numpy as np
import pytest
from independent_scene import CANVAS_MM_PER_PX, Recipe, make_scene
from test_motif_figures import control_of, measured, simulated, true_labels

from fragkit.motifs.certainty import settled

BANDS = (0, 40, 50, 60, 70, 80, 90, 95, 98, 101)


@pytest.mark.parametrize("step", [1, 3])
def test_damage_is_less_sure_at_its_border(step):
    codes = np.ones((41 * step, 41 * step), np.uint8)
    codes[:, 20 * step :] = 4
    found = settled(codes, np.full(codes.shape, 99, np.uint8), step=step)
    # by hand: √99 to 1 is 0.9087; 1/2 + arctan(1 / 0.5) / π is 0.852 and of 15 px 0.989; each rounded to hundredths
    assert found[20, 20 * step] == pytest.approx(91 * 0.852, abs=1)
    assert found[20, 34 * step] == pytest.approx(91 * 0.989, abs=1)
    assert (found[:, : 20 * step] == 99).all()


def test_readings_that_differ_are_even_and_what_is_not_read_has_none():
    codes = np.array([[1, 3, 0, 2]], np.uint8)
    found = settled(codes, np.array([[10, 70, 0, 49]], np.uint8), step=1)
    np.testing.assert_array_equal(found, [[50, 70, 0, 50]])
    # nothing but damage has no border
    lost = np.full((4, 4), 4, np.uint8)
    assert (settled(lost, np.full((4, 4), 100, np.uint8), step=1) >= 99).all()


def independent(name: str, seed: int) -> tuple:
    recipe = Recipe(seed=seed, motif=name, control_sd=0.1)
    scene = make_scene(recipe)
    plane, found = measured(scene.photo, control_of(scene.control_px, scene.control_mm, 0.1))

    def to_px(xy_mm: np.ndarray) -> np.ndarray:
        return np.c_[xy_mm[:, 0], recipe.height - xy_mm[:, 1]] / CANVAS_MM_PER_PX - 0.5

    return found, true_labels(plane.picture, scene.labels, to_px)


@pytest.mark.benchmark
def test_figures_of_certainty():
    scenes = {
        "simulate": [simulated(name, 900 + k)[:2] for k, name in enumerate(("hop cone", "trefoil", "bellflower"))],
        "independent": [independent(name, 910 + k) for k, name in enumerate(("shell", "bell", "trefoil"))],
    }
    for kind, pairs in scenes.items():
        stated, right = [], []
        for found, true in pairs:
            codes = found.labels[0]
            read = (codes > 0) & (true > 0)
            stated.append(found.label_percent[0][read])
            right.append(((codes == true) | ((codes >= 4) & (true >= 4)))[read])
        percent, held = np.concatenate(stated), np.concatenate(right)
        print(f"\n{kind}, 3 scenes: stated {percent.mean() / 100:.3f}, right {held.mean():.3f}")
        off = 0.0
        for low, high in pairwise(BANDS):
            band = (percent >= low) & (percent < high)
            if band.sum() > 100:
                gap = held[band].mean() - percent[band].mean() / 100
                off += abs(gap) * band.mean()
                print(f"  {low:3d} to {high - 1:3d} %: share {band.mean():.3f}, stated less right {-gap:+.3f}")
        print(f"  mean gap {off:.4f}")
        assert off < 0.03
