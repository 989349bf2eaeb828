"""How far copies stray from their common outline, from whatever arcs of it each of them still shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_SEEN = 8
"""Places that a copy must show of its outline to count."""
FEWEST_COPIES = 3
FINEST_MM, MOST_WAVES = 6.0, 24
"""Wandering finer than this is counted as noise; and no more waves than these go round an outline."""
EDGES = (0, 2, 4, 6, 9, 13, 18, 25)
"""Waves round the outline that share a variance: 0 and 1, 2 and 3, 4 and 5, and so on."""
N_STEPS, SETTLED = 40, 5e-4
"""Steps at most, and the share by which all variances together change when no more are needed: on simulated copies the
rms was then off by a twentieth of its own sd (rms), by a seventh at most, from where 400 steps bring it."""
TINY_MM2 = 1e-6


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How far copies stray (rms, mm), place and noise taken off, with one standard deviation of it.

    Attributes
    ----------
    stray_mm, stray_sd_mm : float
        Turn and size of the copies are in it.
    shape_mm, shape_sd_mm : float
        Turn and size taken off as well, as in a Procrustes analysis.
    n : int
        Copies that show enough of their outline.
    seen_ratio : float
        Share of the outline that they show, in the mean.
    """

    stray_mm: float
    stray_sd_mm: float
    shape_mm: float
    shape_sd_mm: float
    n: int
    seen_ratio: float

    def in_words(self) -> str:
        """Both spreads with their sd, and from how much they were read."""
        whole = with_sd(self.stray_mm, self.stray_sd_mm, "mm")
        shape = with_sd(self.shape_mm, self.shape_sd_mm, "mm")
        share = f"{self.n} copies that show {100.0 * self.seen_ratio:.0f} % of it"
        return f"{whole} rms, of which shape {shape} ({share})"

    def __repr__(self) -> str:
        return f"<Spread: {self.stray_mm:.2f} mm, shape {self.shape_mm:.2f} mm, {self.n} copies>"


@dataclass(frozen=True, eq=False)
class Fitted:
    """Variances (g,) of groups of waves, second moments (p, p) of the waves in mm², the variance of the noise, and
    covariances (g, g) of the groups' variances: as the model has them, and as the copies differ in what each says."""

    variances: FloatArray
    moments: FloatArray
    noise: float
    covariance: FloatArray
    from_copies: FloatArray


def spread_of(strays_mm: FloatArray, points_mm: FloatArray, normals: FloatArray) -> Spread | None:
    """Spread of copies about an outline; None with fewer than three that show eight places of it.

    Parameters
    ----------
    strays_mm : (n, k) array
        How far each copy lies outside the outline, at places so far apart that noise differs from one to the next;
        NaN where it is not seen.
    points_mm, normals : (k, 2) arrays
        The places, in order round the outline and evenly spaced, and outward normals.

    Notes
    -----
    A copy's stray is a sum of waves round the outline, its place (turn and size as well for `shape_mm`), about which
    nothing is assumed, and noise. Waves of similar length share a variance. The variances that make the seen arcs
    likeliest follow by marginal likelihood, in which the place has been integrated out; so a short arc, which its own
    place fits nearly, takes nothing off the spread. What the outline, a mean of the same copies, takes off is put back.
    Their covariance is the inverse of the information, or what the single copies' scores make of it, if that is more:
    a hand's bends are not waves, and then single copies differ by more.

    References
    ----------
    Patterson, H. D., Thompson, R. (1971) Biometrika 58, 545-554 (variances by marginal likelihood); MacKay, D. J. C.
    (1992) Neural Computation 4, 415-447 (the steps); Dryden, I. L., Mardia, K. V. (2016) Statistical Shape Analysis,
    2nd ed. (place, turn and size to first order).
    """
    rest = _about_mean(strays_mm)
    rest = rest[np.isfinite(rest).sum(axis=1) >= LEAST_SEEN]
    if len(rest) < FEWEST_COPIES:
        return None
    waves, groups = _waves(points_mm)
    about = points_mm - points_mm.mean(axis=0)
    turn = (normals * np.column_stack([-about[:, 1], about[:, 0]])).sum(axis=1)
    size = (normals * about).sum(axis=1)
    place = _unit(normals)
    full = _unit(np.column_stack([normals, turn, size]))
    stray = fit_variances(rest, waves, groups, place)
    stray_mm, stray_sd_mm = _rms(stray, waves, groups, place)
    shape_mm, shape_sd_mm = _rms(fit_variances(rest, waves, groups, full, start=stray), waves, groups, full)
    return Spread(
        stray_mm=stray_mm,
        stray_sd_mm=stray_sd_mm,
        shape_mm=shape_mm,
        shape_sd_mm=shape_sd_mm,
        n=len(rest),
        seen_ratio=float(np.isfinite(rest).mean()),
    )


def fit_variances(
    rest: FloatArray, waves: FloatArray, groups: IntArray, free: FloatArray, *, start: Fitted | None = None
) -> Fitted:
    """Variances of waves (k, p) in groups (p,), and of the noise, from residuals (n, k), NaN where not seen.

    Parameters
    ----------
    free : (k, q) array
        Directions about which nothing is assumed.
    start : Fitted, optional
        Variances to begin with. Default: all alike.
    """
    seen = np.isfinite(rest).astype(float)
    values = np.nan_to_num(rest)
    design = np.column_stack([waves, free])
    n_waves, n_groups = waves.shape[1], int(groups.max()) + 1
    squares = np.einsum("nk,kp,kq->npq", seen, design, design, optimize=True)
    pulls = values @ design
    total = float((values**2).sum())
    noise = 0.5 * total / max(float(seen.sum()), 1.0) + TINY_MM2
    variances = np.full(n_groups, noise / n_waves + TINY_MM2)
    if start is not None:
        noise, variances = start.noise, start.variances
    sizes = np.bincount(groups, minlength=n_groups)
    for _ in range(N_STEPS):
        own = variances[groups]
        precision = np.diag(np.concatenate([1.0 / own, np.full(free.shape[1], 1e-9)]))
        covariance = np.linalg.inv(squares / noise + precision)
        mean = np.einsum("npq,nq->np", covariance, pulls) / noise
        known = 1.0 - np.diagonal(covariance, axis1=1, axis2=2)[:, :n_waves] / own
        power = np.bincount(groups, (mean[:, :n_waves] ** 2).sum(axis=0), n_groups)
        weight = np.bincount(groups, known.sum(axis=0), n_groups)
        left = total - 2.0 * float((mean * pulls).sum()) + float(np.einsum("np,npq,nq->", mean, squares, mean))
        dof = max(float(seen.sum()) - float(known.sum()) - len(rest) * free.shape[1], 1.0)
        variances, before = np.maximum(power / np.maximum(weight, 1e-9 * sizes), 0.01 * TINY_MM2), variances
        noise = max(left / dof, TINY_MM2)
        if np.abs(variances - before) @ sizes <= SETTLED * (variances @ sizes):
            break
    both = _covariances(covariance[:, :n_waves, :n_waves], mean[:, :n_waves], own, groups)
    moments = covariance[:, :n_waves, :n_waves].mean(axis=0) + mean[:, :n_waves].T @ mean[:, :n_waves] / len(mean)
    return Fitted(variances, moments, noise, *both)


def _covariances(
    covariance: FloatArray, mean: FloatArray, own: FloatArray, groups: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Covariances (g, g) of the variances of groups: inverse information, and by the scores of the single copies."""
    member = np.eye(int(groups.max()) + 1)[:, groups]
    told = np.diag(1.0 / own) - covariance / np.multiply.outer(own, own)
    inverse = np.linalg.pinv(0.5 * np.einsum("gp,npq,hq->gh", member, told**2, member, optimize=True), hermitian=True)
    scores = 0.5 * ((mean / own) ** 2 - np.diagonal(told, axis1=1, axis2=2)) @ member.T
    n = len(mean)
    return inverse, inverse @ (scores.T @ scores) @ inverse * n / (n - 1.0)


def _rms(fitted: Fitted, waves: FloatArray, groups: IntArray, free: FloatArray) -> tuple[float, float]:
    """Rms over the whole outline of what the waves leave beside the free directions, and its sd."""
    beside = waves - free @ (free.T @ waves)
    parts = np.bincount(groups, (beside**2).mean(axis=0))
    square = float(np.sum(fitted.moments * (beside.T @ beside))) / len(waves)
    square_sd = float(np.sqrt(max(parts @ c @ parts for c in (fitted.covariance, fitted.from_copies))))
    rms = float(np.sqrt(square))
    return rms, 0.5 * square_sd / max(rms, float(np.sqrt(square_sd)), 1e-6)


def _about_mean(strays_mm: FloatArray) -> FloatArray:
    """Strays (n, k) from their mean at each place, as large as from a mean of other copies; NaN where one is alone."""
    seen = np.isfinite(strays_mm)
    n = seen.sum(axis=0)
    mean = np.where(seen, strays_mm, 0.0).sum(axis=0) / np.maximum(n, 1)
    back = np.sqrt(n / np.maximum(n - 1.0, 0.5))
    return np.where(seen & (n > 1), (strays_mm - mean) * back, np.nan)


def _waves(points_mm: FloatArray) -> tuple[FloatArray, IntArray]:
    """Waves (k, p) round the outline, of mean square 1/2 or 1, and the group of each."""
    k = len(points_mm)
    length = float(np.hypot(*(np.roll(points_mm, -1, axis=0) - points_mm).T).sum())
    most = int(np.clip(length / FINEST_MM, 3, min(MOST_WAVES, k // 4)))
    at = 2.0 * np.pi * np.arange(k) / k
    numbers = np.arange(1, most + 1)
    layers = [np.ones((k, 1)), np.cos(np.outer(at, numbers)), np.sin(np.outer(at, numbers))]
    of_wave = np.concatenate([[0], numbers, numbers])
    return np.column_stack(layers), np.searchsorted(EDGES, of_wave, side="right") - 1


def _unit(directions: FloatArray) -> FloatArray:
    """Orthonormal columns that span the same."""
    return np.asarray(np.linalg.qr(directions)[0])
