"""One quantity measured on several fragments that differ a little among themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

FloatArray = NDArray[np.float64]

N_NODES = 240
REACH = 5.0


@dataclass(frozen=True, eq=False, kw_only=True)
class RandomEffects:
    """Mean over fragments and difference between them.

    Attributes
    ----------
    mean, sd : float
        Of the mean over all fragments that could have been found, and one standard deviation.
    interval : (float, float)
        95 % interval of that mean.
    interval_new : (float, float)
        95 % interval for one more, unseen fragment or wall.
    between_sd : float
        Expected difference between fragments, one standard deviation.
    likely_between_sd : float
        The value that the data alone favour (restricted maximum likelihood, within the range of the prior).
    """

    mean: float
    sd: float
    interval: tuple[float, float]
    interval_new: tuple[float, float]
    between_sd: float
    likely_between_sd: float


def random_effects(values: FloatArray, variances: FloatArray, *, between_scale: float) -> RandomEffects:
    """Mean and between-fragment sd, the latter integrated over a half-normal prior.

    Parameters
    ----------
    values, variances : (m,) array
        What each fragment gave, and its variance.
    between_scale : float
        Scale of the half-normal prior on the between-fragment sd, in the values' unit.

    Notes
    -----
    yᵢ ~ N(μ, vᵢ + τ²) with a flat prior on μ and τ ~ half-normal. For each τ everything is normal and exact;
    the one integral over τ is taken on 240 nodes between 0 and 5 scales, and the intervals are quantiles of
    the mixture. Putting the best τ in as if it were known (plug-in) covers only 70–88 % with few fragments.

    References
    ----------
    Gelman, A. (2006) Bayesian Analysis 1, 515–534, doi:10.1214/06-BA117A (half-normal and half-t priors on
    τ).
    """
    values, variances = np.asarray(values, float), np.asarray(variances, float)
    if not between_scale > 0:
        raise ValueError(f"between_scale is {between_scale}; it must be above 0")
    tau = between_scale * REACH * (np.arange(N_NODES) + 0.5) / N_NODES
    weights = 1.0 / (variances + tau[:, None] ** 2)
    precision = weights.sum(axis=1)
    means = (weights @ values) / precision
    squares = (weights * (values - means[:, None]) ** 2).sum(axis=1)
    log_like = 0.5 * (np.log(weights).sum(axis=1) - np.log(precision) - squares)
    log_post = log_like - 0.5 * (tau / between_scale) ** 2
    share = np.exp(log_post - log_post.max())
    share /= share.sum()
    mean = float(share @ means)
    spread_new = np.sqrt(1.0 / precision + tau**2)
    return RandomEffects(
        mean=mean,
        sd=float(np.sqrt(share @ (1.0 / precision + (means - mean) ** 2))),
        interval=_interval(share, means, np.sqrt(1.0 / precision)),
        interval_new=_interval(share, means, spread_new),
        between_sd=float(share @ tau),
        likely_between_sd=float(tau[np.argmax(log_like)]) if len(values) > 1 else 0.0,
    )


def _interval(share: FloatArray, means: FloatArray, sds: FloatArray) -> tuple[float, float]:
    """2.5 % and 97.5 % points of a mixture of normals."""
    low, high = float((means - 8.0 * sds).min()), float((means + 8.0 * sds).max())

    def quantile(level: float) -> float:
        return float(brentq(lambda x: share @ ndtr((x - means) / sds) - level, low, high, xtol=1e-9 * (high - low)))

    return quantile(0.025), quantile(0.975)
