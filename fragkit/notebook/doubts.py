"""Which sites of a photograph a person should look at first, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.lattice import Fitted
from fragkit.motifs import Centres

FloatArray = NDArray[np.float64]

FIRM_SD = 6.0
"""A motif this many standard deviations from the net is as doubtful as one that hardly resembles the motif."""
WORTH_SAYING_SD = 3.0
LOST_RATIO = 0.5
"""Where the surface is lost there is less to see, and likeness says less."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Doubts:
    """The sites of a photograph, most doubtful first.

    Attributes
    ----------
    order : (m,) int array
        Numbers of the sites; those outside the picture are left out.
    doubt : (n,) array
        From 0 upwards, for all sites.
    words : tuple of str
        What makes each site doubtful; empty where nothing does.
    """

    order: NDArray[np.int64]
    doubt: FloatArray
    words: tuple[str, ...]


def weigh_doubts(centres: Centres, lattice: Fitted | None) -> Doubts:
    """How doubtful each site is: by its likeness to the motif, and by its distance from the net.

    Parameters
    ----------
    centres : Centres
    lattice : Lattice or RowFit, optional
        The net of the fragment; its scatter says what a stray is.

    Notes
    -----
    Likeness: 1 at the least score of any found motif, falling to 0 at the median of the found above it, and as
    far below it. Distance: of a found motif from the best net through the photograph's own, by the scatter that
    the fragment shows, 1 at 6 standard deviations.
    """
    found = centres.found
    score = np.asarray(centres.score, float)
    least, usual = (float(score[found].min()), float(np.median(score[found]))) if found.any() else (0.0, 1.0)
    likeness = np.clip(1.0 - np.abs(score - least) / max(usual - least, 1e-6), 0.0, 1.0)
    likeness *= np.array([LOST_RATIO if status == "lost" else 1.0 for status in centres.status])
    strays_mm, n_sd = _strays(centres, lattice)
    doubt = np.maximum(likeness, np.where(found, n_sd / FIRM_SD, 0.0))
    inside = np.array([status != "outside" for status in centres.status], bool)
    order = np.flatnonzero(inside)[np.argsort(-doubt[inside], kind="stable")]
    words = [
        _words(status, float(s), float(stray), float(z), is_near=bool(near > 0.5))
        for status, s, stray, z, near in zip(centres.status, score, strays_mm, n_sd, likeness, strict=True)
    ]
    return Doubts(order=order, doubt=doubt, words=tuple(words))


def _words(status: str, score: float, stray_mm: float, n_sd: float, *, is_near: bool) -> str:
    is_found = status in ("seen", "partly seen")
    said = []
    if is_near and is_found:
        said.append(f"resembles the motif little ({score:.2f})")
    elif is_near:
        said.append(f"resembles the motif almost as much as some that were found ({score:.2f})")
    if is_found and n_sd > WORTH_SAYING_SD:
        said.append(f"{stray_mm:.1f} mm off the net, {n_sd:.1f} sd")
    return ", ".join(said)


def _strays(centres: Centres, lattice: Fitted | None) -> tuple[FloatArray, FloatArray]:
    """Distance (n,) in mm of every site from a plain net through the found ones, and in sd; 0 without a net."""
    found, n = centres.found, len(centres.status)
    if lattice is None or found.sum() < 4:
        return np.zeros(n), np.zeros(n)
    design = np.column_stack([np.ones(n), centres.index])
    fit = np.linalg.lstsq(design[found], centres.xy_mm[found], rcond=None)[0]
    away = np.hypot(*(centres.xy_mm - design @ fit).T)
    own = np.trace(centres.cov_mm2, axis1=1, axis2=2) / 2.0
    return away, away / np.sqrt(2.0 * (own + lattice.residual_sd_mm**2))
