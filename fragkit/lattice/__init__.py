"""From motif centres to the repeat of a fragment, and from fragments to the repeat of a wall."""

from fragkit.lattice.drift import Drift
from fragkit.lattice.fit import Lattice, fit_lattice
from fragkit.lattice.fitted import Fitted
from fragkit.lattice.gaussian import free_contrasts, least_squares, restricted_log_likelihood
from fragkit.lattice.historic import RoundLength, round_lengths
from fragkit.lattice.kernels import group_numbers, shared_kernel, smooth_kernel, stretch_kernel, walk_kernel
from fragkit.lattice.merge import merge_centres
from fragkit.lattice.net_type import weigh_net_types
from fragkit.lattice.observed import stand_in_one_row
from fragkit.lattice.one_row import RowFit, fit_row
from fragkit.lattice.pool import Pooled, pool, repeat_of
from fragkit.lattice.pool_steps import PooledStep, pool_steps
from fragkit.lattice.random_effects import RandomEffects, random_effects
from fragkit.lattice.rows import columns_and_rows, describe_repeat, row_basis
from fragkit.lattice.spacing import AxisSpacing, Growth, LocalSpacing, measure_spacing
from fragkit.lattice.variogram import ResidualVariogram, Variogram, residual_variogram, semivariogram

__all__ = [
    "AxisSpacing",
    "Drift",
    "Fitted",
    "Growth",
    "Lattice",
    "LocalSpacing",
    "Pooled",
    "PooledStep",
    "RandomEffects",
    "ResidualVariogram",
    "RoundLength",
    "RowFit",
    "Variogram",
    "columns_and_rows",
    "describe_repeat",
    "fit_lattice",
    "fit_row",
    "free_contrasts",
    "group_numbers",
    "least_squares",
    "measure_spacing",
    "merge_centres",
    "pool",
    "pool_steps",
    "random_effects",
    "repeat_of",
    "residual_variogram",
    "restricted_log_likelihood",
    "round_lengths",
    "row_basis",
    "semivariogram",
    "shared_kernel",
    "smooth_kernel",
    "stand_in_one_row",
    "stretch_kernel",
    "walk_kernel",
    "weigh_net_types",
]
