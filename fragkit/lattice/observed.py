"""The found centres of a fragment as the fit takes them: joint covariance, strays, frame of the rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.lattice.given import CentreList, found_of
from fragkit.lattice.rows import columns_and_rows, describe_repeat, row_basis
from fragkit.motifs import Centres
from fragkit.turning import turning_onto_x

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]
PlaneCovariance = FloatArray | Callable[[FloatArray], FloatArray]

LEAST_IN_ROW = 4
STRAY_SPREADS = 4.0
LEAST_SD_MM = 0.01
"""No centre is taken as measured better than this."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Observed:
    """Found centres: position (n, 2), index (n, 2), own covariance (n, 2, 2), joint covariance (2n, 2n).

    `counts` (n, q) are what the places are linear in: both indices in a net, the number of the motif in a row.
    """

    xy_mm: FloatArray
    index: IntArray
    counts: IntArray
    cov_mm2: FloatArray
    measured: FloatArray

    @property
    def middle(self) -> FloatArray:
        """Mean count (q,)."""
        return np.asarray(self.counts.mean(axis=0))

    @property
    def design(self) -> FloatArray:
        """One, and the counts from the middle (n, 1 + q)."""
        return np.column_stack([np.ones(len(self.counts)), self.counts - self.middle])


@dataclass(frozen=True, eq=False, kw_only=True)
class RowFrame:
    """The rows of a rough fit: turn (2, 2) to them, sites, places in motifs from the middle, and spacing."""

    turn: FloatArray
    sites: IntArray
    places: FloatArray
    across_mm: float
    down_mm: float


def gather_centres(centres: Centres | CentreList, plane_covariance: PlaneCovariance | None) -> Observed:
    """The found centres with their joint covariance; see `fit_lattice`."""
    xy_mm, cov_mm2, index = found_of(centres)
    on_a_line = _is_one_line(index)
    if len(index) < 4 or on_a_line:
        raise EstimationError(
            "The centres do not determine a net.",
            found=f"{len(index)} centres" + (" in a single row" if on_a_line else ""),
            needed="four found centres or more, in at least two rows and two columns; a row by itself has a step, "
            "which fit_row gives",
        )
    return _observed(xy_mm, cov_mm2, index, index, plane_covariance)


def gather_row(centres: Centres | CentreList, plane_covariance: PlaneCovariance | None) -> Observed:
    """The found centres of a single row with their joint covariance; see `fit_row`."""
    xy_mm, cov_mm2, index = found_of(centres)
    if len(index) < LEAST_IN_ROW or not _is_one_line(index):
        where = "" if _is_one_line(index) else ", in more than one row"
        raise EstimationError(
            "The centres do not make a row.", found=f"{len(index)} centres{where}", needed="four or more in one row"
        )
    off = index - index[:1]
    number = steps_along(off[np.argmax(np.abs(off).sum(1))], off)
    run = xy_mm[np.argmax(number)] - xy_mm[np.argmin(number)]
    forward = run[np.argmax(np.abs(run))] > 0
    number = number if forward else -number
    return _observed(xy_mm, cov_mm2, index, (number - number.min())[:, None], plane_covariance)


def steps_along(line: IntArray, off: IntArray) -> IntArray:
    """How many of the shortest whole steps of a line (2,) lead to each place (n, 2) on it."""
    direction = line // np.gcd(*line)
    return np.asarray(off @ direction // (direction @ direction))


def stand_in_one_row(centres: Centres | CentreList) -> bool:
    """Whether four found centres or more stand in a single row, which `fit_row` and not `fit_lattice` is for."""
    index = found_of(centres)[2]
    return len(index) >= LEAST_IN_ROW and _is_one_line(index)


def _is_one_line(index: IntArray) -> bool:
    return len(index) < 3 or bool(np.linalg.matrix_rank(index - index[:1]) < 2)


def _observed(
    xy_mm: FloatArray, cov_mm2: FloatArray, index: IntArray, counts: IntArray, plane: PlaneCovariance | None
) -> Observed:
    measured = _measured_covariance(cov_mm2, plane(xy_mm) if callable(plane) else plane)
    return Observed(xy_mm=xy_mm, index=index, counts=counts, cov_mm2=cov_mm2, measured=measured)


def _measured_covariance(cov_mm2: FloatArray, plane: FloatArray | None) -> FloatArray:
    """Joint covariance (2n, 2n): each centre's own on the diagonal, the plane's between centres."""
    n = len(cov_mm2)
    if plane is None:
        plane = np.zeros((2 * n, 2 * n))
    if plane.shape != (2 * n, 2 * n):
        raise ValueError(f"plane_covariance is {plane.shape}; for {n} found centres it must be {(2 * n, 2 * n)}")
    joint = np.array(plane, float)
    for k, cov in enumerate(cov_mm2):
        block = slice(2 * k, 2 * k + 2)
        values, axes = np.linalg.eigh(cov - plane[block, block])
        joint[block, block] += (axes * np.maximum(values, LEAST_SD_MM**2)) @ axes.T
    return joint


def row_frame(data: Observed) -> RowFrame:
    """The rows of an ordinary fit."""
    rough = np.linalg.lstsq(data.design, data.xy_mm, rcond=None)[0]
    change = row_basis(rough[1], rough[2])
    vectors = change @ rough[1:]
    across, down, offset = describe_repeat(vectors)
    line = (data.index - data.middle) @ np.linalg.inv(change)
    return RowFrame(
        turn=turning_onto_x(vectors[0]),
        sites=columns_and_rows(rough[1], rough[2], data.index),
        places=np.column_stack([line[:, 0] + offset * line[:, 1], line[:, 1]]),
        across_mm=float(across),
        down_mm=float(down),
    )


def single_row_frame(data: Observed) -> RowFrame:
    """The frame of a single row by an ordinary fit; beside itself it has no other row."""
    step = np.linalg.lstsq(data.design, data.xy_mm, rcond=None)[0][1]
    across = float(np.hypot(*step))
    nothing = np.zeros(len(data.counts))
    return RowFrame(
        turn=turning_onto_x(step),
        sites=np.column_stack([data.counts[:, 0], nothing]).astype(int),
        places=np.column_stack([data.counts[:, 0] - data.middle[0], nothing]),
        across_mm=across,
        down_mm=across,
    )


def stray_factors(data: Observed) -> FloatArray:
    """Factors (n,) ≥ 1 on the covariance of centres that lie beyond four robust spreads from their places."""
    design, xy_mm = data.design, data.xy_mm
    n, n_parameters = design.shape
    factors = np.ones(n)
    for _ in range(8):
        root = 1.0 / np.sqrt(factors)
        fit = np.linalg.lstsq(design * root[:, None], xy_mm * root[:, None], rcond=None)[0]
        distance = np.linalg.norm(xy_mm - design @ fit, axis=1)
        spread = np.median(distance) / 1.1774 * np.sqrt(n / (n - float(n_parameters)))
        factors = np.maximum(1.0, (distance / (STRAY_SPREADS * spread + 1e-9)) ** 2)
    return factors
