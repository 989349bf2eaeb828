"""The found centres of a fragment as the fit takes them: joint covariance, strays, frame of the rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.lattice.given import CentreList, found_of
from fragkit.lattice.one_row import LEAST_IN_ROW, fit_row
from fragkit.lattice.rows import columns_and_rows, describe_repeat, row_basis
from fragkit.motifs import Centres
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]
PlaneCovariance = FloatArray | Callable[[FloatArray], FloatArray]

STRAY_SPREADS = 4.0
LEAST_SD_MM = 0.01
"""No centre is taken as measured better than this."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Observed:
    """Found centres: index (n, 2), position (n, 2), own covariance (n, 2, 2), joint covariance (2n, 2n)."""

    xy_mm: FloatArray
    index: IntArray
    cov_mm2: FloatArray
    measured: FloatArray

    @property
    def middle(self) -> FloatArray:
        """Mean index (2,)."""
        return np.asarray(self.index.mean(axis=0))

    @property
    def design(self) -> FloatArray:
        """One, and the two indices counted from the middle (n, 3)."""
        return np.column_stack([np.ones(len(self.index)), self.index - self.middle])


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
    on_a_line = len(index) < 3 or np.linalg.matrix_rank(index - index.mean(axis=0)) < 2
    if len(index) < 4 or on_a_line:
        raise EstimationError(
            "The centres do not determine a net.",
            found=f"{len(index)} centres" + (_along_one_line(xy_mm, cov_mm2, index) if on_a_line else ""),
            needed="four found centres or more, in at least two rows and two columns",
        )
    plane = plane_covariance(xy_mm) if callable(plane_covariance) else plane_covariance
    return Observed(xy_mm=xy_mm, index=index, cov_mm2=cov_mm2, measured=_measured_covariance(cov_mm2, plane))


def _along_one_line(xy_mm: FloatArray, cov_mm2: FloatArray, index: IntArray) -> str:
    """In words, what a single row of centres still tells: its step."""
    if len(index) < LEAST_IN_ROW or np.linalg.matrix_rank(index - index[:1]) != 1:
        return " on one line"
    row = fit_row((xy_mm, cov_mm2, index))
    return f" on one line, {with_sd(row.length_mm, row.length_sd_mm, 'mm')} apart"


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
    cos, sin = vectors[0] / across
    line = (data.index - data.middle) @ np.linalg.inv(change)
    return RowFrame(
        turn=np.array([[cos, sin], [-sin, cos]]),
        sites=columns_and_rows(rough[1], rough[2], data.index),
        places=np.column_stack([line[:, 0] + offset * line[:, 1], line[:, 1]]),
        across_mm=float(across),
        down_mm=float(down),
    )


def stray_factors(xy_mm: FloatArray, index: IntArray) -> FloatArray:
    """Factors (n,) ≥ 1 on the covariance of centres that lie beyond four robust spreads from the net."""
    design = np.column_stack([np.ones(len(index)), index])
    factors = np.ones(len(index))
    for _ in range(8):
        root = 1.0 / np.sqrt(factors)
        fit = np.linalg.lstsq(design * root[:, None], xy_mm * root[:, None], rcond=None)[0]
        distance = np.linalg.norm(xy_mm - design @ fit, axis=1)
        spread = np.median(distance) / 1.1774 * np.sqrt(len(index) / (len(index) - 3.0))
        factors = np.maximum(1.0, (distance / (STRAY_SPREADS * spread + 1e-9)) ** 2)
    return factors
