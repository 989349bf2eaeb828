"""Leaf told from painted shadow in a photograph on which the motif's edge varies most from copy to copy."""

import numpy as np
import pytest
from independent_scene import Recipe, make_scene

from fragkit.motifs import build_motif, find_centres
from fragkit.net import find_nets
from fragkit.rectify import rectify, set_tone
from fragkit.survey import ChartEntry, PointControl


@pytest.mark.parametrize("seed", [8013])
def test_a_rim_that_varies_more_than_the_leaf_is_not_the_leaf(seed):
    """Bright leaf has the ground's tone and is left out, so the mixed edge varies most: the rim was read as leaf."""
    loss = np.random.default_rng([seed, 98]).uniform(0.1, 0.35)
    scene = make_scene(Recipe(seed=seed, motif="shell", control_sd=0.1, chart=True, camera_sd=0.08, loss=loss))
    n = len(scene.control_px)
    names = tuple(f"P{k}" for k in range(n))
    control = PointControl(
        names=names, xy_px=scene.control_px, xy_mm=scene.control_mm, sd_mm=np.full(n, 0.1), sd_px=0.3
    )
    patches = tuple(f"p{k}" for k in range(len(scene.chart_lab)))
    chart = ChartEntry(names=patches, xy_px=np.round(scene.chart_px), lab=scene.chart_lab)
    picture = set_tone(rectify(scene.photo, control, flatness_mm=1.0), scene.photo, chart).picture
    motif = build_motif([(picture, find_centres(picture, find_nets(picture).best))])
    assert abs(motif.metal_area_mm2 / scene.metal_area - 1.0) < 0.05
    assert motif.shadow_area_mm2 < 0.5 * motif.metal_area_mm2
