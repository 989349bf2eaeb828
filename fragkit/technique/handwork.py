"""The hand of one fragment: how its motifs scatter if all of it is hand work, and walls simulated of the same hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

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

    `offsets_mm` (2n, 1 + k) are found minus net: the real ones, then k simulated walls of the same hand. `net`
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
    hand = suiting_hand(sites, net, places, (contrasts @ found).reshape(-1, 2), float(np.diag(noise).mean()))
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


def suiting_hand(
    sites: IntArray, net: FloatArray, places_mm: FloatArray, offsets_mm: FloatArray, noise_mm2: float
) -> OnLines | SteppedOff:
    """The way of hand work that suits the whole fragment best, with its scatter, when `net` (n, q) is left free.

    Notes
    -----
    On lines, the scatter is no more than the quartiles give, so that a few strays do not make all else look regular.
    """
    contrasts = free_contrasts(net)
    data = contrasts.T @ offsets_mm
    best: tuple[float, OnLines | SteppedOff] | None = None
    for unit in hands():
        kernel = covariance(unit, sites, places_mm)[::2, ::2]
        spectrum, axes = np.linalg.eigh(contrasts.T @ kernel @ contrasts)
        precision = 1.0 / (noise_mm2 + HAND_SCATTERS[:, None] ** 2 * np.maximum(spectrum, 0.0))
        logs = np.log(precision).sum(axis=1) - 0.5 * (precision @ (axes.T @ data) ** 2).sum(axis=1)
        k = int(np.argmax(logs))
        if best is None or logs[k] > best[0]:
            best = float(logs[k]), _scaled(unit, float(HAND_SCATTERS[k]))
    assert best is not None
    if not isinstance(best[1], OnLines):
        return best[1]
    middle = float(np.median(np.abs(offsets_mm))) / NORMAL_QUARTILE
    return _scaled(hands()[0], min(best[1].sd_x_mm, float(np.sqrt(max(middle**2 - noise_mm2, HAND_SCATTERS[0] ** 2)))))


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
