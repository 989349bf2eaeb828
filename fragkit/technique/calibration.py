"""How the weighing fares on sets simulated on the very sites: right, wrong, firm, and what counts as firm."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.technique.positions import PlacingTable
from fragkit.technique.priors import PLACINGS, SCATTERS_MM, Priors
from fragkit.technique.verdict import FIRM_POSTERIOR

FloatArray = NDArray[np.float64]

WRONG_FIRM_LIMIT = 0.05
LEAST_POSTERIORS = (FIRM_POSTERIOR, 0.97, 0.98, 0.99, 0.995, 0.999)


def calibrate_placing(
    table: PlacingTable, evidence: FloatArray, priors: Priors, *, reweighted: bool = True
) -> dict[str, float]:
    """Shares of the simulated sets that are named rightly, firmly, and firmly but wrongly.

    Parameters
    ----------
    table : PlacingTable
    evidence : (4, k) array
        Log evidence of each placing for the simulated sets.
    priors : Priors
    reweighted : bool
        Whether each set counts by its probability under `priors`, or all alike.

    Notes
    -----
    Under other priors than those that the sets were drawn from each counts by the ratio of the two densities.
    """
    logs = evidence + priors.placing_logs()[:, None]
    posterior = np.exp(logs - logsumexp(logs, axis=0))
    top, named = posterior.max(axis=0), posterior.argmax(axis=0)
    right = named == table.truth
    weights = _set_weights(table, priors) if reweighted else np.full(len(right), 1.0 / len(right))
    least = _least_posterior(top, right, weights)
    firm = top >= least
    shares = {name: float(np.mean((firm & right)[table.truth == k])) for k, name in enumerate(PLACINGS)}
    return {
        "n_sets": float(len(table.truth)),
        "right_ratio": float(weights @ right),
        "firm_ratio": float(weights @ firm),
        "wrong_firm_ratio": float(weights @ (firm & ~right)),
        "least_posterior": least,
        **shares,
    }


def _set_weights(table: PlacingTable, priors: Priors) -> FloatArray:
    """Weight (k,) of every simulated set under these priors, summing to 1."""
    node = np.searchsorted(SCATTERS_MM, table.scatter_mm)
    ratios = np.array([priors.scatter_logs(name) - table.drawn_from.scatter_logs(name) for name in PLACINGS])
    logs = priors.placing_logs()[table.truth] + ratios[table.truth, node]
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _least_posterior(top: FloatArray, right: NDArray[np.bool_], weights: FloatArray) -> float:
    """The least posterior, 0.95 or more, above which at most 5 % of the sets are named wrongly."""
    for least in LEAST_POSTERIORS:
        firm = top >= least
        if weights @ (firm & ~right) <= WRONG_FIRM_LIMIT * (weights @ firm):
            return least
    return 1.0
