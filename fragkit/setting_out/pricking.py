"""Pricked cartoons: where the holes go along the outlines of a motif."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from fragkit.layout import Outlines

FloatArray = NDArray[np.float64]

HAND_MM, WHEEL_MM = 4.2, 1.7
"""Distance of holes pricked by hand (about 6 to the inch) and by a wheel of 15 teeth to the inch: decorative
painters' accounts of pounce patterns ("What is a pounce pattern?", "Pounce pattern")."""

CHORD_LIMIT_MM = 0.4
"""How far the outline may stand off the straight line from hole to hole; then they are set closer."""
CLOSEST_MM = 1.0


def prick(outlines: Outlines, *, spacing_mm: float = HAND_MM) -> tuple[FloatArray, ...]:
    """Holes along every outline, at equal distances.

    Parameters
    ----------
    outlines : mapping of layer to (n, 2) closed rings, mm
    spacing_mm : float
        The largest distance from hole to hole along the outline.

    Returns
    -------
    tuple of (m, 2) arrays
        One for each ring, metal first; of a later ring only the holes that an earlier one has not already.

    Raises
    ------
    ValueError
        If the distance is not 1 to 20 mm.

    Notes
    -----
    A ring whose curves would be cut off by more than 0.4 mm gets closer holes, down to 1 mm: old practice too
    pricks fine parts closer.
    """
    if not CLOSEST_MM <= spacing_mm <= 20.0:
        raise ValueError(f"The holes are {spacing_mm:g} mm apart; take {CLOSEST_MM:g} to 20 mm ({HAND_MM:g} by hand).")
    order = sorted(outlines, key=lambda layer: layer != "metal")
    first, *rest = [_along(ring, spacing_mm) for layer in order for ring in outlines[layer]]
    holes = [first]
    for ring in rest:
        off, _ = KDTree(np.vstack(holes)).query(ring)
        if (kept := off > CLOSEST_MM).any():
            holes.append(ring[kept])
    return tuple(holes)


def _along(ring: FloatArray, spacing_mm: float) -> FloatArray:
    closed = np.vstack([ring, ring[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    while True:
        n = max(3, int(np.ceil(way[-1] / spacing_mm)))
        places = np.arange(n) * way[-1] / n
        holes = np.column_stack([np.interp(places, way, closed[:, axis]) for axis in (0, 1)])
        if spacing_mm <= CLOSEST_MM or _off_chords(closed, way, holes, places) <= CHORD_LIMIT_MM:
            return holes
        spacing_mm = max(CLOSEST_MM, 0.9 * spacing_mm)


def _off_chords(closed: FloatArray, way: FloatArray, holes: FloatArray, places: FloatArray) -> float:
    """Largest distance of an outline point from the chord over it."""
    over = np.searchsorted(places, way[:-1], side="right") - 1
    start, chord = holes[over], np.roll(holes, -1, axis=0)[over] - holes[over]
    length = np.maximum(np.hypot(*chord.T), 1e-9)
    to = closed[:-1] - start
    return float(np.abs((chord[:, 0] * to[:, 1] - chord[:, 1] * to[:, 0]) / length).max())
