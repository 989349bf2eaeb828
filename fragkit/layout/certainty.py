"""Classes of certainty of every motif: position, form and material, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.evidence import Evidence

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Classes:
    """Class names and reasons of n motifs."""

    position: tuple[str, ...]
    form: tuple[str, ...]
    material: tuple[str, ...]
    reason: tuple[str, ...]


def classify(
    index: NDArray[np.int64],
    xy_mm: FloatArray,
    *,
    evidence: Evidence,
    evidence_index: NDArray[np.int64],
    typed: bool,
    eased_reason: tuple[str, ...],
) -> Classes:
    """Classes of the motifs (n, 2) of one wall.

    Parameters
    ----------
    evidence_index : (m, 2) int array
        Sites of the marks of `evidence`, in the same net.
    typed : bool
        The repeat was typed, or lies beyond the evidence: no position can claim more than that it was chosen.
    eased_reason : (n,) tuple of str
        Why a motif was moved, reduced or reshaped; empty for those that were not.

    Notes
    -----
    Position: measured where a surviving motif stands, a legible trace where part of one does; interpolated
    within the convex hull of
    the surviving sites of the wall, extrapolated outside it; by analogy on a wall without any; chosen to
    fit where a motif was eased.
    Form: as position at surviving sites, by analogy with the consensus elsewhere; chosen to fit where it
    was reduced or reshaped.
    """
    names, grounds = _base(xy_mm, evidence, typed)
    positions, reasons = list(names), list(grounds)
    elsewhere = "extrapolated" if evidence.n_surviving else "by analogy"
    forms, materials = [elsewhere] * len(xy_mm), [elsewhere] * len(xy_mm)
    for mark, k in _sites_of_marks(index, evidence_index[: evidence.n_surviving]):
        if positions[k] != "measured on the wall":
            seen = "measured on the wall" if evidence.whole[mark] else "legible trace"
            positions[k] = forms[k] = materials[k] = seen
            reasons[k] = f"surviving motif of {evidence.names[evidence.source[mark]]}"
    for k in np.flatnonzero(np.array(eased_reason, object) != "").tolist():
        positions[k], reasons[k] = "chosen to fit", eased_reason[k]
        if "reduced" in eased_reason[k] or "lobes" in eased_reason[k]:
            forms[k] = "chosen to fit"
    return Classes(position=tuple(positions), form=tuple(forms), material=tuple(materials), reason=tuple(reasons))


def _sites_of_marks(index: NDArray[np.int64], marks: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Pairs (mark, motif) that share a site."""
    if not len(index) or not len(marks):
        return []
    both = np.concatenate([index, marks])
    low, stride = both.min(axis=0), int(np.ptp(both[:, 0])) + 1
    keys = (both - low) @ np.array([1, stride])
    order = np.argsort(keys[: len(index)])
    place = np.minimum(np.searchsorted(keys[: len(index)][order], keys[len(index) :]), len(index) - 1)
    same = keys[: len(index)][order][place] == keys[len(index) :]
    return list(zip(np.flatnonzero(same).tolist(), order[place][same].tolist(), strict=True))


def _base(xy_mm: FloatArray, evidence: Evidence, typed: bool) -> tuple[list[str], list[str]]:
    n = len(xy_mm)
    if typed:
        return ["chosen to fit"] * n, ["the repeat was chosen, not measured"] * n
    if not evidence.n_surviving:
        return ["by analogy"] * n, ["repeat of the fragments on other walls"] * n
    surviving = evidence.xy_mm[: evidence.n_surviving]
    hull = shapely.convex_hull(shapely.multipoints(surviving)).buffer(1.0)
    shapely.prepare(hull)
    within = shapely.contains_xy(hull, xy_mm[:, 0], xy_mm[:, 1])
    names = np.where(within, "interpolated between evidence", "extrapolated").tolist()
    words = {
        "interpolated between evidence": "net of the surviving motifs around it",
        "extrapolated": "net of the surviving motifs of this wall, carried on",
    }
    return names, [words[name] for name in names]
