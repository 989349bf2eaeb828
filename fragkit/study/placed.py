"""Motifs of a fragment moved to the frame of the wall it sits on."""

from __future__ import annotations

import numpy as np

from fragkit.layout import PlacedCentres
from fragkit.survey import FragmentEntry
from fragkit.survey.entries import FloatArray, IntArray
from fragkit.turning import turning


def to_wall_mm(fragment: FragmentEntry, xy_mm: FloatArray) -> FloatArray:
    """Wall coordinates (n, 2) in mm of points (n, 2) in the fragment's frame: origin + R(turn) p."""
    return np.asarray(fragment.origin_mm, float) + np.asarray(xy_mm, float) @ turning(fragment.turn_deg).T


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
        xy_mm=to_wall_mm(fragment, xy_mm),
        sd_mm=np.sqrt(variance),
        status=status,
    )
