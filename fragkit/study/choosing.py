"""One repeat for all photographs of a decoration: the candidate nets on which they agree."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fragkit.net import Net, Nets
from fragkit.survey.entries import FloatArray

SAME_RATIO = 0.04
"""Nets agree when their sides differ by less: photographs are true to about 1 %, rival nets 30 % apart."""


def superbase_mm(net: Net) -> FloatArray:
    """Lengths (3,) of a, b and the shorter diagonal, sorted: the same for a net however it is turned.

    Notes
    -----
    The three sides of the obtuse superbase determine a plane lattice up to turning and mirroring (Conway, J.
    H., Sloane, N. J. A. (1992) Proc. R. Soc. A 436, 55-68), and they change smoothly where the reduced pair
    jumps.
    """
    a, b = np.asarray(net.a_mm, float), np.asarray(net.b_mm, float)
    diagonal = min(np.hypot(*(a + b)), np.hypot(*(a - b)))
    return np.sort([np.hypot(*a), np.hypot(*b), diagonal])


def is_same_net(one: Net, other: Net, *, tolerance_ratio: float = SAME_RATIO) -> bool:
    """Whether two reduced nets have the same sides, whichever way they are turned; of a frieze only its step counts."""
    steps = [np.array([np.hypot(*net.a_mm)]) if net.is_frieze else superbase_mm(net) for net in (one, other)]
    if one.is_frieze or other.is_frieze:
        gaps = np.abs(np.subtract.outer(*steps)) / np.maximum.outer(*steps)
        return bool(gaps.min() <= tolerance_ratio)
    lengths, others = superbase_mm(one), superbase_mm(other)
    return bool(np.all(np.abs(lengths - others) <= tolerance_ratio * np.maximum(lengths, others)))


def agree(nets: Mapping[str, Nets]) -> dict[str, Net | None]:
    """For each photograph its candidate of the repeat that fits all of them best; None where it has none.

    Notes
    -----
    Each candidate of each photograph scores 1, 1/2, 1/3 … in every photograph by the rank of the like
    candidate there (reciprocal rank fusion, without damping); equal scores are settled by support.
    """
    every = [net for found in nets.values() for net in found.candidates]
    if not every:
        return {}
    best = max(every, key=lambda net: (_score(net, nets), float(net.support)))
    return {name: _like(best, found) for name, found in nets.items()}


def _score(net: Net, nets: Mapping[str, Nets]) -> float:
    total = 0.0
    for found in nets.values():
        ranks = [rank for rank, other in enumerate(found.candidates, start=1) if is_same_net(net, other)]
        total += 1.0 / ranks[0] if ranks else 0.0
    return total


def _like(net: Net, nets: Nets) -> Net | None:
    return next((other for other in nets.candidates if is_same_net(net, other)), None)
