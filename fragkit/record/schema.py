"""The published JSON Schema of `results.json`, and what an earlier version of it becomes today."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np

SCHEMA_VERSION = 2

SINCE_2 = (
    "The record was written by an earlier fragkit: it has no evidence register, no ranked alternatives, no forecast "
    "of the marks and no list of methods, and these are absent here."
)


_KINDS: Mapping[str, Any] = MappingProxyType(
    {"object": Mapping, "array": list, "string": str, "number": (int, float), "null": type(None)}
)


def schema_text() -> str:
    """JSON Schema (draft 2020-12) of `results.json`."""
    return files("fragkit.record").joinpath("results.schema.json").read_text(encoding="utf-8")


def fault_in(results: Any) -> str | None:
    """The first place at which results have not the form that the schema asks for; None when all have it.

    Notes
    -----
    Kinds, names and lengths are judged, not values or names beyond those that the schema knows.
    """
    schema = json.loads(schema_text())
    return next(_faults(results, schema, schema["$defs"], "results"), None)


def _faults(value: Any, schema: Mapping[str, Any] | bool, named: Mapping[str, Any], at: str) -> Iterator[str]:
    if isinstance(schema, bool):
        yield from () if schema else (f"{at} should not be there",)
        return
    form: Mapping[str, Any] = named[schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema
    kinds = form.get("type", ())
    kinds = (kinds,) if isinstance(kinds, str) else kinds
    allowed = form.get("enum", [form["const"]] if "const" in form else [value])
    choices = form.get("anyOf", form.get("oneOf", ()))
    if kinds and not any(_is_kind(value, kind) for kind in kinds):
        yield f"{at} is no {' or '.join(kinds)}"
    elif value not in allowed or (choices and all(any(_faults(value, one, named, at)) for one in choices)):
        yield f"{at} has none of the forms that it may have"
    elif isinstance(value, Mapping):
        yield from _faults_of_object(value, form, named, at)
    elif isinstance(value, list):
        if not form.get("minItems", 0) <= len(value) <= form.get("maxItems", len(value)):
            yield f"{at} is of the wrong length"
        own = [*form.get("prefixItems", ()), *[form.get("items", True)] * len(value)]
        for number, (item, one) in enumerate(zip(value, own, strict=False)):
            yield from _faults(item, one, named, f"{at}[{number}]")


def _faults_of_object(
    value: Mapping[str, Any], schema: Mapping[str, Any], named: Mapping[str, Any], at: str
) -> Iterator[str]:
    known, others = schema.get("properties", {}), schema.get("additionalProperties", {})
    for name in schema.get("required", ()):
        if name not in value:
            yield f"{at} has no {name!r}"
    for name, item in value.items():
        form = known.get(name, others is False or others)
        yield from _faults(item, form, named, f"{at}.{name}")


def _is_kind(value: Any, kind: str) -> bool:
    if isinstance(value, bool) or kind == "boolean":
        return isinstance(value, bool) and kind == "boolean"
    if kind == "integer":
        return isinstance(value, int) or (isinstance(value, float) and value.is_integer())
    return isinstance(value, _KINDS[kind])


def upgraded(results: Mapping[str, Any]) -> dict[str, Any]:
    """Results of schema version 1 in the form of version 2; what that version did not hold is null or empty."""
    found = dict(results)
    found |= {"schema_version": SCHEMA_VERSION, "certainty": None, "methods": [], "sources": []}
    found |= {"evidence": {"classes": {}, "claims": []}}
    found["decisions_without_evidence"] = [
        f"{one['what']}: {one['choice']}" for one in found["decisions"] if not one["evidence"]
    ]
    found["photos"] = [_photo(photo) for photo in found["photos"]]
    found["fragments"] = [_fragment(fragment) for fragment in found["fragments"]]
    found["walls"] = [wall | {"alternatives": [], "setting_out": None} for wall in found["walls"]]
    if found["works"] is not None:
        found["works"] = found["works"] | {"cautions": []}
    return found


def times_from_first(log10_factors: Mapping[str, float]) -> dict[str, float]:
    """How many times better or worse the evidence fits than the first, held within what a number can carry."""
    return {name: 10.0 ** min(abs(power), 300.0) for name, power in log10_factors.items()}


def _photo(photo: Mapping[str, Any]) -> dict[str, Any]:
    rectify, nets = photo["rectify"], photo["nets"]
    if nets is not None:
        lengths = [[float(np.hypot(*net[side])) for side in ("a_mm", "b_mm")] for net in nets["candidates"]]
        pairs = zip(nets["candidates"], lengths, strict=True)
        nets = {**nets, "candidates": [{**net, "lengths_mm": pair} for net, pair in pairs]}
    rectify = None if rectify is None else {**rectify, "size_mm": None}
    return {**photo, "file": None, "rectify": rectify, "nets": nets}


def _fragment(fragment: Mapping[str, Any]) -> dict[str, Any]:
    lattice, technique = fragment["lattice"], fragment["technique"]
    if lattice is not None:
        lengths = {f"{name}_length_mm": _length(lattice, name, 2 * k) for k, name in enumerate("ab")}
        lattice = {**lattice, **lengths}
    if technique is not None:
        verdicts = {name: technique[name] for name in ("placing", "forming")}
        factors = {name: times_from_first(verdict["log10_bayes_factors"]) for name, verdict in verdicts.items()}
        technique = technique | {name: {**verdicts[name], "times_from_first": factors[name]} for name in verdicts}
    return {**fragment, "lattice": lattice, "technique": technique}


def _length(lattice: Mapping[str, Any], name: str, row: int) -> dict[str, float]:
    vector = np.array(lattice[f"{name}_mm"])
    cov = np.array(lattice["cov"])[row : row + 2, row : row + 2]
    length = float(np.hypot(*vector))
    return {"value": length, "sd": float(np.sqrt(vector @ cov @ vector)) / length}
