"""Sets of positions with known placing, and the verdict of one who knows the true constants.

Shares no code with `fragkit.placing` or `fragkit.technique`: hand, stepping, plates and blocks are drawn here once
more, and the reference weighs them by dense covariances, the net integrated out.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

KINDS = ("hand", "stepped", "plate", "block")
ACROSS, DOWN = 100.0, 110.0
CONSTANTS = {"plate": (1.0, 1.0, 0.12, 0.05), "block": (0.15, 0.0, 0.10, 0.01)}
SIZES = [(c, r) for c in range(1, 5) for r in range(1, 4)]
Z = np.linspace(-3.5, 3.5, 29)
SCATTERS, WEIGHTS = 1.4 * np.exp(0.6 * Z), np.exp(-0.5 * Z**2) / np.exp(-0.5 * Z**2).sum()


@dataclass
class PlacedSet:
    kind: str
    size: tuple[int, int]
    scatter: float
    heavy: bool
    sites: np.ndarray
    xy_mm: np.ndarray
    sd_mm: float

    @property
    def centres(self):
        return self.xy_mm, np.tile(np.eye(2) * self.sd_mm**2, (len(self.sites), 1, 1)), self.sites

    @property
    def single(self):
        return self.kind in CONSTANTS and self.size == (1, 1)


def groups(sites, size, phase):
    shifted = sites + np.array(phase)
    group, seat = np.divmod(shifted, size)
    return group @ [1000, 1], seat @ [100, 1], seat


def arms(seat, size):
    arm = (seat - 0.5 * (np.array(size) - 1)) * [ACROSS, DOWN]
    return np.column_stack([-arm[:, 1], arm[:, 0]]) / max(size[0] * ACROSS, size[1] * DOWN)


def displaced(kind, sites, scatter, rng, *, heavy=False, size=(1, 1), ratios=None):
    """Displacements (n, 2): `ratios` are shift, turn × width, seats and own scatter of plate or block."""

    def z(*shape):
        return rng.standard_t(4, shape) / np.sqrt(2.0) if heavy else rng.standard_normal(shape)

    if kind == "hand":
        return scatter * z(len(sites), 2)
    if kind == "stepped":
        width = sites[:, 0].max() + 1
        walks = {row: np.cumsum(scatter * z(width, 2), axis=0) for row in np.unique(sites[:, 1])}
        return np.array([walks[j][i] for i, j in sites])
    shift, turn, seats, own = ratios or CONSTANTS[kind]
    group, seat_name, seat = groups(sites, size, (rng.integers(size[0]), rng.integers(size[1])))
    group = np.unique(group, return_inverse=True)[1]
    seat_name = np.unique(seat_name, return_inverse=True)[1]
    shifts = shift * z(group.max() + 1, 2)[group] + (turn * z(group.max() + 1, 1))[group] * arms(seat, size)
    return scatter * (shifts + seats * z(seat_name.max() + 1, 2)[seat_name] + own * z(len(sites), 2))


def grid(columns, rows):
    i, j = np.meshgrid(np.arange(columns), np.arange(rows))
    return np.column_stack([i.ravel(), j.ravel()])


def random_set(rng):
    kind = KINDS[rng.integers(4)]
    scatter, sd = 1.4 * np.exp(0.6 * rng.standard_normal()), rng.uniform(0.15, 0.5)
    whole = grid(rng.integers(4, 11), rng.integers(3, 9))
    seen = rng.random(len(whole)) > rng.uniform(0.0, 0.45)
    sites = whole[seen] if seen.sum() >= 5 else whole
    size = SIZES[rng.integers(12)] if kind in CONSTANTS else (1, 1)
    heavy = rng.random() < 1.0 / 3.0
    moved = displaced(kind, sites, scatter, rng, heavy=heavy, size=size)
    xy = sites * [ACROSS, DOWN] + moved + sd * rng.standard_normal(moved.shape)
    return PlacedSet(kind, size, scatter, heavy, sites, xy, sd)


def _covariances(sites):
    """(kind, size, weight, kernel per coordinate (n, n), turn (2n, 2n) or None) at unit scatter."""
    eye = np.eye(len(sites))
    yield "hand", (1, 1), 1.0, eye, None
    same = sites[:, 1][:, None] == sites[:, 1]
    yield "stepped", (1, 1), 1.0, same * (1.0 + np.minimum.outer(sites[:, 0], sites[:, 0])), None
    for kind, (shift, turn, seats, own) in CONSTANTS.items():
        for size in SIZES:
            for phase in np.ndindex(size):
                group, seat_name, seat = groups(sites, size, phase)
                together = (group[:, None] == group).astype(float)
                kernel = shift**2 * together + seats**2 * (seat_name[:, None] == seat_name) + own**2 * eye
                lever = arms(seat, size).ravel()
                turning = turn**2 * np.kron(together, np.ones((2, 2))) * np.outer(lever, lever) if turn else None
                yield kind, size, 1.0 / (len(SIZES) * size[0] * size[1]), kernel, turning


def reference(placed):
    """Log evidence by (kind, size) of one who knows the true constants."""
    sites, sd = placed.sites, placed.sd_mm
    design = np.column_stack([np.ones(len(sites)), sites])
    free = np.linalg.qr(design, mode="complete")[0][:, 3:]
    free2 = np.kron(free, np.eye(2))
    data = free2.T @ (placed.xy_mm - sites * [ACROSS, DOWN]).ravel() / sd
    found = {}
    for kind, size, weight, kernel, turning in _covariances(sites):
        unit = free.T @ kernel @ free / sd**2
        if turning is None:  # both coordinates have the same axes
            spectrum, axes = np.linalg.eigh(unit)
            spectrum, squares = np.repeat(spectrum, 2), ((axes.T @ data.reshape(-1, 2)) ** 2).ravel()
        else:
            spectrum, axes = np.linalg.eigh(np.kron(unit, np.eye(2)) + free2.T @ turning @ free2 / sd**2)
            squares = (axes.T @ data) ** 2
        spread = 1.0 + SCATTERS[:, None] ** 2 * np.maximum(spectrum, 0.0)
        logs = -0.5 * np.log(spread).sum(axis=1) - 0.5 * (1.0 / spread) @ squares
        found.setdefault((kind, size), []).append(logsumexp(logs + np.log(WEIGHTS)) + np.log(weight))
    return {key: logsumexp(values) for key, values in found.items()}


def reference_logs(found, *, singles=False):
    """Log evidence (4,) of the four kinds; groups of one motif only when `singles`."""
    gain = 0.0 if singles else np.log(len(SIZES) / (len(SIZES) - 1.0))
    return np.array(
        [
            logsumexp(
                [v for (k, size), v in found.items() if k == kind and (singles or size != (1, 1) or k not in CONSTANTS)]
            )
            + (gain if kind in CONSTANTS else 0.0)
            for kind in KINDS
        ]
    )


def loss_bits(logs, truth):
    """Mean −log2 of the posterior of the truth under equal priors; logs (n, k), truth (n,)."""
    logs = np.asarray(logs)
    return float(np.mean(logsumexp(logs, axis=1) - logs[np.arange(len(logs)), truth]) / np.log(2.0))


def cllr(log_ratio, is_first):
    """Cost of log likelihood ratios for the first hypothesis against the second, in bits."""
    log_ratio, is_first = np.asarray(log_ratio), np.asarray(is_first)
    miss = np.logaddexp(0.0, -log_ratio[is_first]).mean()
    false = np.logaddexp(0.0, log_ratio[~is_first]).mean()
    return float(0.5 * (miss + false) / np.log(2.0))
