"""From a picture to its candidate repeats, best first, or to a refusal that names the strongest one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.net.bases import reduce_basis, type_from_shape
from fragkit.net.correlation import Overlap, above_background, autocorrelation, overlap_of
from fragkit.net.deciding import doubts
from fragkit.net.features import features_of, pixels_and_mask, signed_features, size_of, without_lines
from fragkit.net.lagmap import LagMap, contrast, evidence_without, nodes_of
from fragkit.net.matching import score_map, window_energy
from fragkit.net.nets import FRIEZE, Net, Nets
from fragkit.net.primitive import alternates, settle
from fragkit.net.remainder import remainder
from fragkit.net.rows import Row, find_row, is_one_row
from fragkit.net.search import Candidate, explained_ratio, merge, propose
from fragkit.rectify import Picture
from fragkit.threads import side_by_side, with_one_blas_thread

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]
Box = tuple[float, float, float, float]

_WORKING_SIDE_PX = 500.0
_SCALES_PX = (1.5, 2.5)
_SHORTEST_PX = 8.0
_LEAST_EVIDENCE = (8.0, 6.0, 3.0)
"""Of all nodes, without the two highest, and against the places half-way between."""
_LEAST_EXAMPLE_PX = 6
_LINES_NOTE = "The repeat stands out only with the lines that run %s through the picture (courses, joints) taken out."
_ROW_NOTE = "A single row: the motif repeats along it and not across it."
_ALTERNATE_NOTE = (
    "Every second motif differs from its neighbours, or the parts of a motif repeat half-way: "
    "the repeat is twice that of the places alone."
)
_OTHER_NOTE = "Beside this repeat the picture carries another, {}: an older scheme, or the texture of the support."


@with_one_blas_thread
def find_nets(
    picture: Picture | NDArray[np.generic],
    *,
    mask: NDArray[np.bool_] | None = None,
    repeat_range_mm: tuple[float, float] | None = None,
    example_mm: Box | None = None,
) -> Nets:
    """Candidate repeats of a picture by masked autocorrelation of sign-free features.

    Parameters
    ----------
    picture : Picture or (h, w) or (h, w, 3) array
        True to scale; a bare array counts 1 mm per px, the centre of its top-left pixel at (0, 0), y up.
    mask : (h, w) bool array, optional
        Where the picture is to be believed; it narrows the coverage of a `Picture`.
    repeat_range_mm : (float, float), optional
        Shortest and longest net vector that can be right. Default: from eight working pixels to half the picture.
    example_mm : (float, float, float, float), optional
        x, y of two opposite corners of a box round one good example of the motif; the places that look like it are
        then searched for a repeat as well. Default: none is needed.

    Raises
    ------
    EstimationError
        If the picture carries no repeat; the message names the strongest candidate.
    ValueError
        If the mask, the range or the example does not fit the picture.

    Notes
    -----
    The picture is reduced to about 500 px a side, where the structure of motifs lives and pixel noise does not.
    Evidence for a net is the sum of all its nodes against the background; index-2 and index-3 super- and sub-nets
    compete, and a net is kept only if all its classes of nodes are equally high, also where the sign counts.
    A picture without a repeat is searched again with what runs straight across, then straight up, taken out:
    courses and joints are alike at every lag along them and hide what repeats between them; then for a single row.
    """
    mm_per_px = picture.mm_per_px if isinstance(picture, Picture) else 1.0
    size, reduction = _working_size(picture)
    small, seen = pixels_and_mask(picture, mask, size_px=size)
    scale_mm = mm_per_px * reduction
    limits = _range_px(repeat_range_mm, scale_mm, small.shape)
    maps = _lag_maps(small, seen)
    if example_mm is not None:
        maps = (*maps, *_example_maps(small, seen, _box_px(example_mm, picture, reduction)))
    tried = [_ranked(maps, scale_mm, limits)]
    for axis, direction in enumerate(("across", "up")):
        if _is_strong(tried[-1][0]):
            break
        tried.append(_ranked(_lag_maps(small, seen, lines_along=axis), scale_mm, limits, note=_LINES_NOTE % direction))
    nets, lags, ranked = tried[-1] if _is_strong(tried[-1][0]) else tried[0]
    if not _is_strong(nets) or is_one_row(lags, ranked[0]):
        row = max((r for r in (find_row(m, *limits) for m in maps) if r), key=lambda r: r.evidence, default=None)
        if row is not None:
            return _row_alone(row, maps[0], scale_mm, limits[0])
    if not _is_strong(nets):
        _refuse(nets)
    others = tuple(_net(c, lags, maps, scale_mm, limits[0]) for c in remainder(lags, ranked[0], *limits))
    return _nets(nets, ranked, lags, scale_mm, tuple(net for net in others if _is_strong([net])))


def _ranked(
    maps: Sequence[LagMap], scale_mm: float, limits: tuple[float, float], *, note: str = ""
) -> tuple[tuple[Net, ...], LagMap, list[Candidate]]:
    """Nets best first, none where there are no peaks at all; the map on which they stand out most; the candidates."""
    shortest, longest = limits
    candidates, lags = propose(maps, shortest_px=shortest, longest_px=longest)
    if not candidates:
        return (), lags, []
    ranked = merge([settle(c, lags, maps, longest) for c in candidates])
    if alternates(lags, ranked[0]):
        ranked[0] = replace(ranked[0], notes=(_ALTERNATE_NOTE,))
    if note:
        ranked = [replace(c, notes=(note, *c.notes)) for c in ranked]
    return tuple(_net(c, lags, maps, scale_mm, shortest) for c in ranked), lags, ranked


def _nets(
    nets: Sequence[Net], ranked: Sequence[Candidate], lags: LagMap, scale_mm: float, others: tuple[Net, ...]
) -> Nets:
    reasons = doubts(ranked, nets)
    return Nets(
        candidates=tuple(nets[:6]),
        decided=not reasons,
        correlation=frozen_array(lags.correlation),
        lag_mm_per_px=scale_mm,
        unexplained=others,
        notes=(*reasons, *nets[0].notes, *(_OTHER_NOTE.format(repr(net)) for net in others)),
    )


def _row_alone(row: Row, lags: LagMap, scale_mm: float, shortest: float) -> Nets:
    """A single row as a net: its second vector stands square to it and spans the picture."""
    along = row.step_px * np.sign(row.step_px[0] or 1.0)
    across = np.array([along[1], -along[0]]) / np.hypot(*along)
    reach = 2.0 * float(np.abs(across) @ np.array(lags.centre)) + 1.0
    flip = np.array([scale_mm, -scale_mm])
    candidate = Candidate(a_px=along, b_px=across * reach, evidence=row.evidence)
    net = Net(
        a_mm=frozen_array(along * flip),
        b_mm=frozen_array(across * reach * flip),
        support=float(np.clip(row.contrast, 0.0, 1.0)),
        explained=explained_ratio(lags, candidate, shortest),
        evidence=row.evidence,
        independent_evidence=row.without_highest,
        contrast_evidence=row.contrast / lags.noise,
        net_type=FRIEZE,
        notes=(_ROW_NOTE,),
    )
    return Nets(
        candidates=(net,),
        decided=True,
        correlation=frozen_array(lags.correlation),
        lag_mm_per_px=scale_mm,
        notes=(_ROW_NOTE,),
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


def _refuse(nets: Sequence[Net]) -> NoReturn:
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
    overlap = _overlap(seen)

    def view(scale: float | None) -> LagMap:
        values = (
            signed_features(small, seen, scale_px=1.0) if scale is None else features_of(small, seen, scale_px=scale)
        )
        values = values if lines_along is None else without_lines(values, seen, axis=lines_along)
        return lag_map(values, overlap, 1.0 if scale is None else scale)

    return tuple(side_by_side(view, (*_SCALES_PX, None)))


def _overlap(seen: NDArray[np.bool_]) -> Overlap:
    height, width = seen.shape
    return overlap_of(seen.astype(np.float32), largest_lag_px=(height // 2, width // 2))


def _box_px(example_mm: Box, picture: Picture | NDArray[np.generic], reduction: float) -> tuple[slice, slice]:
    """Rows and columns of the example at working size."""
    corners = np.array(example_mm, float).reshape(2, 2)
    px = picture.to_px(corners) if isinstance(picture, Picture) else corners * [1.0, -1.0]
    low, high = np.sort(np.round((px + 0.5) / reduction - 0.5).astype(int), axis=0)
    height, width = (int(np.ceil(side / reduction)) for side in size_of(picture))
    if (high - low < _LEAST_EXAMPLE_PX).any() or (low < 0).any() or (high >= [width, height]).any():
        raise ValueError(
            f"example_mm {example_mm} is not a box inside the picture of {_LEAST_EXAMPLE_PX * reduction:.0f} px "
            "or more a side: give two opposite corners round one motif, in mm."
        )
    return slice(int(low[1]), int(high[1]) + 1), slice(int(low[0]), int(high[0]) + 1)


def _example_maps(small: FloatImage, seen: NDArray[np.bool_], box: tuple[slice, slice]) -> tuple[LagMap, ...]:
    """Self-similarity of the agreement with the example in form, and in tone be it reversed or not."""
    scale = _SCALES_PX[0]
    views = (features_of(small, seen, scale_px=scale), signed_features(small, seen, scale_px=1.0))
    weight = np.asarray(seen[box], np.float32)
    scores = [score_map(v, v[box], weight, window_energy(v, weight)) for v in views]
    agreement = (np.maximum(scores[0], 0.0), np.abs(scores[1]))
    overlap = _overlap(seen)
    return tuple(lag_map(score[:, :, None], overlap, scale) for score in agreement)


def lag_map(values: FloatImage, overlap: Overlap, scale: float) -> LagMap:
    correlation, share = autocorrelation(values, overlap)
    peaks = above_background(correlation, share, inner_px=3.0 * scale + 2.0, outer_px=20.0)
    ly, lx = overlap.lag_px
    y, x = np.ogrid[-ly : ly + 1, -lx : lx + 1]
    outside = (x * x + y * y > _SHORTEST_PX**2) & (share > 0)
    peaks, noise = _levelled(peaks, share, outside)
    return LagMap(correlation=correlation, peaks=peaks, overlap=share, noise=max(noise, 1e-6), core_px=3.0 * scale)


def _levelled(peaks: FloatImage, overlap: FloatImage, outside: NDArray[np.bool_]) -> tuple[FloatImage, float]:
    """Peaks less their median level, and their robust noise at full overlap; one half of the map tells both."""
    half = np.s_[len(peaks) // 2 :]
    root = np.sqrt(overlap)
    seen = (peaks[half] * root[half])[outside[half]]
    if not seen.size:
        return peaks, 0.0
    level = float(np.median(seen))
    levelled = np.where(overlap > 0, peaks - level / np.maximum(root, np.float32(1e-3)), np.float32(0.0))
    heights = (levelled[half] * root[half])[outside[half]]
    typical = 1.4826 * float(np.median(np.abs(heights)))
    return levelled, max(typical, 0.5 * float(np.sqrt(np.mean(heights**2))))
