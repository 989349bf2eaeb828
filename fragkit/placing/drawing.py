"""Random placing errors, made the way the maker made them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import singledispatch

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice import group_numbers, smooth_kernel, stretch_kernel
from fragkit.placing.covariances import check_sites, turn_lever
from fragkit.placing.processes import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


@dataclass(frozen=True)
class _Spread:
    """Independent errors of a stated sd: normal, or with the heavy tails of Student's t."""

    rng: np.random.Generator
    tail_dof: float | None

    def __call__(self, sd: float | list[float], shape: tuple[int, ...]) -> FloatArray:
        if self.tail_dof is None:
            return self.rng.normal(0.0, sd, shape)
        return np.asarray(
            np.asarray(sd) * np.sqrt(1.0 - 2.0 / self.tail_dof) * self.rng.standard_t(self.tail_dof, shape)
        )


def draw(
    process: Process, index: IntArray, xy_mm: FloatArray, *, rng: np.random.Generator, tail_dof: float | None = None
) -> FloatArray:
    """Displacements (n, 2) in mm of the sites, drawn from a placing process.

    Parameters
    ----------
    process : OnLines, SteppedOff, RigidGroups or ContinuousPrint
    index : (n, 2) int array
        Column and row of each site as the maker counted them.
    xy_mm : (n, 2) array
        Ideal places of the sites, x along the rows.
    rng : numpy.random.Generator
    tail_dof : float, optional
        Degrees of freedom, above 2, of a Student t for every single error: now and then one is far larger than
        the rest. The stated standard deviations hold either way; without it the errors are normal. The slow
        swing and stretch of a print are always normal.
    """
    sites, places = check_sites(index, xy_mm)
    if tail_dof is not None and not tail_dof > 2.0:
        raise ValueError(f"tail_dof is {tail_dof}; it must be above 2, or left out for normal errors")
    return _draw(process, sites, places, _Spread(rng, tail_dof))


@singledispatch
def _draw(process: object, sites: IntArray, xy_mm: FloatArray, spread: _Spread) -> FloatArray:
    raise ValueError(f"{process!r} is not a placing process; use one of those in fragkit.placing")


@_draw.register
def _on_lines(process: OnLines, sites: IntArray, xy_mm: FloatArray, spread: _Spread) -> FloatArray:
    return spread([process.sd_x_mm, process.sd_y_mm], xy_mm.shape)


@_draw.register
def _stepped_off(process: SteppedOff, sites: IntArray, xy_mm: FloatArray, spread: _Spread) -> FloatArray:
    column, row = (sites - sites.min(axis=0)).T
    running, line = (column, row) if process.along == "rows" else (row, column)
    starts = spread(process.start_sd_mm, (line.max() + 1, 1, 2))
    steps = spread(process.step_sd_mm, (line.max() + 1, running.max(), 2))
    walks = np.concatenate([starts, starts + steps.cumsum(axis=1)], axis=1)
    return np.asarray(walks[line, running] + spread(process.own_sd_mm, xy_mm.shape))


@_draw.register
def _rigid_groups(process: RigidGroups, sites: IntArray, xy_mm: FloatArray, spread: _Spread) -> FloatArray:
    group, seat = group_numbers(sites, columns=process.columns, rows=process.rows, phase=process.phase)
    shifts = spread(process.shift_sd_mm, (group.max() + 1, 2))
    turns = spread(process.turn_sd_rad, (group.max() + 1, 1))
    seats = spread(process.seat_sd_mm, (process.columns * process.rows, 2))
    own = spread(process.own_sd_mm, xy_mm.shape)
    return np.asarray(shifts[group] + turns[group] * turn_lever(process, sites, xy_mm) + seats[seat] + own)


@_draw.register
def _continuous_print(process: ContinuousPrint, sites: IntArray, xy_mm: FloatArray, spread: _Spread) -> FloatArray:
    run = 1 if process.along == "columns" else 0
    heights, which = np.unique(xy_mm[:, run], return_inverse=True)
    swing = _smooth(smooth_kernel(heights, correlation_mm=process.correlation_mm), spread.rng)
    stretch = _smooth(stretch_kernel(heights, correlation_mm=process.correlation_mm), spread.rng)
    displacement = spread(process.own_sd_mm, xy_mm.shape)
    displacement[:, 1 - run] += process.swing_sd_mm * swing[which.reshape(-1)]
    displacement[:, run] += process.stretch_sd_ratio * stretch[which.reshape(-1)]
    return displacement


def _smooth(kernel: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One draw (n,) from a smooth Gaussian process, whose covariance may be numerically singular."""
    values, vectors = np.linalg.eigh(kernel)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal(len(values)))
