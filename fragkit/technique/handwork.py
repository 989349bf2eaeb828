"""The hand of one fragment: how its motifs scatter if all of it is hand work, and walls simulated of the same hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from fragkit.lattice import Fitted, free_contrasts
from fragkit.placing import OnLines, SteppedOff, covariance
from fragkit.turning import turning_onto_x

FloatArray = NDArray[np.float64]
IntArray = NDArray[Any]

MOST_SITES = 500
HAND_SCATTERS = np.geomspace(0.05, 15.0, 58)
NORMAL_QUARTILE = 0.6745


@dataclass(frozen=True, eq=False)
class HandWork:
    """A fragment's motifs in the frame of its rows, and how its hand scatters.

    `offsets_mm` (2n, 1 + k) are found minus net: the real ones, then k walls of the same hand. `net`
    (n, 1 + q) is what the places are linear in.
    """

    chosen: IntArray
    sites: IntArray
    net: FloatArray
    places_mm: FloatArray
    offsets_mm: FloatArray
    noise_mm2: FloatArray
    spacing_mm: tuple[float, float]
    hand: OnLines | SteppedOff
    hand_mm2: FloatArray

    @property
    def scatter_mm(self) -> float:
        """Scatter of the hand: of one motif on lines, or of one step."""
        return self.hand.step_sd_mm if isinstance(self.hand, SteppedOff) else self.hand.sd_x_mm


def hand_work(lattice: Fitted, *, n_simulated: int, rng: np.random.Generator) -> HandWork:
    """The fragment's motifs with the way of hand work that suits them best, and walls of the same hand."""
    near = np.argsort(np.linalg.norm(lattice.xy_mm - np.median(lattice.xy_mm, axis=0), axis=1), kind="stable")
    chosen = np.sort(near[:MOST_SITES])
    row, up = lattice.repeat_mm
    turn = turning_onto_x(row)
    sites = lattice.sites[chosen]
    net = np.column_stack([np.ones(len(chosen)), lattice.counts[chosen]])
    places = lattice.places_mm[chosen] @ turn.T
    contrasts = free_contrasts(np.asarray(np.kron(net, np.eye(2)), float))
    both = (2 * chosen[:, None] + [0, 1]).ravel()
    turn_all = np.kron(np.eye(len(chosen)), turn)
    noise = turn_all @ lattice.measured_cov_mm2[np.ix_(both, both)] @ turn_all.T
    found = contrasts.T @ ((lattice.xy_mm - lattice.origin_mm)[chosen] @ turn.T - places).ravel()
    hand = suiting_hand(sites, net, places, (contrasts @ found).reshape(-1, 2), per_motif(noise))
    hand_mm2 = covariance(hand, sites, places)
    walls = np.linalg.cholesky(hand_mm2 + noise) @ rng.standard_normal((len(noise), n_simulated))
    return HandWork(
        chosen=chosen,
        sites=sites,
        net=net,
        places_mm=places,
        offsets_mm=contrasts @ np.column_stack([found, contrasts.T @ walls]),
        noise_mm2=noise,
        spacing_mm=(float(np.hypot(*row)), float((turn @ up)[1])),
        hand=hand,
        hand_mm2=hand_mm2,
    )


def with_shuffles(work: HandWork, *, n_shuffles: int, rng: np.random.Generator) -> HandWork:
    """The same motifs beside walls on which this hand's own errors are dealt out anew, in place of simulated ones.

    Notes
    -----
    Made independent and equally large by the covariance of hand and measuring, the errors of hand work may stand at any
    other motif: so the walls scatter just as far as the real one, with its strays, however its scatter is spread, and
    nothing is learned from the wall that they do not share. Both coordinates of a motif stay together. The net is
    taken off by least squares under that covariance, of the real wall as of the others.

    References
    ----------
    Freedman, D., Lane, D. (1983) J. Bus. Econ. Stat. 1, 292–298.
    """
    root = np.linalg.cholesky(work.hand_mm2 + work.noise_mm2)
    net = np.asarray(np.kron(work.net, np.eye(2)), float)
    free = free_contrasts(solve_triangular(root, net, lower=True))
    errors = free @ (free.T @ solve_triangular(root, work.offsets_mm[:, 0], lower=True))
    motifs = np.sqrt(len(free) / free.shape[1]) * errors.reshape(-1, 2)  # the net takes its share a second time
    dealt = np.transpose([motifs[rng.permutation(len(motifs))].ravel() for _ in range(n_shuffles)])
    return replace(work, offsets_mm=root @ np.column_stack([errors, free @ (free.T @ dealt)]))


def per_motif(noise_mm2: FloatArray) -> FloatArray:
    """Variance (n,) per coordinate in a measurement covariance (2n, 2n)."""
    return np.asarray(np.diag(noise_mm2).reshape(-1, 2).mean(axis=1))


def suiting_hand(
    sites: IntArray, net: FloatArray, places_mm: FloatArray, offsets_mm: FloatArray, noise_mm2: FloatArray
) -> OnLines | SteppedOff:
    """The way of hand work that suits the whole fragment best, with its scatter, when `net` (n, q) is left free.

    Notes
    -----
    Every motif counts by the variance `noise_mm2` (n,) to which it is measured. On lines, the scatter is no more than
    the quartiles give, so that a few strays do not make all else look regular.
    """
    weight = 1.0 / np.sqrt(noise_mm2)[:, None]
    contrasts = free_contrasts(weight * net)
    data = contrasts.T @ (weight * offsets_mm)
    best: tuple[float, OnLines | SteppedOff] | None = None
    for unit in hands():
        kernel = weight * covariance(unit, sites, places_mm)[::2, ::2] * weight.T
        spectrum, axes = np.linalg.eigh(contrasts.T @ kernel @ contrasts)
        precision = 1.0 / (1.0 + HAND_SCATTERS[:, None] ** 2 * np.maximum(spectrum, 0.0))
        logs = np.log(precision).sum(axis=1) - 0.5 * (precision @ (axes.T @ data) ** 2).sum(axis=1)
        k = int(np.argmax(logs))
        if best is None or logs[k] > best[0]:
            best = float(logs[k]), _scaled(unit, float(HAND_SCATTERS[k]))
    assert best is not None
    if not isinstance(best[1], OnLines):
        return best[1]
    return _scaled(hands()[0], min(best[1].sd_x_mm, _by_quartiles(offsets_mm, noise_mm2)))


def _by_quartiles(offsets_mm: FloatArray, noise_mm2: FloatArray) -> float:
    """The scatter with which half of all offsets lie within the quartiles of their stated sd."""
    sds = np.sqrt(HAND_SCATTERS[:, None] ** 2 + noise_mm2)
    middle = np.median((np.abs(offsets_mm) / sds[:, :, None]).reshape(len(sds), -1), axis=1)
    return float(np.interp(-NORMAL_QUARTILE, -middle, HAND_SCATTERS))


def hands() -> tuple[OnLines | SteppedOff, ...]:
    """The ways of hand work at unit scatter."""
    return (
        OnLines(sd_x_mm=1.0, sd_y_mm=1.0),
        *(
            SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0, along=along, own_sd_mm=own)
            for along in ("rows", "columns")
            for own in (0.0, 1.0)
        ),
    )


def _scaled(unit: OnLines | SteppedOff, scatter_mm: float) -> OnLines | SteppedOff:
    if isinstance(unit, SteppedOff):
        return SteppedOff(
            step_sd_mm=scatter_mm, start_sd_mm=scatter_mm, along=unit.along, own_sd_mm=scatter_mm * unit.own_sd_mm
        )
    return OnLines(sd_x_mm=scatter_mm, sd_y_mm=scatter_mm)
