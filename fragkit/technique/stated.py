"""Priors and signs as the study states them under `[technique]`."""

from __future__ import annotations

from fragkit.survey import TechniqueEntry
from fragkit.technique.on_the_spot import Marks, measure_priors
from fragkit.technique.priors import ASSUMED, OutlineSpread, Priors
from fragkit.technique.signs import Sign


def stated_priors(entry: TechniqueEntry) -> Priors:
    """Priors with what the study states, and with scatters measured on the spot when it holds marks."""
    default = Priors()
    changed = bool(entry.placing or entry.forming or entry.scatter_mm or entry.outline_spread_mm)
    priors = Priors(
        placing=entry.placing or default.placing,
        forming=entry.forming or default.forming,
        scatter_mm=entry.scatter_mm,
        outlines={
            name: OutlineSpread(own_mm=median, size_ratio=0.0, log_sd=log_sd)
            for name, (median, log_sd) in entry.outline_spread_mm.items()
        },
        source=entry.reason or ("stated in the study" if changed else ASSUMED),
    )
    if not entry.marks:
        return priors
    marks = [
        Marks(
            method=one.method,
            person=one.person,
            index=one.index,
            xy_mm=one.xy_mm,
            sd_mm=one.sd_mm,
            group=one.group,
        )
        for one in entry.marks
    ]
    return measure_priors(marks, assumed=priors)


def stated_signs(entry: TechniqueEntry) -> tuple[Sign, ...]:
    """What the eye saw, with its weight."""
    return tuple(Sign(what=sign.what, odds=sign.odds, favours=sign.favours, reason=sign.reason) for sign in entry.signs)
