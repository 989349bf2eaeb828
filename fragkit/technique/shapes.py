"""What the shapes say about the forming: how far motifs differ, and whether flaws recur at equal seats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs import Motif

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

FORMINGS = ("drawn free", "along an outline", "through a plate", "by block or roller")

SPREAD_RATIOS = (0.035, 0.018, 0.007, 0.005)
LOG_SD_SPREAD = 0.5
"""Prior on the rms spread of outlines, as a share of the larger side of the metal: log-normal. Assumptions;
no published statistics of free hand against outline, plate or block were found."""

N_PERMUTATIONS = 499
LARGEST_GROUP = (4, 3)
LEAST_EXAMPLES = 4
LEAST_SPREAD_RATIO = 0.0005


@dataclass(frozen=True, eq=False, kw_only=True)
class ShapeEvidence:
    """Spread of outlines and recurrence of flaws.

    Attributes
    ----------
    spread_ratio : float
        Rms spread as a share of the larger side of the metal; place and measuring noise taken off.
    log_sd : float
        Relative uncertainty of it.
    p_recurrence : float or None
        Permutation p of the strongest recurrence at equal seats; None with too few pairs.
    seats : (int, int) or None
        Columns and rows of the plate that the recurrence favours.
    """

    spread_ratio: float
    log_sd: float
    p_recurrence: float | None
    seats: tuple[int, int] | None


def gather_shapes(motif: Motif, sites: IntArray, *, rng: np.random.Generator) -> ShapeEvidence | None:
    """The evidence of the shapes, or None when too few examples show enough of their outline.

    Parameters
    ----------
    motif : Motif
    sites : (n_examples, 2) int array
        Column and row of every example.
    rng : numpy.random.Generator
    """
    strays, seen = motif.strays_mm, motif.strays_seen
    if motif.shape_spread_mm is None or strays is None or seen is None or motif.n_examples < LEAST_EXAMPLES:
        return None
    size = max(motif.metal_width_mm, motif.metal_height_mm)
    squares = np.array([np.mean(row[ok] ** 2) for row, ok in zip(strays, seen, strict=True) if ok.sum() > 8])
    if len(squares) < LEAST_EXAMPLES:
        return None
    relative = float(np.std(squares) / np.mean(squares) / np.sqrt(len(squares)) / 2.0)
    noise_share = float(np.sqrt(squares.mean()) / max(motif.shape_spread_mm, LEAST_SPREAD_RATIO * size))
    p_recurrence, seats = _recurrence(strays, seen, motif.example_index[:, 0], sites, rng)
    return ShapeEvidence(
        spread_ratio=max(motif.shape_spread_mm / size, LEAST_SPREAD_RATIO),
        log_sd=float(min(1.5, relative * noise_share**2)),
        p_recurrence=p_recurrence,
        seats=seats,
    )


def forming_evidence(shapes: ShapeEvidence) -> FloatArray:
    """Log evidence (4,) of the formings: spread against the priors, and recurrence for plate and block.

    Notes
    -----
    A permutation p counts as the largest evidence it can mean, 1/(−e p ln p), and never more than a thousand.

    References
    ----------
    Sellke, T., Bayarri, M. J., Berger, J. O. (2001) Am. Stat. 55, 62–71, doi:10.1198/000313001300339950.
    """
    logs = _spread_evidence(np.log(shapes.spread_ratio), shapes.log_sd)
    p = shapes.p_recurrence
    if p is not None and p < np.exp(-1.0):
        logs[2:] += min(-np.log(-np.e * p * np.log(p)), np.log(1000.0))
    return logs


def _spread_evidence(log_ratio: float, log_sd: float) -> FloatArray:
    width = np.hypot(LOG_SD_SPREAD, log_sd)
    return np.asarray(-0.5 * ((log_ratio - np.log(SPREAD_RATIOS)) / width) ** 2)


def forming_calibration(shapes: ShapeEvidence, *, n_each: int, rng: np.random.Generator) -> dict[str, float]:
    """How often spreads drawn from the priors, measured as surely, would be named rightly and firmly."""
    truth = np.repeat(np.arange(len(FORMINGS)), n_each)
    width = np.hypot(LOG_SD_SPREAD, shapes.log_sd)
    logs = np.log(SPREAD_RATIOS)[truth] + rng.normal(0.0, width, len(truth))
    evidence = np.array([_spread_evidence(value, shapes.log_sd) for value in logs])
    posterior = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    posterior /= posterior.sum(axis=1, keepdims=True)
    firm, right = posterior.max(axis=1) >= 0.95, posterior.argmax(axis=1) == truth
    hand = (posterior.argmax(axis=1) < 2) == (truth < 2)
    return {
        "forming_firm_ratio": float(np.mean(firm)),
        "forming_wrong_firm_ratio": float(np.mean(firm & ~right)),
        "forming_hand_or_mechanical_right_ratio": float(np.mean(hand)),
    }


def _recurrence(
    strays: FloatArray, seen: NDArray[np.bool_], pictures: IntArray, sites: IntArray, rng: np.random.Generator
) -> tuple[float | None, tuple[int, int] | None]:
    """Permutation p of the strongest likeness at equal seats, and the group that shows it."""
    likeness = _likeness(strays, seen)
    pairs = (pictures[:, None] == pictures) & ~np.eye(len(sites), dtype=bool)
    sizes = [(c + 1, r + 1) for c, r in np.ndindex(LARGEST_GROUP) if c + r > 0]
    masks = []
    for size in sizes:
        seat = sites % size
        masks.append(pairs & (seat[:, None, :] == seat).all(axis=2))
    counts = np.array([mask.sum() for mask in masks])
    usable = np.flatnonzero((counts >= 6) & (counts < pairs.sum()))
    if not len(usable):
        return None, None
    table = np.array([masks[k].ravel() for k in usable], float) / np.sqrt(counts[usable])[:, None]
    centred = likeness - likeness[pairs].mean()
    real = table @ centred.ravel()
    classes = pictures * 3 + np.digitize(seen.mean(axis=1), [0.5, 0.8])
    beaten = 0
    for _ in range(N_PERMUTATIONS):
        order = _shuffle_within(classes, rng)
        beaten += bool((table @ centred[np.ix_(order, order)].ravel()).max() >= real.max())
    return (1 + beaten) / (1 + N_PERMUTATIONS), sizes[usable[int(np.argmax(real))]]


def _likeness(strays: FloatArray, seen: NDArray[np.bool_]) -> FloatArray:
    """Mean product (n, n) of two examples' strays over the outline that both show."""
    values = np.where(seen, strays, 0.0)
    values = values - np.where(seen, values.sum(axis=0) / np.maximum(seen.sum(axis=0), 1), 0.0)
    shared = np.maximum(seen.astype(float) @ seen.T, 1.0)
    return np.asarray((values @ values.T) / shared)


def _shuffle_within(classes: IntArray, rng: np.random.Generator) -> IntArray:
    """A permutation that moves examples only within their picture and class of damage."""
    order = np.arange(len(classes))
    for name in np.unique(classes):
        members = np.flatnonzero(classes == name)
        order[members] = rng.permutation(members)
    return order
