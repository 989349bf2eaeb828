"""Figures of the motif show what the motif holds."""

import io

import numpy as np
import pytest
from hop_scene import example, make_wall

from fragkit.motifs import build_motif
from fragkit.plot.motif import consensus, labels, support


@pytest.fixture(scope="module")
def scene():
    pair = example(make_wall(seed=3, columns=3, rows=3, loss_ratio=0.2))
    return pair[0], build_motif([pair])


def test_the_consensus_lies_under_its_outline(scene):
    _, motif = scene
    axes = consensus(motif).axes[0]
    (image,) = axes.images
    left, right, bottom, top = image.get_extent()
    rows, columns = np.nonzero(motif.metal > 0.5)
    x = left + (columns + 0.5) * (right - left) / motif.metal.shape[1]
    y = top - (rows + 0.5) * (top - bottom) / motif.metal.shape[0]
    (low, high) = np.min(motif.outlines["metal"][0], axis=0), np.max(motif.outlines["metal"][0], axis=0)
    # pixel centres against the line between them: half a pixel of 0.4 mm, and the smoothing of corners
    np.testing.assert_allclose([x.min(), y.min()], low, rtol=0, atol=0.5)
    np.testing.assert_allclose([x.max(), y.max()], high, rtol=0, atol=0.5)
    assert f"{motif.n_examples} examples" in axes.get_title(loc="left")
    assert [text.get_text() for text in axes.get_legend().get_texts()][-2:] == ["metal", "shadow"]


def test_support_is_the_motifs(scene):
    _, motif = scene
    (image,) = support(motif).axes[0].images
    np.testing.assert_array_equal(image.get_array(), motif.support)


def test_labels_are_named_with_their_share(scene):
    picture, motif = scene
    figure = labels(picture, motif.labels[0])
    (image,) = figure.axes[0].images
    # the plane's millimetres: the wall begins at (0, 0)
    np.testing.assert_allclose(image.get_extent()[::2], [0.0, 0.0], rtol=0, atol=1e-9)
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    share = 100.0 * np.mean(motif.labels[0] == 4)
    assert f"loss {share:.0f} %" in names


def test_figures_can_be_drawn(scene):
    picture, motif = scene
    for figure in (consensus(motif), support(motif), labels(picture, motif.labels[0])):
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=50)
        assert out.getvalue().startswith(b"\x89PNG")
