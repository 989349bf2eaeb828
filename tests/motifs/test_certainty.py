"""How sure labels are, on walls of every kind."""

from itertools import pairwise

import numpy as np
import pytest
from hop_scene import example, make_wall
from known_truth import Fragment, independent, simulated

from fragkit.motifs import build_motif

BANDS = (0, 40, 50, 60, 70, 80, 90, 95, 98, 101)


def test_labels_are_as_sure_as_they_say_on_walls_of_a_third_kind():
    wall = make_wall(seed=611, columns=4, rows=3, loss_ratio=0.35, noise=4.0)
    motif = build_motif([example(wall)])
    read = (motif.labels[0] > 0) & (wall.truth > 0)
    stated = motif.label_percent[0][read]
    right = ((motif.labels[0] == wall.truth) | ((motif.labels[0] >= 4) & (wall.truth >= 4)))[read]
    assert abs(stated.mean() / 100.0 - right.mean()) < 0.03
    unsure = stated < 70
    assert unsure.sum() > 200
    assert right[unsure].mean() < 0.8 < 0.97 < right[~unsure].mean()


def read(fragment: Fragment) -> tuple:
    plane, found = fragment.read()
    return found, fragment.labels_on(plane)


@pytest.mark.benchmark
def test_figures_of_certainty():
    scenes = {
        "simulate": [read(simulated(name, 900 + k)) for k, name in enumerate(("hop cone", "trefoil", "bellflower"))],
        "independent": [read(independent(name, 910 + k)) for k, name in enumerate(("shell", "bell", "trefoil"))],
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
