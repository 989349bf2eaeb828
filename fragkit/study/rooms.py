"""On the walls: layout, setting-out, leaf and works."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fragkit.lattice import Pooled
from fragkit.layout import Layout, PlacedCentres, lay_out
from fragkit.motifs import Centres, Motif
from fragkit.setting_out import SettingOut, set_out
from fragkit.study.bench import Bench, Made
from fragkit.study.fragments import Measured
from fragkit.study.placed import place_centres
from fragkit.survey import Survey
from fragkit.survey.entries import FloatArray
from fragkit.works import TakeOff, WorksPlan, plan_works, take_off

N_STEPS = 4
_WORKS_STREAM = 12


@dataclass(frozen=True, eq=False, kw_only=True)
class OnTheWalls:
    """What follows for the walls; None where there is none."""

    placed: tuple[PlacedCentres, ...] = ()
    layout: Made[Layout] | None = None
    setting: Made[SettingOut] | None = None
    takeoff: Made[TakeOff] | None = None
    works: Made[WorksPlan] | None = None


def go_to_the_walls(bench: Bench, survey: Survey, pooled: Made[Pooled] | None, measured: Measured) -> OnTheWalls:
    """Layout, setting-out, leaf and works; nothing of it in a study without walls."""
    placed = _place_all(survey, measured.merged)
    if not survey.walls:
        return OnTheWalls(placed=placed)
    layout = _make_layout(bench, survey, (pooled, measured.motif), placed)
    if layout is None:
        return OnTheWalls(placed=placed)
    takeoff = _make_takeoff(bench, survey, measured.motif, layout)
    return OnTheWalls(
        placed=placed,
        layout=layout,
        setting=_make_setting(bench, survey, layout),
        takeoff=takeoff,
        works=_make_works(bench, survey, layout, takeoff),
    )


def _place_all(survey: Survey, merged: Mapping[str, Made[Centres]]) -> tuple[PlacedCentres, ...]:
    placed = []
    for fragment in survey.fragments:
        if fragment.name in merged and fragment.wall is not None and fragment.origin_mm is not None:
            centres = merged[fragment.name].value
            placed.append(
                place_centres(
                    fragment,
                    index=centres.index,
                    xy_mm=centres.xy_mm,
                    own_sd_mm=_sd_mm(centres),
                    status=tuple(centres.status),
                )
            )
    return tuple(placed)


def _sd_mm(centres: Centres) -> FloatArray:
    variance = np.trace(np.asarray(centres.cov_mm2, float), axis1=1, axis2=2) / 2.0
    return np.asarray(np.sqrt(variance))


def _make_layout(
    bench: Bench,
    survey: Survey,
    known: tuple[Made[Pooled] | None, Made[Motif] | None],
    placed: tuple[PlacedCentres, ...],
) -> Made[Layout] | None:
    pooled, motif = known
    if pooled is None or motif is None:
        missing = "repeat" if pooled is None else "motif"
        bench.skip("layout", "study", f"the {missing} is not known.", f"See what stopped the {missing}.")
        return None

    def compute() -> Layout:
        return lay_out(survey.walls, pooled.value, motif.value, fragments=placed, options=survey.layout)

    return bench.make("layout", "study", (survey.walls, pooled, motif, placed, survey.layout), compute)


def _make_setting(bench: Bench, survey: Survey, layout: Made[Layout]) -> Made[SettingOut] | None:
    instruments = survey.works.instruments
    return bench.make(
        "setting-out", "study", (layout, instruments), lambda: set_out(layout.value, instruments=instruments)
    )


def _make_takeoff(
    bench: Bench, survey: Survey, motif: Made[Motif] | None, layout: Made[Layout]
) -> Made[TakeOff] | None:
    if motif is None:
        return None
    return bench.make(
        "leaf",
        "study",
        (layout, motif, survey.works),
        lambda: take_off(layout.value, motif.value, survey.works),
    )


def _make_works(
    bench: Bench, survey: Survey, layout: Made[Layout], takeoff: Made[TakeOff] | None
) -> Made[WorksPlan] | None:
    if takeoff is None:
        bench.skip("works", "study", "the leaf is not counted.", "See what stopped the leaf.")
        return None

    def compute() -> WorksPlan:
        rng = np.random.default_rng([survey.seed, _WORKS_STREAM])
        return plan_works(layout.value, takeoff.value, survey.works, rng=rng)

    return bench.make("works", "study", (layout, takeoff, survey.works, survey.seed), compute)
