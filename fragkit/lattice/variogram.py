"""How much more two motifs differ the farther apart they stand: the variogram of the residuals of a net."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtr, chdtrc

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.lattice.fitted import Fitted
from fragkit.sketch import sketch_curve
from fragkit.turning import turning_onto_x
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

LEAST_PAIRS = 5
"""Pairs of motifs below which a lag says nothing."""

UNLIKELY = 0.005
"""Chance, over all lags, from which on the fitted scatter is said not to explain the variogram."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Variogram:
    """Half the mean squared difference of pairs, by distance.

    Attributes
    ----------
    distance : (k,) array
        Mean distance of the pairs of each bin, in the unit of the places.
    semivariance : (k,) array
        In the squared unit of the values.
    n_pairs : (k,) int array
    """

    distance: FloatArray
    semivariance: FloatArray
    n_pairs: IntArray


@dataclass(frozen=True, eq=False, kw_only=True)
class ResidualVariogram:
    """Variogram of the residuals of a net within its rows, or within its columns.

    Attributes
    ----------
    along : {"rows", "columns"}
    lag : (k,) int array
        Motifs apart.
    semivariance_mm2, expected_mm2, sd_mm2 : (k, 2) array
        Along and across the rows: measured; what the fitted scatter and the measuring error lead to expect; and one
        standard deviation of the measured one about that.
    measured_mm2 : (k, 2) array
        What measuring error alone would give.
    n_pairs : (k,) int array
    text : str
        Whether errors add up from motif to motif, in words.
    """

    along: str
    lag: IntArray
    semivariance_mm2: FloatArray
    expected_mm2: FloatArray
    sd_mm2: FloatArray
    measured_mm2: FloatArray
    n_pairs: IntArray
    text: str

    def __repr__(self) -> str:
        return f"<ResidualVariogram along {self.along}, {len(self.lag)} lags: {self.text}>"

    def _repr_html_(self) -> str:
        rows = [
            (f"{lag} apart, {pairs} pairs", " and ".join(with_sd(*pair, "mm²") for pair in zip(found, sd, strict=True)))
            for lag, pairs, found, sd in zip(self.lag, self.n_pairs, self.semivariance_mm2, self.sd_mm2, strict=True)
        ]
        mean = self.semivariance_mm2.mean(axis=1)
        drawn = sketch_curve(f"Variogram along the {self.along}", self.lag, mean, x_name="motifs apart", y_name="mm²")
        return card(
            f"Variogram along the {self.along}: along and across the rows", rows, notes=(self.text,), drawing=drawn
        )


def semivariogram(
    places: FloatArray,
    values: FloatArray,
    *,
    bin_width: float,
    cutoff: float,
    direction_deg: float | None = None,
    tolerance_deg: float = 22.5,
) -> Variogram:
    """Semivariance of every pair of places by distance; bin k holds distances in (k w, (k + 1) w].

    Parameters
    ----------
    places : (n, 2) array
    values : (n,) array
    bin_width, cutoff : float
        In the unit of the places.
    direction_deg : float, optional
        Only pairs within the tolerance of this direction, counted from +x towards +y.
    tolerance_deg : float

    References
    ----------
    Matheron, G. (1963) Economic Geology 58, 1246–1266: γ(h) = Σ (zᵢ − zⱼ)² / 2N(h).
    """
    if not 0.0 < bin_width <= cutoff:
        raise ValueError(f"bin_width is {bin_width:g} and cutoff {cutoff:g}; take 0 < bin_width <= cutoff")
    places, values = np.asarray(places, float), np.asarray(values, float)
    first, second = np.triu_indices(len(values), 1)
    gap = places[second] - places[first]
    distance = np.hypot(*gap.T)
    used = (distance > 0.0) & (distance <= cutoff)
    if direction_deg is not None:
        turn = np.degrees(np.arctan2(gap[:, 1], gap[:, 0])) - direction_deg
        used &= np.abs((turn + 90.0) % 180.0 - 90.0) <= tolerance_deg
    number = np.ceil(distance[used] / bin_width).astype(int) - 1
    n_pairs = np.bincount(number)
    halves = np.bincount(number, 0.5 * (values[second] - values[first])[used] ** 2)
    filled = n_pairs > 0
    return Variogram(
        distance=frozen_array(np.bincount(number, distance[used])[filled] / n_pairs[filled]),
        semivariance=frozen_array(halves[filled] / n_pairs[filled]),
        n_pairs=frozen_array(n_pairs[filled]),
    )


def residual_variogram(lattice: Fitted, *, along: str = "rows") -> ResidualVariogram:
    """How much motifs 1, 2, 3 … apart in a row (or column) differ in what they stray from the net.

    Parameters
    ----------
    lattice : Lattice or RowFit
    along : {"rows", "columns"}

    Raises
    ------
    EstimationError
        No two motifs stand in one row (or column) often enough.

    Notes
    -----
    Errors that are independent give a level variogram; errors that add up from motif to motif one that rises in
    proportion to the lag, until the net itself takes the rise out. With C the covariance of the residuals under the
    fitted scatter, a lag is a quadratic form rᵀAr: tr(AC) is expected, with variance 2 tr(ACAC), and it is judged by
    the chi-square law of that mean and variance.
    """
    if along not in ("rows", "columns"):
        raise ValueError(f'along is {along!r}; it must be "rows" or "columns"')
    turn = turning_onto_x(lattice.repeat_mm[0])
    forms = dict(_forms(lattice.sites, along))
    if not forms:
        raise EstimationError(
            f"There is no variogram along the {along}.",
            found=f"{lattice.n_centres} centres",
            needed=f"{LEAST_PAIRS} pairs in one line",
        )
    values = lattice.residuals_mm @ turn.T
    both = [_along_and_across(part, turn) for part in (_residual_covariance(lattice), lattice.measured_cov_mm2)]
    n_pairs = np.array([int(np.trace(form) / 2.0) for form in forms.values()])
    scaled = [form / (2.0 * n) for form, n in zip(forms.values(), n_pairs, strict=True)]
    found = np.array([[values[:, axis] @ form @ values[:, axis] for axis in (0, 1)] for form in scaled])
    expected, measured = (np.array([[np.sum(form * c) for c in part] for form in scaled]) for part in both)
    variance = np.array([[2.0 * np.sum((form @ c) * (form @ c).T) for c in both[0]] for form in scaled])
    return ResidualVariogram(
        along=along,
        lag=frozen_array(list(forms)),
        semivariance_mm2=frozen_array(found),
        expected_mm2=frozen_array(expected),
        sd_mm2=frozen_array(np.sqrt(variance)),
        measured_mm2=frozen_array(measured),
        n_pairs=frozen_array(n_pairs),
        text=_finding(along, list(forms), found, expected, np.sqrt(variance)),
    )


def _forms(sites: IntArray, along: str) -> list[tuple[int, FloatArray]]:
    """For each lag the matrix (n, n) of Σ (zᵢ − zⱼ)² over its pairs, where there are enough of them."""
    running, line = sites.T if along == "rows" else sites.T[::-1]
    gap = np.abs(np.subtract.outer(running, running)) * (line[:, None] == line)
    forms = []
    for lag in range(1, int(gap.max()) + 1):
        pairs = (gap == lag).astype(float)
        if pairs.sum() / 2.0 >= LEAST_PAIRS:
            forms.append((lag, np.diag(pairs.sum(axis=1)) - pairs))
    return forms


def _residual_covariance(lattice: Fitted) -> FloatArray:
    """Covariance (2n, 2n) of the residuals: scatter and measuring error, less what the net takes up."""
    whole = lattice.measured_cov_mm2 + lattice.placing_cov_mm2
    design = np.kron(np.column_stack([np.ones(lattice.n_centres), lattice.counts]), np.eye(2))
    if lattice.drift_shape is not None:
        design = np.column_stack([design, lattice.drift_shape.ravel()])
    weighted = np.linalg.solve(whole, design)
    free = np.eye(len(whole)) - design @ np.linalg.solve(design.T @ weighted, weighted.T)
    return np.asarray(free @ whole @ free.T)


def _along_and_across(covariance: FloatArray, turn: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Blocks (n, n) of a covariance (2n, 2n), along and across the rows."""
    n = len(covariance) // 2
    turned = np.einsum("ab,ibjc,dc->aijd", turn, covariance.reshape(n, 2, n, 2), turn)
    return turned[0, :, :, 0], turned[1, :, :, 1]


def _finding(along: str, lags: list[int], found: FloatArray, expected: FloatArray, sd: FloatArray) -> str:
    dof, scaled = 2.0 * expected**2 / sd**2, 2.0 * expected / sd**2 * found
    far = np.minimum(chdtr(dof, scaled), chdtrc(dof, scaled)) < UNLIKELY / found.size
    rise = float(np.mean(expected[min(2, len(lags) - 1)] / expected[0]))
    habit = (
        "rises with the distance, as where errors add up"
        if rise > 1.5
        else "stays level, as where every motif is placed for itself"
    )
    if not far.any():
        return f"along the {along} the scatter {habit}; the fitted scatter explains every distance"
    odd = ", ".join(str(lag) for lag, one in zip(lags, far.any(axis=1), strict=True) if one)
    return f"along the {along} the fitted scatter does not explain motifs {odd} apart: look at the residuals"
