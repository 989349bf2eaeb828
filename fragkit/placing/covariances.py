"""The covariance of placing errors on given sites, under each way of placing."""

from __future__ import annotations

from functools import singledispatch

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice import group_numbers, shared_kernel, smooth_kernel, stretch_kernel, walk_kernel
from fragkit.placing.processes import ContinuousPrint, OnLines, Process, RigidGroups, SteppedOff

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]


def covariance(process: Process, index: IntArray, xy_mm: FloatArray) -> FloatArray:
    """Covariance (2n, 2n) in mm² of the displacements x1, y1, x2, y2, … of the sites.

    Parameters
    ----------
    process : OnLines, SteppedOff, RigidGroups or ContinuousPrint
    index : (n, 2) int array
        Column and row of each site as the maker counted them (`Lattice.sites`); missing sites are not listed.
    xy_mm : (n, 2) array
        Ideal places of the sites, x along the rows.
    """
    sites, places = check_sites(index, xy_mm)
    return _covariance(process, sites, places)


def check_sites(index: IntArray, xy_mm: FloatArray) -> tuple[IntArray, FloatArray]:
    """The sites as integer and float arrays of equal length."""
    sites, places = np.asarray(index), np.asarray(xy_mm, float)
    if sites.ndim != 2 or sites.shape[1] != 2 or sites.shape != places.shape:
        raise ValueError(f"index is {sites.shape} and xy_mm {places.shape}; both must be (n, 2)")
    return sites.astype(int), places


@singledispatch
def _covariance(process: object, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    raise ValueError(f"{process!r} is not a placing process; use one of those in fragkit.placing")


@_covariance.register
def _on_lines(process: OnLines, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    return np.diag(np.tile([process.sd_x_mm**2, process.sd_y_mm**2], len(sites)))


@_covariance.register
def _stepped_off(process: SteppedOff, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    step = walk_kernel(sites, along=process.along, start_ratio=0.0)
    line = shared_kernel(sites[:, 1 if process.along == "rows" else 0])
    shared = process.step_sd_mm**2 * step + process.start_sd_mm**2 * line
    return _of_both_axes(shared + process.own_sd_mm**2 * np.eye(len(sites)))


@_covariance.register
def _rigid_groups(process: RigidGroups, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    group, seat = group_numbers(sites, columns=process.columns, rows=process.rows, phase=process.phase)
    placed_together = shared_kernel(group)
    shared = process.shift_sd_mm**2 * placed_together + process.seat_sd_mm**2 * shared_kernel(seat)
    lever = turn_lever(process, sites, xy_mm).ravel()
    turning = placed_together.repeat(2, axis=0).repeat(2, axis=1) * np.outer(lever, lever)
    own = process.own_sd_mm**2 * np.eye(len(sites))
    return _of_both_axes(shared + own) + process.turn_sd_rad**2 * turning


def _of_both_axes(kernel: FloatArray) -> FloatArray:
    """Covariance (2n, 2n) of displacements whose x and y are independent and vary alike, by a kernel (n, n)."""
    out = np.zeros((2 * len(kernel), 2 * len(kernel)))
    out[::2, ::2] = out[1::2, 1::2] = kernel
    return out


@_covariance.register
def _continuous_print(process: ContinuousPrint, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    run = 1 if process.along == "columns" else 0
    place = xy_mm[:, run]
    swing = process.swing_sd_mm**2 * smooth_kernel(place, correlation_mm=process.correlation_mm)
    stretch = process.stretch_sd_ratio**2 * stretch_kernel(place, correlation_mm=process.correlation_mm)
    result = process.own_sd_mm**2 * np.eye(2 * len(sites))
    result[1 - run :: 2, 1 - run :: 2] += swing
    result[run::2, run::2] += stretch
    return result


def turn_lever(process: RigidGroups, sites: IntArray, xy_mm: FloatArray) -> FloatArray:
    """Displacement (n, 2) in mm per radian of a group's small turn about its own middle."""
    seat = (sites + np.asarray(process.phase)) % [process.columns, process.rows]
    from_middle = seat - 0.5 * (np.array([process.columns, process.rows]) - 1.0)
    design = np.column_stack([np.ones(len(sites)), sites])
    steps_mm = np.linalg.lstsq(design, xy_mm, rcond=None)[0][1:]
    arm = from_middle @ steps_mm
    return np.column_stack([-arm[:, 1], arm[:, 0]])
