"""Decisions of a person about motifs that were found: dropped before the motif is learned, moved after it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.frozen import frozen_array
from fragkit.motifs import Centres
from fragkit.survey.review import ReviewEntry

FloatArray = NDArray[np.float64]

_NEAR_RATIO = 0.3
"""A decision belongs to the nearest site within this share of the shorter repeat."""


def without_dropped(centres: Centres, review: ReviewEntry | None) -> Centres:
    """The centres (n sites) with dropped ones "not there", so that no motif is learned from them.

    Notes
    -----
    A decision is known by its place, not by its site's number: it still holds when the photograph is measured
    anew and the net is counted from another origin. One that meets no site is named in the notes.
    """
    if review is None:
        return centres
    site = _sites(centres, review.xy_mm)
    status = list(centres.status)
    for k, verdict in zip(site, review.verdict, strict=True):
        if k >= 0 and verdict == "drop":
            status[k] = "not there"
    lost = [f"({x:.0f}, {y:.0f})" for (x, y), k in zip(review.xy_mm, site, strict=True) if k < 0]
    notes = (f"reviewed places that meet no site of the net any more: {', '.join(lost)} mm",) if lost else ()
    return replace(centres, status=tuple(status), notes=(*centres.notes, *notes))


def reviewed(centres: Centres, review: ReviewEntry | None, *, covariance_mm2: Callable[..., FloatArray]) -> Centres:
    """The centres with all decisions taken: dropped, accepted, and moved to where a person saw them.

    Parameters
    ----------
    centres : Centres
    review : ReviewEntry or None
    covariance_mm2 : callable
        (m, 2) places in mm to the (m, 2, 2) covariance of the plane there; added to that of a moved motif.

    Notes
    -----
    A moved motif is "seen" as before, or "partly seen" where none had been found.
    """
    if review is None or not len(review):
        return centres
    dropped = without_dropped(centres, review)
    site = _sites(centres, review.xy_mm)
    xy, cov, status = np.array(centres.xy_mm), np.array(centres.cov_mm2), list(dropped.status)
    plane = np.asarray(covariance_mm2(review.to_xy_mm), float)
    for row, k in enumerate(site):
        if k < 0 or review.verdict[row] != "move":
            continue
        xy[k] = review.to_xy_mm[row]
        cov[k] = plane[row] + review.sd_mm[row] ** 2 * np.eye(2)
        status[k] = status[k] if status[k] in ("seen", "partly seen") else "partly seen"
    counts = {verdict: review.verdict.count(verdict) for verdict in ("accept", "move", "drop")}
    note = f"reviewed by eye: {counts['accept']} accepted, {counts['move']} moved, {counts['drop']} dropped"
    return replace(
        dropped,
        xy_mm=frozen_array(xy),
        cov_mm2=frozen_array(cov),
        status=tuple(status),
        notes=tuple(dict.fromkeys((*dropped.notes, note))),
    )


def _sites(centres: Centres, xy_mm: FloatArray) -> NDArray[np.int64]:
    """Number (n,) of the site nearest to each place (n, 2); -1 where none is near."""
    reach_mm = _NEAR_RATIO * min(np.hypot(*centres.net.a_mm), np.hypot(*centres.net.b_mm))
    apart = np.hypot(*(np.asarray(xy_mm)[:, None] - np.asarray(centres.xy_mm)[None]).transpose(2, 0, 1))
    nearest = np.argmin(apart, axis=1)
    return np.where(apart[np.arange(len(nearest)), nearest] <= reach_mm, nearest, -1)
