"""`results.json`: every number of a study that others may rely on."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from fragkit.colour import ImageQuality, judge_photograph
from fragkit.errors import EstimationError
from fragkit.lattice import residual_variogram, round_lengths
from fragkit.record.register import CLASSES, register, without_evidence
from fragkit.record.results_walls import certainty_results, room_results, walls_results, works_results
from fragkit.record.schema import SCHEMA_VERSION, times_from_first
from fragkit.record.sources import METHODS, SOURCES
from fragkit.record.study_result import (
    StudyResult,
    fields_of,
    fits_of,
    fragment_of,
    photo_file,
    skipped_rows,
    techniques,
)

if TYPE_CHECKING:
    from fragkit.lattice import AxisSpacing, Growth, Lattice, Pooled, RoundLength, RowFit
    from fragkit.rectify import Picture

DRIFT = ("kind", "along", "seam", "value", "sd", "unit", "support", "distinguishable", "text")
SPACING = (
    "window_motifs",
    "place",
    "spacing_mm",
    "sd_mm",
    "photograph_sd_mm",
    "n_pairs",
    "picture_place",
    "picture_spacing_mm",
    "picture_sd_mm",
    "photograph_growth_sd",
    "agree",
    "text",
)
CHANGE = ("along", "before", "step_mm", "step_sd_mm", "p", "line_mm", "words")
LENGTH = ("name", "length_mm", "along", "log10_bayes_factor", "p", "words")
VARIOGRAM = ("lag", "semivariance_mm2", "expected_mm2", "sd_mm2", "measured_mm2", "n_pairs", "text")

SPREAD = ("stray_mm", "stray_sd_mm", "shape_mm", "shape_sd_mm", "n", "seen_ratio")
METAL_APPEARANCE = ("lab", "lab_spread", "n_px", "n_patches", "n_pictures", "flag")
COLOUR = (
    "lab",
    "lab_d65",
    "lab_sd",
    "lab_cov",
    "lab_spread",
    "n_px",
    "n_patches",
    "n_pictures",
    "nearest",
    "nearest_interval",
    "nearest_chance",
    "flag",
)


def results_json(result: StudyResult, *, files: Mapping[str, str]) -> str:
    """The text of `results.json`.

    Parameters
    ----------
    files : mapping of str to str
        Every other file of the record and its SHA-256.
    """
    content = plain(results(result) | {"files": dict(sorted(files.items()))})
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def results(result: StudyResult) -> dict[str, Any]:
    """Results as nested mappings; what is absent is None."""
    return {
        "schema_version": SCHEMA_VERSION,
        "study": _study(result),
        "photos": [_photo(result, name) for name in _names(result, "photos")],
        "overlaps": [_overlap(pair, found) for pair, found in result.overlaps.items()],
        "fragments": [_fragment(result, name) for name in _names(result, "fragments")],
        "motif": _motif(result),
        "step": _step(result),
        "proposal": _proposal(result),
        "colours": _colours(result),
        "walls": walls_results(result),
        "room": room_results(result),
        "n_motifs": None if result.layout is None else result.layout.n_motifs,
        "certainty": certainty_results(result),
        "works": works_results(result),
        "evidence": {"classes": CLASSES, "claims": register(result)},
        "decisions": [vars(decision) for decision in result.survey.decisions],
        "decisions_without_evidence": without_evidence(result),
        "notes": [{"about": about, "text": text} for about, text in all_notes(result)],
        "skipped": skipped_rows(result),
        "methods": [{"name": name, "text": text} for name, text in METHODS],
        "sources": SOURCES,
        "provenance": dict(result.provenance),
    }


def plain(value: Any) -> Any:
    """`value` in JSON's own types; a number that is not finite becomes None."""
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(entry) for entry in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    return str(value)


def all_notes(result: StudyResult) -> Iterator[tuple[str, str]]:
    """Every doubt that any room raised, with what it is about, each once."""
    seen: set[tuple[str, str]] = set()
    for about, holder in _holders(result):
        for text in getattr(holder, "notes", ()) or ():
            if (about, text) not in seen:
                seen.add((about, text))
                yield about, text


def _holders(result: StudyResult) -> Iterator[tuple[str, Any]]:
    yield "study", result.survey
    for words, mapping in (
        ("photograph", result.rectified),
        ("net in", result.nets),
        ("motifs in", result.centres),
        ("repeat of", result.lattices),
        ("row of", result.rows),
        ("spacing of", result.spacings),
    ):
        for name, holder in mapping.items():
            yield f"{words} {name}", holder
            best = getattr(holder, "best", None) if words == "net in" else None
            if best is not None:
                yield f"{words} {name}", best
    yield "motif", result.motif
    yield "step", result.step
    yield "repeat", result.pooled
    yield "colour", result.colours
    for name, technique in techniques(result).items():
        yield f"technique {name}".strip(), technique
    yield "layout", result.layout
    for wall in result.layout.walls if result.layout is not None else ():
        yield f"wall {wall.name}", wall
    yield "setting-out", result.setting
    for setting in result.setting.walls if result.setting is not None else ():
        yield f"setting-out of {setting.name}", setting
    yield "leaf", result.takeoff
    yield "works", result.works


def _names(result: StudyResult, kind: str) -> list[str]:
    stated = [entry.name for entry in getattr(result.survey, kind)]
    found = result.rectified if kind == "photos" else fits_of(result)
    return stated + [name for name in found if name not in stated]


def _study(result: StudyResult) -> dict[str, Any]:
    survey = result.survey
    names = ("title", "authors", "date", "regime", "record_level", "seed")
    return {name: getattr(survey, name) for name in names} | {"sources": dict(survey.sources)}


def _chart(tone: Any) -> dict[str, Any] | None:
    """What a colour chart or grey card set, and left over."""
    if tone is None:
        return None
    left = {"mean_delta_e_ab": float(tone.miss.mean()), "max_delta_e_ab": float(tone.miss.max())}
    return {"kind": tone.kind, "n_patches": len(tone.names), "dropped": list(tone.dropped), **left}


def _quality(judged: ImageQuality) -> dict[str, Any]:
    """What a photograph reaches by its own chart, against published classes."""
    graded = [fields_of(one, "name", "words", "value", "classes") for one in judged.graded]
    overall = {
        scheme: None if found is None else {"class": found[0], "held_by": list(found[1])}
        for scheme, found in judged.overall.items()
    }
    return {"graded": graded, "overall": overall} | fields_of(judged, "evenness_percent", "text", "source")


def _overlap(pair: tuple[str, str], found: Any) -> dict[str, Any]:
    """Two photographs of one area compared; null where they share too little."""
    names = ("rms_mm", "allowed_mm", "chance", "agree")
    measured = None if found is None else fields_of(found, *names) | {"n_places": len(found.xy_mm)}
    return {"photos": list(pair), "found": measured}


def _photo(result: StudyResult, name: str) -> dict[str, Any]:
    rectified = result.rectified.get(name)
    photo: dict[str, Any] = {
        "name": name,
        "file": photo_file(result, name),
        "fragment": fragment_of(result, name),
        "rectify": None,
        "nets": None,
    }
    if rectified is not None:
        lens = rectified.lens
        photo["rectify"] = {
            "mm_per_px": rectified.picture.mm_per_px,
            "origin_mm": rectified.picture.origin_mm,
            "size_mm": picture_size_mm(rectified.picture),
            "rms_mm": rectified.rms_mm,
            "loo_rms_mm": rectified.loo_rms_mm,
            "rms_px": rectified.rms_px,
            "sd_mm": rectified.sd_mm,
            "budget_sd_mm": dict(rectified.budget),
            "homography": rectified.homography,
            "k1": lens.k1,
            "k2": lens.k2,
            "f_px": lens.f_px,
            "centre_px": lens.centre_px,
            "n_control": rectified.n_control,
            "lens_source": lens.source,
            "suspects": list(rectified.suspects),
            "chart": _chart(rectified.tone),
        }
        photo["image_quality"] = _quality(judge_photograph(rectified))
    if name in result.nets:
        nets = result.nets[name]
        names = ("a_mm", "b_mm", "support", "explained", "net_type")
        candidates = [
            fields_of(net, *names) | {"lengths_mm": [float(np.hypot(*side)) for side in (net.a_mm, net.b_mm)]}
            for net in nets.candidates
        ]
        photo["nets"] = {"decided": nets.decided, "candidates": candidates}
    if name in result.centres:
        photo["n_by_status"] = dict(Counter(result.centres[name].status))
    return photo


def _fragment(result: StudyResult, name: str) -> dict[str, Any]:
    lattice = result.lattices.get(name)
    weighed = techniques(result)
    technique = weighed.get(name, weighed.get(""))
    fragment: dict[str, Any] = {"name": name, "n_centres": None, "lattice": None, "row": None, "technique": None}
    if name in result.rows:
        fragment |= {"n_centres": result.rows[name].n_centres, "row": _row(result, name)}
    if lattice is not None:
        fragment["n_centres"] = lattice.n_centres
        fragment["lattice"] = {
            "a_mm": lattice.a_mm,
            "b_mm": lattice.b_mm,
            "origin_mm": lattice.origin_mm,
            "cov": lattice.vectors_cov,
            "a_length_mm": length_with_sd(lattice, 0),
            "b_length_mm": length_with_sd(lattice, 1),
            "net_type": lattice.net_type,
            "type_support": dict(lattice.type_support),
            "drift": fields_of(lattice.drift, *DRIFT),
            "spacing": _spacings(result, name),
            "variograms": variograms(lattice),
            "residual_sd_mm": lattice.residual_sd_mm,
        }
    if technique is not None:
        fragment["technique"] = {
            "weighed": "this fragment" if name in weighed else "all fragments together",
            "placing": _verdict(technique.placing),
            "forming": _verdict(technique.forming),
            "n_motifs": technique.n_motifs,
            "calibration": technique.calibration,
            "regular_areas": _areas_of(technique, None if name in weighed else _number(result, name)),
            "changes": [
                fields_of(change, *CHANGE)
                for change in technique.changes
                if name in weighed or change.fragment == _number(result, name)
            ],
            "lengths": [
                fields_of(one, *LENGTH)
                for one in technique.lengths
                if name in weighed or one.fragment == _number(result, name)
            ],
        }
    return fragment


def _row(result: StudyResult, name: str) -> dict[str, Any]:
    """The step of a fragment that shows a single row."""
    row = result.rows[name]
    return fields_of(row, "step_mm", "origin_mm", "residual_sd_mm") | {
        "cov": row.vectors_cov,
        "length_mm": {"value": row.length_mm, "sd": row.length_sd_mm},
        "drift": fields_of(row.drift, *DRIFT),
        "spacing": _spacings(result, name),
        "variograms": variograms(row),
    }


def _spacings(result: StudyResult, name: str) -> dict[str, Any] | None:
    """Local spacing of one fragment along its rows and from row to row; None where it has too few motifs."""
    spacing = result.spacings.get(name)
    return None if spacing is None else {"rows": _axis(spacing.rows), "columns": _axis(spacing.columns)}


def _axis(axis: AxisSpacing | None) -> dict[str, Any] | None:
    if axis is None:
        return None
    growths = ("growth", "picture_growth", "difference")
    return fields_of(axis, *SPACING) | {name: _growth(getattr(axis, name)) for name in growths}


def _growth(growth: Growth | None) -> dict[str, float] | None:
    return None if growth is None else {"value": growth.value, "sd": growth.sd}


def variograms(lattice: Lattice | RowFit) -> dict[str, Any]:
    """The residuals' variogram along rows and columns; None where too few motifs stand in one line."""
    return {along: _variogram(lattice, along) for along in ("rows", "columns")}


def _variogram(lattice: Lattice | RowFit, along: str) -> dict[str, Any] | None:
    try:
        return fields_of(residual_variogram(lattice, along=along), *VARIOGRAM)
    except EstimationError:
        return None


def _number(result: StudyResult, name: str) -> int:
    """Number of a fragment among those with a net; -1 when it has none."""
    names = list(fits_of(result))
    return names.index(name) if name in names else -1


def _areas_of(technique: Any, fragment: int | None) -> list[dict[str, Any]] | None:
    """The suspiciously regular areas of one fragment in its frame; of all that were weighed when it is None."""
    if technique.regular_areas is None:
        return None
    own = [area for area in technique.regular_areas if fragment in (None, area.fragment)]
    return [fields_of(area, "outline_mm", "index", "p", "words") for area in own]


def length_with_sd(lattice: Lattice, which: int) -> dict[str, float]:
    """Length of the first (0) or second (1) net vector and its standard deviation, in mm."""
    vector = (lattice.a_mm, lattice.b_mm)[which]
    cov = lattice.vectors_cov[2 * which : 2 * which + 2, 2 * which : 2 * which + 2]
    length = float(np.hypot(*vector))
    return {"value": length, "sd": float(np.sqrt(vector @ cov @ vector)) / length}


def picture_size_mm(picture: Picture) -> tuple[float, float]:
    """Width and height of a true-scale picture."""
    height, width = picture.coverage.shape
    return width * picture.mm_per_px, height * picture.mm_per_px


def _verdict(verdict: Any) -> dict[str, Any]:
    factors = times_from_first(verdict.log10_bayes_factors)
    names = ("verdict", "log10_bayes_factors", "posterior", "words", "would_settle", "by_kind")
    return fields_of(verdict, *names) | {"times_from_first": factors}


def _motif(result: StudyResult) -> dict[str, Any] | None:
    if result.motif is None:
        return None
    sizes = (
        "width_mm",
        "height_mm",
        "metal_width_mm",
        "metal_height_mm",
        "metal_area_mm2",
        "metal_area_sd_mm2",
    )
    told = fields_of(result.motif, *sizes, "n_examples", "shape_spread_mm", "stance", "weights")
    spread = result.motif.spread
    return told | {"outline_spread": None if spread is None else fields_of(spread, *SPREAD)}


def _step(result: StudyResult) -> dict[str, Any] | None:
    """The step of a frieze, over all fragments."""
    if result.step is None:
        return None
    names = ("step_mm", "sd_mm", "interval_mm", "interval_new_wall", "between_sd_mm", "n_fragments", "n_centres")
    return fields_of(result.step, *names) | {"remarks": list(round_lengths(result.step.interval_mm))}


def _proposal(result: StudyResult) -> dict[str, Any] | None:
    if result.pooled is None:
        return None
    names = ("across_mm", "down_mm", "offset_ratio", "cov", "interval_across_mm", "interval_down_mm")
    more = ("interval_new_wall", "between_sd_mm", "net_type", "n_fragments", "basis", "typed")
    return fields_of(result.pooled, *names, *more) | {"remarks": remarks(result.pooled)}


def remarks(pooled: Pooled) -> dict[str, list[RoundLength]]:
    """Round lengths in historic units that a measured repeat may stand for, along and across the rows."""
    bounds = {"across_mm": pooled.interval_across_mm, "down_mm": pooled.interval_down_mm}
    return {name: [] if name in pooled.typed else list(round_lengths(interval)) for name, interval in bounds.items()}


def _colours(result: StudyResult) -> dict[str, Any] | None:
    one = result.colours
    if one is None:
        return None
    layers = {layer: None if (own := getattr(one, layer)) is None else _colour(own) for layer in ("ground", "shadow")}
    metal = None if one.metal is None else {name: _colour(one.metal)[name] for name in METAL_APPEARANCE}
    laps = [{"photo": name} | fields_of(own, "is_told", "spacings", "leaf_sides", "text") for name, own in one.laps]
    areas = [_area(area) for area in one.areas]
    return layers | {"tone": one.tone, "metal": metal, "areas": areas, "laps": laps}


def _area(area: Any) -> dict[str, Any]:
    """An area kept apart: its colours, and (ΔE00, low, high) from the rest."""
    layers = {layer: None if (own := getattr(area, layer)) is None else _colour(own) for layer in ("ground", "shadow")}
    return fields_of(area, "name", "is_marked", "ground_apart", "shadow_apart", "text") | layers


def _colour(one: Any) -> dict[str, Any]:
    return fields_of(one, *COLOUR) | {"is_told_apart": one.is_told_apart}
