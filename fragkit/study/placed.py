"""Motifs of a fragment moved to the frame of the wall it sits on."""

from __future__ import annotations

import numpy as np

from fragkit.layout import PlacedCentres
from fragkit.survey import FragmentEntry
from fragkit.survey.entries import FloatArray, IntArray


def place_centres(
    fragment: FragmentEntry,
    *,
    index: IntArray,
    xy_mm: FloatArray,
    own_sd_mm: FloatArray,
    status: tuple[str, ...],
) -> PlacedCentres:
    """The centres of `fragment` on its wall, each with the sd of its place there.

    Parameters
    ----------
    index, xy_mm : (n, 2) arrays
        Sites and centres, in mm in the fragment's frame.
    own_sd_mm : (n,) array
        One standard deviation of each centre within the fragment, per coordinate.

    Notes
    -----
    Variance per coordinate: own² + origin² + (turn · r)² / 2, with r the distance from the fragment's
    origin; a turn moves a point across its radius only, so half of it falls on each coordinate on average.
    """
    if fragment.wall is None or fragment.origin_mm is None:
        raise ValueError(f"Fragment {fragment.name!r} has no wall and origin: give wall and origin_mm in the survey.")
    lever_mm = np.hypot(*np.asarray(xy_mm, float).T) * np.deg2rad(fragment.turn_sd_deg)
    variance = np.asarray(own_sd_mm, float) ** 2 + fragment.origin_sd_mm**2 + lever_mm**2 / 2.0
    return PlacedCentres(
        wall=fragment.wall,
        fragment=fragment.name,
        index=index,
        xy_mm=fragment.to_wall_mm(xy_mm),
        sd_mm=np.sqrt(variance),
        status=status,
    )
