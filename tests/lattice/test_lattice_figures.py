"""The figures of nets show what the results hold."""

from dataclasses import replace

import numpy as np

from fragkit.lattice import fit_lattice, measure_spacing, pool
from fragkit.plot.lattice import repeats, residuals, spacings


def _lattice(seed):
    rng = np.random.default_rng(seed)
    index = np.array([[i, j] for i in range(5) for j in range(4)])
    xy = index @ np.array([[80.0, 0.0], [40.0, 90.0]]) + rng.normal(0.0, 0.5, index.shape)
    return fit_lattice((xy, np.tile(np.eye(2) * 0.04, (20, 1, 1)), index))


def test_residuals_are_drawn_from_their_places_on_the_net():
    lattice = _lattice(1)
    axes = residuals(lattice, name="north").axes[0]
    quiver = axes.collections[0]
    assert quiver.U.size == 20
    np.testing.assert_allclose(quiver.XY, lattice.xy_mm - lattice.residuals_mm, rtol=0, atol=1e-9)
    ratio = np.hypot(quiver.U, quiver.V) / np.linalg.norm(lattice.residuals_mm, axis=1)
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-9)
    assert "north: 20 centres" in axes.get_title(loc="left")
    assert any("mm off the net" in text.get_text() for text in axes.texts)


def test_repeats_show_every_fragment_the_mean_and_a_new_wall():
    lattices = [_lattice(1), _lattice(2)]
    pooled = pool(lattices)
    across = repeats(lattices, pooled, names=["north", "east"]).axes[0]
    assert [label.get_text() for label in across.get_yticklabels()] == ["a new wall", "mean", "east", "north"]
    new_wall = across.lines[0].get_xdata()
    np.testing.assert_allclose(new_wall, pooled.interval_new_wall["across_mm"], rtol=0, atol=1e-9)


def test_spacings_show_both_axes_and_both_views():
    spacing = measure_spacing(_lattice(1))
    own = spacing.rows
    rows = replace(own, picture_place=own.place, picture_spacing_mm=own.spacing_mm + 1.0, picture_sd_mm=own.sd_mm)
    both = spacings(replace(spacing, rows=rows), name="north")
    first, second = both.axes
    np.testing.assert_allclose(first.lines[0].get_ydata(), spacing.rows.spacing_mm, rtol=0, atol=1e-12)
    assert [text.get_text() for text in first.get_legend().get_texts()] == ["centres", "picture itself"]
    assert "from row to row" in second.get_ylabel()
