"""Motifs that were not found by their form are read by their tones."""

from dataclasses import replace

import numpy as np
import pytest
from hop_scene import example, make_wall, overlap

from fragkit.motifs import build_motif


@pytest.fixture(scope="module")
def scene():
    wall = make_wall(seed=11, columns=4, rows=3, loss_ratio=0.2)
    return wall, *example(wall)


def near(wall, picture, k: int) -> tuple[slice, slice]:
    """The pixels within 24 mm of a site."""
    x, y = np.round(picture.to_px(wall.xy_mm[k])).astype(int)
    reach = round(24.0 / wall.mm_per_px)
    return np.s_[max(y - reach, 0) : y + reach, max(x - reach, 0) : x + reach]


@pytest.mark.parametrize("status", ["not there", "lost"])
def test_a_motif_that_was_not_found_is_read_like_the_others(scene, status):
    wall, picture, centres = scene
    inner = (wall.visible_ratio > 0.7) & (np.abs(wall.xy_mm - wall.xy_mm.mean(0)) < [130.0, 100.0]).all(1)
    k = int(np.flatnonzero(inner)[0])
    missed = tuple(status if n == k else s for n, s in enumerate(centres.status))
    strayed = centres.xy_mm + np.where(np.arange(len(centres.xy_mm)) == k, 1.0, 0.0)[:, None] * [1.2, -0.9]
    found = build_motif([(picture, replace(centres, status=missed, xy_mm=strayed))])
    assert found.n_examples == centres.found.sum() - 1
    window = near(wall, picture, k)
    ours, true = found.labels[0][window] == 3, wall.truth[window] == 3
    # the copy was 1.5 mm from where it was expected; one found reaches 0.94 to 0.97 on this wall
    assert overlap(ours, true) > 0.93


def test_no_motif_is_read_on_bare_ground_or_damage(scene):
    wall, picture, centres = scene
    # half-way between the sites there is none; the net says there should be
    nowhere = wall.xy_mm + [46.0, 0.0]
    inside = (nowhere[:, 0] < wall.xy_mm[:, 0].max()) & (np.abs(nowhere[:, 1] - wall.xy_mm[:, 1].mean()) < 90.0)
    n = int(inside.sum())
    more = replace(
        centres,
        index=np.concatenate([centres.index, centres.index[inside] + [50, 0]]),
        xy_mm=np.concatenate([centres.xy_mm, nowhere[inside]]),
        cov_mm2=np.concatenate([centres.cov_mm2, centres.cov_mm2[inside]]),
        score=np.concatenate([centres.score, np.zeros(n)]),
        visible_ratio=np.concatenate([centres.visible_ratio, np.zeros(n)]),
        status=centres.status + ("not there",) * n,
    )
    found = build_motif([(picture, more)])
    there = np.zeros(wall.truth.shape, bool)
    for xy in nowhere[inside]:
        x, y = np.round(picture.to_px(xy)).astype(int)
        there[max(y - 12, 0) : y + 12, max(x - 12, 0) : x + 12] = True
    there &= wall.truth != 3
    assert there.sum() > 1000
    assert (found.labels[0][there] == 3).mean() < 0.01
