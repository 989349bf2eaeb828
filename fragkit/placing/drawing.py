"""Random placing errors, made the way the maker made them."""

from __future__ import annotations

from functools import singledispatch

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice import group_numbers, smooth_kernel, stretch_kernel
from fragkit.placing.covariances import check_sites, turn_lever
from fragkit.placing.processes import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


def draw(process: Process, index: IntArray, xy_mm: FloatArray, *, rng: np.random.Generator) -> FloatArray:
    """Displacements (n, 2) in mm of the sites, drawn from a placing process.

    Parameters
    ----------
    process : OnLines, SteppedOff, RigidGroups or ContinuousPrint
    index : (n, 2) int array
        Column and row of each site as the maker counted them.
    xy_mm : (n, 2) array
        Ideal places of the sites, x along the rows.
    rng : numpy.random.Generator
    """
    sites, places = check_sites(index, xy_mm)
    return _draw(process, sites, places, rng)


@singledispatch
def _draw(process: object, sites: IntArray, xy_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    raise ValueError(f"{process!r} is not a placing process; use one of those in fragkit.placing")


@_draw.register
def _on_lines(process: OnLines, sites: IntArray, xy_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    return rng.normal(0.0, [process.sd_x_mm, process.sd_y_mm], xy_mm.shape)


@_draw.register
def _stepped_off(process: SteppedOff, sites: IntArray, xy_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    column, row = (sites - sites.min(axis=0)).T
    running, line = (column, row) if process.along == "rows" else (row, column)
    starts = rng.normal(0.0, process.start_sd_mm, (line.max() + 1, 1, 2))
    steps = rng.normal(0.0, process.step_sd_mm, (line.max() + 1, running.max(), 2))
    walks = np.concatenate([starts, starts + steps.cumsum(axis=1)], axis=1)
    return np.asarray(walks[line, running] + rng.normal(0.0, process.own_sd_mm, xy_mm.shape))


@_draw.register
def _rigid_groups(process: RigidGroups, sites: IntArray, xy_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    group, seat = group_numbers(sites, columns=process.columns, rows=process.rows, phase=process.phase)
    shifts = rng.normal(0.0, process.shift_sd_mm, (group.max() + 1, 2))
    turns = rng.normal(0.0, process.turn_sd_rad, (group.max() + 1, 1))
    seats = rng.normal(0.0, process.seat_sd_mm, (process.columns * process.rows, 2))
    own = rng.normal(0.0, process.own_sd_mm, xy_mm.shape)
    return np.asarray(shifts[group] + turns[group] * turn_lever(process, sites, xy_mm) + seats[seat] + own)


@_draw.register
def _continuous_print(
    process: ContinuousPrint, sites: IntArray, xy_mm: FloatArray, rng: np.random.Generator
) -> FloatArray:
    run = 1 if process.along == "columns" else 0
    heights, which = np.unique(xy_mm[:, run], return_inverse=True)
    swing = _smooth(smooth_kernel(heights, correlation_mm=process.correlation_mm), rng)
    stretch = _smooth(stretch_kernel(heights, correlation_mm=process.correlation_mm), rng)
    displacement = rng.normal(0.0, process.own_sd_mm, xy_mm.shape)
    displacement[:, 1 - run] += process.swing_sd_mm * swing[which.reshape(-1)]
    displacement[:, run] += process.stretch_sd_ratio * stretch[which.reshape(-1)]
    return displacement


def _smooth(kernel: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One draw (n,) from a smooth Gaussian process, whose covariance may be numerically singular."""
    values, vectors = np.linalg.eigh(kernel)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal(len(values)))
