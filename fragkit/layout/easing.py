"""Natural edges: motifs that would meet a boundary are moved, reduced, reshaped or left out, never cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LineString, Polygon

from fragkit.layout.insets import ON_OUTLINE_MM, Insets
from fragkit.layout.shapes import WHOLE, Form
from fragkit.survey import WallEntry

FloatArray = NDArray[np.float64]

SCALE_STEP_RATIO = 0.05
"""Reductions come in steps, so that few sizes have to be made."""
DEFAULT_SHIFT_RATIO = 0.12
"""Shift allowed where no edge gives a rule, in repeats; an assumption."""
DEFAULT_MIN_SCALE_RATIO = 0.8
RULES_THAT_REDUCE = ("reduce", "reshape")


@dataclass(frozen=True, eq=False, kw_only=True)
class Rule:
    """How motifs are eased at one boundary."""

    boundary: str
    rule: str
    max_shift_mm: float
    min_scale_ratio: float
    line: LineString | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Eased:
    """What became of n motifs that could not stay as they were.

    Attributes
    ----------
    xy_mm : (n, 2) array
    scale_ratio : (n,) array
    form : (n,) list of str
    kept : (n,) bool array
    reason : (n,) list of str
    """

    xy_mm: FloatArray
    scale_ratio: FloatArray
    form: list[str]
    kept: NDArray[np.bool_]
    reason: list[str]


def wall_rules(wall: WallEntry, *, repeat_mm: float) -> tuple[Rule, ...]:
    """The rules of a wall: one for each edge, and last the one for boundaries without an edge."""
    rules = [
        Rule(
            boundary=edge.name,
            rule=edge.rule,
            max_shift_mm=edge.max_shift_mm,
            min_scale_ratio=edge.min_scale_ratio,
            line=LineString(edge.line_mm),
        )
        for edge in wall.edges
    ]
    default = Rule(
        boundary="",
        rule="reduce",
        max_shift_mm=DEFAULT_SHIFT_RATIO * repeat_mm,
        min_scale_ratio=DEFAULT_MIN_SCALE_RATIO,
    )
    return (*rules, default)


def governing_rules(xy_mm: FloatArray, wall: WallEntry, rules: Sequence[Rule], boundary: object) -> NDArray[np.int64]:
    """Number (n,) of the rule that governs each site: that of the edge it meets, else the last.

    Notes
    -----
    An edge governs when it is, within its clearance and 5 mm, the boundary nearest to the site.
    """
    if len(rules) == 1:
        return np.zeros(len(xy_mm), np.int64)
    points = shapely.points(xy_mm)
    nearest = shapely.distance(points, boundary)
    clearance = max([wall.clearance_mm, *(opening.clearance_mm for opening in wall.openings)])
    away = np.array([shapely.distance(points, rule.line) for rule in rules[:-1]]).reshape(len(rules) - 1, len(points))
    best = np.argmin(away, axis=0)
    meets = away[best, np.arange(len(points))] <= nearest + clearance + ON_OUTLINE_MM
    return np.where(meets, best, len(rules) - 1)


def ease(
    xy_mm: FloatArray,
    *,
    wall: WallEntry,
    rules: Sequence[Rule],
    insets: Insets,
    forms: Sequence[Form],
) -> Eased:
    """The fate of motifs (n, 2) that cannot stay whole at their site.

    Parameters
    ----------
    forms : sequence of Form
        The whole motif first, then its reshaped forms.

    Notes
    -----
    In this order, as far as the rule of the boundary goes: moved within its bound; reduced in steps of
    0.05 and moved; with lobes left
    out and moved. The move is the shortest that brings the form inside. What none of these rescues is left
    out.
    """
    n = len(xy_mm)
    number = governing_rules(xy_mm, wall, rules, insets.boundary)
    max_shift = np.array([rule.max_shift_mm for rule in rules])[number]
    min_scale = np.array([rule.min_scale_ratio for rule in rules])[number]
    kind = np.array([rule.rule for rule in rules])[number]
    where = _boundaries(xy_mm, number, wall, rules)
    place, scale, kept = np.array(xy_mm, float), np.ones(n), np.zeros(n, bool)
    names, need = [WHOLE] * n, np.full(n, np.inf)
    for form, ratio in _variants(forms, rules):
        allowed = ~kept & _allows(kind, form, ratio, min_scale)
        if not allowed.any():
            continue
        moved, distance = _nearest_inside(xy_mm[allowed], insets.of(form, ratio))
        need[allowed] = np.minimum(need[allowed], distance)
        at = np.flatnonzero(allowed)[distance <= max_shift[allowed] + 1e-9]
        place[at] = moved[distance <= max_shift[allowed] + 1e-9]
        scale[at], kept[at] = ratio, True
        for k in at:
            names[k] = form.name
    reason = [
        _eased_words(float(np.hypot(*(place[k] - xy_mm[k]))), scale[k], names[k], where[k])
        if kept[k]
        else _dropped_words(kind[k], need[k], max_shift[k], where[k])
        for k in range(n)
    ]
    return Eased(xy_mm=place, scale_ratio=scale, form=names, kept=kept, reason=reason)


def _variants(forms: Sequence[Form], rules: Sequence[Rule]) -> list[tuple[Form, float]]:
    reducing = [rule.min_scale_ratio for rule in rules if rule.rule in RULES_THAT_REDUCE]
    n_steps = int(np.floor((1.0 - min(reducing, default=1.0)) / SCALE_STEP_RATIO + 1e-9))
    scales = [1.0 - SCALE_STEP_RATIO * step for step in range(n_steps + 1)]
    reshaped = [(form, 1.0) for form in forms[1:]] if any(rule.rule == "reshape" for rule in rules) else []
    return [(forms[0], scale) for scale in scales] + reshaped


def _allows(kind: NDArray[np.str_], form: Form, ratio: float, min_scale: FloatArray) -> NDArray[np.bool_]:
    if form.name != WHOLE:
        return np.asarray(kind == "reshape")
    if ratio < 1.0:
        return np.isin(kind, RULES_THAT_REDUCE) & (ratio >= min_scale - 1e-9)
    return np.asarray(kind != "omit")


def _nearest_inside(xy_mm: FloatArray, inside: object) -> tuple[FloatArray, FloatArray]:
    if shapely.is_empty(inside):
        return np.array(xy_mm), np.full(len(xy_mm), np.inf)
    lines = shapely.shortest_line(shapely.points(xy_mm), inside)
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)[:, 1]
    return ends, np.hypot(*(ends - xy_mm).T)


def _boundaries(xy_mm: FloatArray, number: NDArray[np.int64], wall: WallEntry, rules: Sequence[Rule]) -> list[str]:
    shapes = [Polygon(wall.outline_mm).boundary, *(Polygon(opening.outline_mm) for opening in wall.openings)]
    names = ["outline", *(opening.name for opening in wall.openings)]
    points = shapely.points(xy_mm)
    nearest = np.argmin([shapely.distance(points, shape) for shape in shapes], axis=0)
    return [rules[k].boundary or names[other] for k, other in zip(number, nearest, strict=True)]


def _eased_words(shift_mm: float, scale_ratio: float, form: str, where: str) -> str:
    done = [
        f"{form} lobes" if form != WHOLE else "",
        f"reduced to {scale_ratio:.2f}" if scale_ratio < 1 else "",
    ]
    done.append(f"moved {shift_mm:.1f} mm" if shift_mm > 0.05 else "")
    return f"{', '.join(part for part in done if part) or 'eased'} to stand clear of the {where}"


def _dropped_words(kind: str, need_mm: float, max_shift_mm: float, where: str) -> str:
    if kind == "omit":
        return f"left out at the {where}, as its rule says"
    need = f"it would have to move {need_mm:.0f} mm, and" if np.isfinite(need_mm) else "it has no room at any size, and"
    return f"left out at the {where}: {need} {max_shift_mm:.0f} mm is allowed"


def overlapping(
    xy_mm: FloatArray,
    *,
    scale_ratio: FloatArray,
    form: Sequence[str],
    eased: NDArray[np.bool_],
    forms: Mapping[str, Form],
) -> NDArray[np.int64]:
    """Numbers of eased motifs that overlap a neighbour; of two eased ones, the later.

    Notes
    -----
    Bounding polygons are compared, so the answer errs towards keeping motifs apart.
    """
    at = np.flatnonzero(eased)
    if not len(at):
        return at
    radius = max(float(np.hypot(*f.bound_mm.T).max()) for f in forms.values())
    near = cKDTree(xy_mm).query_ball_point(xy_mm[at], 2 * radius)
    pairs = {(int(k), int(m)) for k, neighbours in zip(at, near, strict=True) for m in neighbours if m != k}
    worse = []
    for k, m in sorted(pairs):
        if eased[m] and m > k:
            continue
        first, second = (Polygon(forms[form[s]].bound_mm * scale_ratio[s] + xy_mm[s]) for s in (k, m))
        if first.intersects(second):
            worse.append(k)
    return np.unique(np.array(worse, np.int64))
