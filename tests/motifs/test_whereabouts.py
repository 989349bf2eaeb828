"""Sites where no motif was found: lost where the labels say loss, and named where they say leaf."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.motifs import Centres, tell_lost
from fragkit.net import Net
from fragkit.rectify import Picture

GROUND, METAL, LOSS = 1, 3, 4
SQUARE = np.array([[-10.0, -10.0], [10.0, -10.0], [10.0, 10.0], [-10.0, 10.0]])


def made(codes):
    """Five sites 40 mm apart in a picture of half a millimetre a pixel, y up from its foot, labelled by `codes`."""
    xy = np.array([[30.0 + 40.0 * k, 30.0] for k in range(5)])
    zero = np.zeros(2)
    net = Net(
        a_mm=np.array([40.0, 0.0]),
        b_mm=np.array([0.0, 40.0]),
        support=1.0,
        explained=1.0,
        evidence=9.0,
        independent_evidence=9.0,
        contrast_evidence=9.0,
        net_type="square",
    )
    centres = Centres(
        index=np.column_stack([np.arange(5), np.zeros(5, int)]),
        xy_mm=xy,
        cov_mm2=np.tile(np.eye(2), (5, 1, 1)),
        score=np.zeros(5),
        visible_ratio=np.ones(5),
        status=("seen", "not there", "not there", "not there", "not there"),
        net=net,
    )
    picture = Picture(
        pixels=np.zeros((120, 440, 3), np.uint8),
        mm_per_px=0.5,
        origin_mm=zero + [0.0, 60.0],
        coverage=np.ones((120, 440), bool),
    )
    labels = np.full((120, 440), GROUND, np.uint8)
    for k, code in enumerate(codes):
        x, y = picture.to_px(xy[k][None])[0]
        labels[round(y) - 20 : round(y) + 21, round(x) - 20 : round(x) + 21] = code
    return centres, SimpleNamespace(labels=(labels,), outlines={"metal": (SQUARE,)}), picture


def test_each_site_is_told_by_its_labels():
    centres, motif, picture = made([LOSS, LOSS, GROUND, METAL, LOSS])
    told = tell_lost(centres, motif, picture, number=0)
    assert told.status == ("seen", "lost", "not there", "not there", "lost")
    assert told.notes == ("Leaf is read at 1 site where no motif was found; look at them by eye: (3, 0).",)
    np.testing.assert_array_equal(told.xy_mm, centres.xy_mm)


@pytest.mark.parametrize(("share", "status"), [(0.45, "not there"), (0.55, "lost")])
def test_half_of_the_metal_decides(share, status):
    centres, motif, picture = made([GROUND] * 5)
    x, y = picture.to_px(centres.xy_mm[1][None])[0]
    left = round(x) - 20
    motif.labels[0][round(y) - 20 : round(y) + 21, left : left + round(share * 41)] = LOSS
    assert tell_lost(centres, motif, picture, number=0).status[1] == status


def test_only_what_the_picture_covers_counts():
    centres, motif, picture = made([GROUND] * 5)
    centres = replace(centres, xy_mm=centres.xy_mm + [600.0, 0.0])
    assert tell_lost(centres, motif, picture, number=0).status == centres.status
