"""The candidate repeats of a picture, best first, or a refusal that names the strongest one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.net.bases import reduce_basis, type_from_shape
from fragkit.net.correlation import above_background, autocorrelation
from fragkit.net.features import features, pixels_and_mask, signed_features, size_of, without_lines
from fragkit.net.lagmap import LagMap, contrast, evidence_without, nodes_of
from fragkit.net.primitive import settle
from fragkit.net.search import Candidate, explained_ratio, merge, propose
from fragkit.rectify import Picture

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_WORKING_SIDE_PX = 500.0
_SCALES_PX = (1.5, 2.5)
_SHORTEST_PX = 8.0
_LEAST_EVIDENCE = (8.0, 6.0, 3.0)
"""Of all nodes, without the two highest, and against the places half-way between."""
_DECIDED_MARGIN = 4.0
_LINES_NOTE = "The repeat stands out only with the lines that run %s through the picture (courses, joints) taken out."


@dataclass(frozen=True, eq=False, kw_only=True)
class Net:
    """A repeat: two reduced vectors and what speaks for them.

    Attributes
    ----------
    a_mm, b_mm : (2,) arrays
        Reduced net vectors, x right, y up; `a` is the one nearest to +x, (a, b) is right-handed.
    support : float
        Mean normalised correlation at the nodes above that half-way between them, 0 to 1.
    explained : float
        Share of the mass of all correlation peaks that lies on nodes, 0 to 1.
    evidence : float
        Standard deviations by which the nodes together stand above the background.
    independent_evidence : float
        The same without the two highest nodes, which may have suggested the net.
    contrast_evidence : float
        Standard deviations by which the nodes stand above the places half-way between them.
    net_type : str
        What the shape suggests: "square", "rectangular", "centred", "hexagonal" or "oblique". A first guess.
    """

    a_mm: FloatArray
    b_mm: FloatArray
    support: float
    explained: float
    evidence: float
    independent_evidence: float
    contrast_evidence: float
    net_type: str
    notes: tuple[str, ...] = ()

    @property
    def cell_area_mm2(self) -> float:
        """Area of the primitive cell."""
        return float(abs(self.a_mm[0] * self.b_mm[1] - self.a_mm[1] * self.b_mm[0]))

    def __repr__(self) -> str:
        a, b = ("({:.1f}, {:.1f})".format(*v) for v in (self.a_mm, self.b_mm))
        return f"Net(a {a} mm, b {b} mm, {self.net_type}, support {self.support:.2f})"

    def _repr_html_(self) -> str:
        return card("Repeat", _rows(self), notes=self.notes)


@dataclass(frozen=True, eq=False, kw_only=True)
class Nets:
    """Candidate repeats of a picture, best first.

    Attributes
    ----------
    candidates : tuple of Net
    decided : bool
        False when the next candidate explains the picture nearly as well: look at both.
    correlation : (m, n) float32 array
        Masked autocorrelation, lag zero in the middle, y down.
    lag_mm_per_px : float
    """

    candidates: tuple[Net, ...]
    decided: bool
    correlation: FloatImage
    lag_mm_per_px: float
    notes: tuple[str, ...] = ()

    @property
    def best(self) -> Net:
        """The candidate that explains the picture best."""
        return self.candidates[0]

    def __repr__(self) -> str:
        state = "decided" if self.decided else "not decided"
        return f"Nets({len(self.candidates)} candidates, {state}, best {self.best!r})"

    def _repr_html_(self) -> str:
        rows = [(f"Candidate {k + 1}", repr(net)) for k, net in enumerate(self.candidates)]
        return card("Candidate repeats", [("Decided", "yes" if self.decided else "no"), *rows], notes=self.notes)


def find_nets(
    picture: Picture | NDArray[np.generic],
    *,
    mask: NDArray[np.bool_] | None = None,
    repeat_range_mm: tuple[float, float] | None = None,
) -> Nets:
    """Candidate repeats of a picture by masked autocorrelation of sign-free features.

    Parameters
    ----------
    picture : Picture or (h, w) or (h, w, 3) array
        True to scale; a bare array counts 1 mm per px.
    mask : (h, w) bool array, optional
        Where the picture is to be believed; it narrows the coverage of a `Picture`.
    repeat_range_mm : (float, float), optional
        Shortest and longest net vector that can be right. Default: from eight working pixels to half the picture.

    Raises
    ------
    EstimationError
        If the picture carries no repeat; the message names the strongest candidate.
    ValueError
        If the mask or the range does not fit the picture.

    Notes
    -----
    The picture is reduced to about 500 px a side, where the structure of motifs lives and pixel noise does not.
    Evidence for a net is the sum of all its nodes against the background; index-2 and index-3 super- and sub-nets
    compete, and a net is kept only if all its classes of nodes are equally high, also where the sign counts.
    A picture without a repeat is searched again with what runs straight across, then straight up, taken out:
    courses and joints are alike at every lag along them and hide what repeats between them.
    """
    mm_per_px = picture.mm_per_px if isinstance(picture, Picture) else 1.0
    size, reduction = _working_size(picture)
    small, seen = pixels_and_mask(picture, mask, size_px=size)
    scale_mm = mm_per_px * reduction
    limits = _range_px(repeat_range_mm, scale_mm, small.shape)
    tried = [_ranked(_lag_maps(small, seen), scale_mm, limits)]
    for axis, direction in enumerate(("across", "up")):
        if _is_strong(tried[-1][0]):
            break
        tried.append(_ranked(_lag_maps(small, seen, lines_along=axis), scale_mm, limits, note=_LINES_NOTE % direction))
    nets, lags = tried[-1] if _is_strong(tried[-1][0]) else tried[0]
    _refuse_if_weak(nets)
    return _nets(nets, lags, scale_mm)


def _ranked(
    maps: Sequence[LagMap], scale_mm: float, limits: tuple[float, float], *, note: str = ""
) -> tuple[tuple[Net, ...], LagMap]:
    """Candidates best first, none where there are no peaks at all, and the map on which they stand out most."""
    shortest, longest = limits
    candidates, lags = propose(maps, shortest_px=shortest, longest_px=longest)
    if not candidates:
        return (), lags
    ranked = merge([settle(c, lags, maps, longest) for c in candidates])
    if note:
        ranked = [replace(c, notes=(*c.notes, note)) for c in ranked]
    return tuple(_net(c, lags, maps, scale_mm, shortest) for c in ranked), lags


def _nets(nets: Sequence[Net], lags: LagMap, scale_mm: float) -> Nets:
    second = max((net.evidence for net in nets[1:]), default=0.0)
    decided = nets[0].evidence ** 2 / 2.0 - second**2 / 2.0 > _DECIDED_MARGIN
    notes = () if decided else ("Another repeat explains the picture nearly as well: compare the candidates.",)
    kept = tuple(nets[:6])
    return Nets(
        candidates=kept,
        decided=decided,
        correlation=frozen_array(lags.correlation),
        lag_mm_per_px=scale_mm,
        notes=notes,
    )


def _net(c: Candidate, lags: LagMap, maps: Sequence[LagMap], scale_mm: float, shortest: float) -> Net:
    flip = np.array([scale_mm, -scale_mm])
    a, b = reduce_basis(c.a_px * flip, c.b_px * flip)
    nodes = nodes_of(lags, c.a_px, c.b_px)
    contrasts = [contrast(view, c.a_px, c.b_px) for view in maps]
    return Net(
        a_mm=frozen_array(a),
        b_mm=frozen_array(b),
        support=float(np.clip(max(height for height, _ in contrasts), 0.0, 1.0)),
        explained=explained_ratio(lags, c, shortest),
        evidence=float(c.evidence),
        independent_evidence=evidence_without(lags, nodes, 2),
        contrast_evidence=max(evidence for _, evidence in contrasts),
        net_type=type_from_shape(a, b),
        notes=c.notes,
    )


def _strengths(net: Net) -> tuple[float, float, float]:
    return net.evidence, net.independent_evidence, net.contrast_evidence


def _is_strong(nets: Sequence[Net]) -> bool:
    return bool(nets) and all(v >= least for v, least in zip(_strengths(nets[0]), _LEAST_EVIDENCE, strict=True))


def _refuse_if_weak(nets: Sequence[Net]) -> None:
    if _is_strong(nets):
        return
    if not nets:
        raise EstimationError("No repeat was found.", found="no peaks of self-similarity", needed="a repeating motif")
    values = _strengths(nets[0])
    raise EstimationError(
        "The picture carries no repeat.",
        found=f"strongest candidate {nets[0]!r}; its nodes stand {values[0]:.1f} standard deviations above their "
        f"surroundings, {values[1]:.1f} without the two highest, {values[2]:.1f} above the places half-way between",
        needed="{:.0f}, {:.0f} and {:.0f} standard deviations".format(*_LEAST_EVIDENCE),
    )


def _working_size(picture: Picture | NDArray[np.generic]) -> tuple[tuple[int, int], float]:
    """Width and height at working size, and the reduction."""
    height, width = size_of(picture)
    reduction = max(1.0, np.sqrt(height * width) / _WORKING_SIDE_PX)
    size = (max(2, round(width / reduction)), max(2, round(height / reduction)))
    return size, float(np.sqrt((width / size[0]) * (height / size[1])))


def _range_px(
    repeat_range_mm: tuple[float, float] | None, scale_mm: float, shape: tuple[int, ...]
) -> tuple[float, float]:
    largest = 0.6 * max(shape[:2])
    if repeat_range_mm is None:
        return _SHORTEST_PX, largest
    low, high = repeat_range_mm
    if not 0 < low < high:
        raise ValueError(f"repeat_range_mm {repeat_range_mm}: give 0 < shortest < longest, in mm.")
    return max(low / scale_mm, 3.0), min(high / scale_mm, largest)


def _lag_maps(small: FloatImage, seen: NDArray[np.bool_], *, lines_along: int | None = None) -> tuple[LagMap, ...]:
    """Self-similarity of the sign-free features at each scale, and of the signed colour."""
    values = [(features(small, scale_px=scale, mask=seen), scale) for scale in _SCALES_PX]
    values.append((signed_features(small, scale_px=1.0, mask=seen), 1.0))
    if lines_along is not None:
        values = [(without_lines(v, seen, axis=lines_along), scale) for v, scale in values]
    return tuple(_lag_map(v, seen, scale) for v, scale in values)


def _lag_map(values: FloatImage, seen: NDArray[np.bool_], scale: float) -> LagMap:
    height, width = values.shape[:2]
    largest = (height // 2, width // 2)
    correlation, overlap = autocorrelation(values, seen.astype(np.float32), largest_lag_px=largest)
    peaks = above_background(correlation, overlap, inner_px=3.0 * scale + 2.0, outer_px=20.0)
    y, x = np.ogrid[: peaks.shape[0], : peaks.shape[1]]
    outside = (np.hypot(y - largest[0], x - largest[1]) > _SHORTEST_PX) & (overlap > 0)
    peaks, noise = _levelled(peaks, overlap, outside)
    return LagMap(correlation=correlation, peaks=peaks, overlap=overlap, noise=max(noise, 1e-6), core_px=3.0 * scale)


def _levelled(peaks: FloatImage, overlap: FloatImage, outside: NDArray[np.bool_]) -> tuple[FloatImage, float]:
    """Peaks less their median level, and their robust noise at full overlap."""
    if not outside.any():
        return peaks, 0.0
    root = np.sqrt(overlap)
    level = float(np.median((peaks * root)[outside]))
    levelled = np.where(overlap > 0, peaks - level / np.maximum(root, 1e-3), 0.0).astype(np.float32)
    heights = (levelled * root)[outside]
    typical = 1.4826 * float(np.median(np.abs(heights)))
    return levelled, max(typical, 0.5 * float(np.sqrt(np.mean(heights**2))))


def _rows(net: Net) -> list[tuple[str, str]]:
    return [
        ("a", "({:.1f}, {:.1f}) mm".format(*net.a_mm)),
        ("b", "({:.1f}, {:.1f}) mm".format(*net.b_mm)),
        ("Type suggested", net.net_type),
        ("Support", f"{net.support:.2f}"),
        ("Peaks explained", f"{100 * net.explained:.0f} %"),
    ]
