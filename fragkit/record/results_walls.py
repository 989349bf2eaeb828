"""The part of `results.json` on walls and works."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fragkit.record import words
from fragkit.record.study_result import StudyResult, fields_of

if TYPE_CHECKING:
    from fragkit.layout import Alternative, WallLayout
    from fragkit.setting_out import WallSetting


def certainty_results(result: StudyResult) -> dict[str, Any] | None:
    """Motifs of all walls by class of certainty, and by the three groups of classes; None without a layout."""
    if result.layout is None:
        return None
    counts = words.certainty(result)
    groups = [sum(n for name, n in counts.items() if words.kind_of(name) == kind) for kind in range(len(words.KINDS))]
    return {"n_by_class": counts, "n_by_group": dict(zip(words.KINDS, groups, strict=True))}


def walls_results(result: StudyResult) -> list[dict[str, Any]]:
    """Every wall with its ranked alternatives and what to expect of its marks."""
    if result.layout is None:
        return []
    settings = {one.name: one for one in result.setting.walls} if result.setting is not None else {}
    return [
        _wall(wall, settings.get(wall.name), [one for one in result.layout.alternatives if one.wall == wall.name])
        for wall in result.layout.walls
    ]


def room_results(result: StudyResult) -> dict[str, Any] | None:
    """Corners, choices and certainty of all walls together; None without a layout."""
    layout = result.layout
    if layout is None:
        return None
    angles = ("row_step_arcsec", "column_step_arcsec")
    return {
        "joins": [vars(join) | fields_of(join, *angles) for join in layout.joins],
        "choices": [vars(decision) for decision in layout.decisions],
        "scatter_seed": layout.scatter_seed,
        "uncertainty": layout.uncertainty,
    }


def _wall(wall: WallLayout, setting: WallSetting | None, alternatives: Sequence[Alternative]) -> dict[str, Any]:
    return {
        "name": wall.name,
        "n_motifs": wall.n_motifs,
        "n_by_form": dict(Counter(wall.form)),
        "n_by_position_class": dict(Counter(wall.position_class)),
        "spacing_mm": [wall.across_mm, wall.down_mm],
        "offset_ratio": wall.offset_ratio,
        "origin_mm": wall.origin_mm,
        "strain_ratio": wall.strain_ratio,
        "on_axis": wall.on_axis,
        **fields_of(wall, "follow", "follow_difference_mm", "follow_worst_mm", "stretch_ratio", "change_ratio"),
        "n_eased": len(wall.eased),
        "uncertainty": dict(wall.uncertainty),
        "passes": [vars(one) | {"within": one.within} for one in wall.passes],
        "max_edge_gap_ratio": wall.max_edge_gap_ratio,
        "dropped": [{"i": i, "j": j, "xy_mm": xy, "reason": reason} for i, j, xy, reason in wall.dropped],
        "cost_terms": dict(wall.cost_terms),
        "alternatives": [_alternative(one) for one in alternatives],
        "setting_out": None if setting is None else _setting(setting),
    }


def _alternative(one: Alternative) -> dict[str, Any]:
    names = ("name", "n_motifs", "across_mm", "down_mm", "on_axis", "cost", "chosen", "why")
    more = ("follow", "within_evidence", "n_eased", "n_dropped", "stretch_ratio", "change_ratio")
    return fields_of(one, *names, *more) | {"terms": dict(one.terms)}


def _setting(setting: WallSetting) -> dict[str, Any]:
    forecast = setting.forecast
    words_of_it = getattr(forecast, "words", "")
    return {"datum": setting.datum, "forecast": forecast, "words": words_of_it}


def works_results(result: StudyResult) -> dict[str, Any] | None:
    """Leaf, labour, costs and what they assume; None when neither was reached."""
    if result.takeoff is None and result.works is None:
        return None
    found: dict[str, Any] = {"leaf": None, "labour_h": None, "cost": None, "cautions": []}
    if result.takeoff is not None:
        names = ("n_motifs", "metal", "leaf_mm", "leaves_per_book", "margin_mm", "n_leaves_cut")
        more = ("n_leaves_spoilt", "n_leaves_reserve", "n_leaves", "n_books", "n_leaves_by_area")
        steps = ("margin_steps", "scale_steps", "forms", "metals", "assumptions", "metal_area_m2")
        extra = ("parting", "scrap_area_m2", "shadow_area_m2", "next_step", "format_source")
        found["leaf"] = fields_of(result.takeoff, *names, *more, *steps, *extra)
    plan = result.works
    if plan is not None:
        found["labour_h"] = fields_of(plan.labour_h, "p05", "p50", "p95") | {"basis": plan.basis}
        found["days"] = fields_of(plan.days, "p05", "p50", "p95") | {
            "crew": plan.crew,
            "hours": plan.hours_per_day,
        }
        total = None if plan.known_total is None else fields_of(plan.known_total, "p05", "p50", "p95")
        found["cost"] = {"currency": plan.currency, "known_lines_total": total, "complete": not plan.gaps}
        found["cost"] |= {"gaps": plan.gaps, "lines": plan.costs, "contingency": plan.contingency}
        drivers = plan.known_total.drivers if plan.known_total is not None else ()
        found["cost"] |= {"drivers": [{"input": name, "share": share} for name, share in drivers]}
        found |= {"materials": plan.materials, "programme": plan.programme, "batches": plan.batches}
        found["over_years"] = {"metals": plan.metals, "flips": plan.flips}
        found["assumptions"] = plan.assumptions
        found["cautions"] = plan.cautions
    return found
