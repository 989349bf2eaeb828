"""Rows and columns as the maker saw them, whatever basis a net happens to be written in."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


def row_basis(a_mm: FloatArray, b_mm: FloatArray) -> IntArray:
    """Integer combinations (2, 2) of `a` and `b`: first the row vector, then the step to the row above.

    Parameters
    ----------
    a_mm, b_mm : (2,) array
        A reduced, right-handed basis in a frame whose x is (nearly) level.

    Notes
    -----
    The row vector is the one of a, b, a + b and a − b that lies nearest to the horizontal and points to +x.
    The step to the row above completes a right-handed basis with its shift along the row in (−¼, ¾] of the
    repeat, so that noise cannot turn half a repeat into minus half a repeat.
    """
    basis = np.array([a_mm, b_mm], float)
    short = np.array([[1, 0], [0, 1], [1, 1], [1, -1]])
    vectors = short @ basis
    slopes = np.abs(vectors[:, 1]) / np.linalg.norm(vectors, axis=1)
    row = short[int(np.argmin(slopes - 1e-9 * (np.arange(4) == 0)))]
    row = row * (1 if (row @ basis)[0] > 0 else -1)
    up = _complement(row)
    offset = (up @ basis) @ (row @ basis) / np.sum((row @ basis) ** 2)
    return np.array([row, up - int(np.ceil(offset - 0.75)) * row])


def _complement(row: IntArray) -> IntArray:
    """The small integer vector that makes a basis of determinant +1 with `row`."""
    for i in range(-1, 2):
        for j in range(-1, 2):
            if row[0] * j - row[1] * i == 1:
                return np.array([i, j])
    raise ValueError(f"the row vector {tuple(row)} must be one of the four short net vectors")


def describe_repeat(vectors_mm: NDArray[Any]) -> FloatArray:
    """(across_mm, down_mm, offset_ratio) of a row vector and the step to the row above, (2, 2)."""
    row, up = np.asarray(vectors_mm, float)
    across = np.hypot(*row)
    return np.array([across, (row[0] * up[1] - row[1] * up[0]) / across, row @ up / across**2])


def repeat_jacobian(vectors_mm: NDArray[Any]) -> FloatArray:
    """Derivatives (3, 4) of `describe_repeat` by (row x, row y, up x, up y)."""
    (rx, ry), (ux, uy) = np.asarray(vectors_mm, float)
    across, down, offset = describe_repeat(vectors_mm)
    d_across = np.array([rx, ry, 0.0, 0.0]) / across
    d_down = np.array([uy, -ux, -ry, rx]) / across - down / across * d_across
    d_offset = np.array([ux, uy, rx, ry]) / across**2 - 2.0 * offset / across * d_across
    return np.array([d_across, d_down, d_offset])


def columns_and_rows(a_mm: FloatArray, b_mm: FloatArray, index: IntArray) -> IntArray:
    """Column and row number (n, 2) of every site as the maker counted them.

    Notes
    -----
    In a half-drop or brick net alternate rows stand half a repeat aside, so columns zigzag; in any other net
    the column follows the step to the row above. This is what `stepped off along columns` and `plate of 3 ×
    2` mean.
    """
    change = row_basis(a_mm, b_mm)
    offset = describe_repeat(change @ np.array([a_mm, b_mm], float))[2]
    column, row = np.rint(np.asarray(index) @ np.linalg.inv(change)).astype(int).T
    return np.column_stack([maker_columns(column, row, offset), row])


def maker_columns(column: IntArray, row: IntArray, offset_ratio: float) -> IntArray:
    """Columns as the maker counted them, of sites `column` row vectors and `row` steps to the row above away."""
    return np.asarray(column + np.floor(row * np.rint(2.0 * offset_ratio) / 2.0).astype(int))
