"""Bases and primitive cells against spglib, a program of crystallography that shares no code with ours."""

import numpy as np
import pytest
import spglib
from ladder import same_net
from published_tiles import ENLARGED, bits, cell, enlarged, has_a_cell, tile_rows

from fragkit.net import find_nets, reduce_basis

LONG = 1000.0
"""Third axis of a plane net among the nets of space: longer than any vector of the plane, and square to it."""


@pytest.fixture(autouse=True)
def own_errors(monkeypatch):
    monkeypatch.setattr("spglib.error.OLD_ERROR_HANDLING", False)


def in_space(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.array([[*a, 0.0], [*b, 0.0], [0.0, 0.0, LONG]])


def in_plane(lattice: np.ndarray) -> np.ndarray:
    """The two vectors of a net of space that lie in the plane."""
    return lattice[np.abs(lattice[:, 2]) < 1e-6][:, :2]


def primitive_cell(picture: np.ndarray) -> np.ndarray:
    """The primitive cell (2, 2) of a tile of atoms, one for each pixel and of the kind of its tone."""
    height, width = picture.shape
    y, x = np.indices(picture.shape)
    places = np.column_stack([x.ravel() / width, y.ravel() / height, np.zeros(picture.size)])
    atoms = (in_space([width, 0.0], [0.0, height]), places, picture.ravel().astype(int) + 1)
    return in_plane(np.asarray(spglib.standardize_cell(atoms, to_primitive=True, no_idealize=True, symprec=1e-3)[0]))


def test_reduced_bases_are_as_short_as_those_of_niggli():
    rng = np.random.default_rng(11)
    given = [v for v in rng.integers(-40, 41, (300, 2, 2)) if abs(np.linalg.det(v)) > 0.5]
    for a, b in given:
        theirs = in_plane(spglib.niggli_reduce(in_space(a, b)))
        ours = np.array(reduce_basis(a, b))
        lengths = [np.sort((v**2).sum(1)) for v in (ours, theirs)]
        np.testing.assert_allclose(*lengths, rtol=0, atol=1e-6)  # squares of whole numbers
        steps = theirs @ np.linalg.inv(ours)
        np.testing.assert_allclose(steps, np.round(steps), rtol=0, atol=1e-6)  # the same net


def test_the_table_of_tiles_has_the_cells_of_spglib():
    for row in tile_rows():
        theirs = primitive_cell(bits(row))
        assert same_net(*theirs, *cell(row).astype(float), within=1e-6), row["name"]


@pytest.mark.parametrize("row", [r for r in tile_rows() if has_a_cell(r)][7::95], ids=lambda r: r["name"])
def test_the_net_of_a_picture_is_the_primitive_cell(row):
    best = find_nets(enlarged(row)).best
    theirs = primitive_cell(bits(row)) * ENLARGED * [1.0, -1.0]
    assert same_net(best.a_mm, best.b_mm, *theirs, within=0.03)  # a fifth of a tile's pixel
