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
    assert any("mm off its place" in text.get_text() for text in axes.texts)


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


def test_a_drift_is_drawn_from_the_net_and_the_rest_from_there():
    """Growth of 0.6 mm per motif: grey arrows from the net's nodes, black ones from the tips of the grey."""
    rng = np.random.default_rng(4)
    index = np.array([[i, j] for i in range(9) for j in range(6)])
    xy = index @ np.array([[85.0, 0.0], [0.0, 85.0]]) + rng.normal(0.0, 0.3, index.shape)
    xy[:, 0] += 0.3 * (index[:, 0] - 4.0) ** 2
    lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.01, (54, 1, 1)), index))
    axes = residuals(lattice).axes[0]
    black, grey = axes.collections
    nodes = lattice.origin_mm + index @ np.array([lattice.a_mm, lattice.b_mm])
    np.testing.assert_allclose(grey.XY, nodes, rtol=0, atol=1e-9)
    np.testing.assert_allclose(black.XY, nodes + np.column_stack([grey.U, grey.V]), rtol=0, atol=1e-9)
    longest = np.linalg.norm(np.column_stack([grey.U + black.U, grey.V + black.V]), axis=1).max()
    assert longest < 0.5 * 85.0  # arrows of neighbours do not run into each other
    assert any("grey: the spacing along rows grows by" in text.get_text() for text in axes.texts)
