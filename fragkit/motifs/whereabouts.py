"""What became of the motifs that were not found, by the labels of their picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.centres import Centres
from fragkit.motifs.labels import LOSS_CODE, METAL_CODE
from fragkit.motifs.motif import Motif
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.units import counted

FloatArray = NDArray[np.float64]

LOST_SHARE = 0.5
"""A motif is lost where the surface is gone from this share of its metal on."""

LEAF_SHARE = 0.3
"""Leaf on this share of a motif's metal is worth a look by eye, where no motif was found."""


def tell_lost(centres: Centres, motif: Motif, picture: Picture, *, number: int) -> Centres:
    """The centres, those "not there" whose surface is labelled as loss now "lost".

    Parameters
    ----------
    centres : Centres
        Of one picture, as places of the motif's metal.
    motif : Motif
        Built from it.
    picture : Picture
    number : int
        Number of the picture among those of `build_motif`.

    Notes
    -----
    Motifs are sought before losses are known well: plaster of the ground's own colour then looks like a surface
    that never bore one. Sites on which leaf is read although no motif was found are named in the notes.
    """
    status, leaf = list(centres.status), []
    for k in np.flatnonzero([one == "not there" for one in centres.status]):
        lost, metal = _shares(motif, picture, centres.xy_mm[k], number)
        if lost >= LOST_SHARE:
            status[k] = "lost"
        elif metal >= LEAF_SHARE:
            leaf.append("({}, {})".format(*centres.index[k]))
    if not leaf:
        return replace(centres, status=tuple(status))
    where = f"Leaf is read at {counted(len(leaf), 'site')} where no motif was found"
    notes = (*centres.notes, f"{where}; look at them by eye: {', '.join(leaf)}.")
    return replace(centres, status=tuple(status), notes=notes)


def _shares(motif: Motif, picture: Picture, xy_mm: FloatArray, number: int) -> tuple[float, float]:
    """Of the motif's metal about a place, as far as the picture covers it: the share that is lost, and that is leaf."""
    rings = [picture.to_px(xy_mm + outline) for outline in motif.outlines["metal"]]
    low = np.floor(np.min(np.vstack(rings), axis=0)).astype(int)
    size = np.ceil(np.max(np.vstack(rings), axis=0)).astype(int) - low + 1
    form = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(form, [np.round(ring - low).astype(np.int32) for ring in rings], 1)
    height, width = picture.coverage.shape
    y, x = (axis + start for axis, start in zip(np.nonzero(form), low[::-1], strict=True))
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    y, x = y[inside], x[inside]
    codes = motif.labels[number][y, x][picture.coverage[y, x]]
    if not len(codes):
        return 0.0, 0.0
    return float(np.mean(codes == LOSS_CODE)), float(np.mean(codes == METAL_CODE))
