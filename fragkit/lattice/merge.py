"""Several photographs of one fragment: one list of centres, no motif twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.lattice.gaussian import least_squares
from fragkit.motifs import Centres

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

RANKS = ("seen", "partly seen", "not there", "lost", "outside")
SAME_SITE_RATIO = 0.25


def merge_centres(centres: Sequence[Centres]) -> Centres:
    """The centres of one fragment from all its photographs, each site once.

    Parameters
    ----------
    centres : sequence of Centres
        In the same fragment frame. Their nets may be written in other bases and count from other origins.

    Raises
    ------
    EstimationError
        If the nets of two photographs do not lie on one another.

    Notes
    -----
    The photograph with most found centres gives the net. Positions of a motif found more than once are
    combined by their covariances; the status is the best one, in the order seen, partly seen, not there,
    lost, outside.
    """
    if not centres:
        raise EstimationError("There are no centres to merge.", found="0 photographs", needed="at least one")
    if len(centres) == 1:
        return centres[0]
    reference = max(centres, key=lambda c: int(np.sum(c.found)))
    origin, basis = _place_net(reference)
    gathered: dict[tuple[int, int], list[tuple[Centres, int]]] = {}
    for one in centres:
        index = one.index if one is reference else _to_reference(one, origin, basis)
        for row, site in enumerate(index):
            gathered.setdefault((int(site[0]), int(site[1])), []).append((one, row))
    sites = sorted(gathered)
    merged = [_combine(gathered[site]) for site in sites]
    far = sum(gap > 4.0 for *_, gap in merged)
    shared = sum(len(views) > 1 for views in gathered.values())
    notes = tuple(dict.fromkeys(note for one in centres for note in one.notes))
    notes += (f"{len(centres)} photographs joined; {shared} sites lie in more than one",)
    if far:
        notes += (f"{far} motifs lie more than four sd apart in two photographs: check the control",)
    return replace(
        reference,
        index=np.array(sites),
        xy_mm=np.array([row[0] for row in merged]),
        cov_mm2=np.array([row[1] for row in merged]),
        score=np.array([row[2] for row in merged]),
        visible_ratio=np.array([row[3] for row in merged]),
        status=tuple(row[4] for row in merged),
        notes=notes,
    )


def _place_net(centres: Centres) -> tuple[FloatArray, FloatArray]:
    """Origin (2,) and basis (2, 2) of the net through the found centres."""
    found = np.asarray(centres.found)
    design = np.column_stack([np.ones(found.sum()), centres.index[found]])
    fit = np.linalg.lstsq(design, centres.xy_mm[found], rcond=None)[0]
    return fit[0], fit[1:]


def _to_reference(centres: Centres, origin: FloatArray, basis: FloatArray) -> IntArray:
    """Indices (n, 2) of another photograph's sites in the reference net."""
    _, own_basis = _place_net(centres)
    change = np.rint(own_basis @ np.linalg.inv(basis)).astype(int)
    found = np.asarray(centres.found)
    wanted = (centres.xy_mm[found] - origin) @ np.linalg.inv(basis) - centres.index[found] @ change
    shift = np.rint(np.median(wanted, axis=0)).astype(int)
    gap = np.linalg.norm(np.median(wanted, axis=0) - shift)
    if abs(round(float(np.linalg.det(change)))) != 1 or gap > SAME_SITE_RATIO:
        raise EstimationError(
            "Two photographs of the fragment do not carry one net.",
            found=f"their nets lie {gap:.2f} of a repeat apart",
            needed=f"less than {SAME_SITE_RATIO}; check that both use one fragment frame",
        )
    return np.asarray(centres.index @ change + shift)


def _combine(views: list[tuple[Centres, int]]) -> tuple[FloatArray, FloatArray, float, float, str, float]:
    """Position, covariance, score, visible share, status, and how many sds apart the views lie."""
    status = min((one.status[row] for one, row in views), key=RANKS.index)
    found = [(one, row) for one, row in views if bool(one.found[row])]
    used = found or [(one, row) for one, row in views if one.status[row] == status]
    score = max(float(one.score[row]) for one, row in used)
    visible = max(float(one.visible_ratio[row]) for one, row in used)
    positions = np.array([one.xy_mm[row] for one, row in used])
    covs = [np.asarray(one.cov_mm2[row]) for one, row in used]
    if len(used) == 1:
        return positions[0], covs[0], score, visible, status, 0.0
    joint = np.zeros((2 * len(used), 2 * len(used)))
    for k, cov in enumerate(covs):
        joint[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = cov
    mean, cov = least_squares(positions.ravel(), np.tile(np.eye(2), (len(used), 1)), joint)
    difference = positions[0] - positions[-1]
    gap = float(np.sqrt(difference @ np.linalg.solve(covs[0] + covs[-1], difference)))
    return mean, cov, score, visible, status, gap
