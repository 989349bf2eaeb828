"""What the fragments say together: the motif, the repeat for a wall, the colours, how it was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

import numpy as np

from fragkit.colour import Colours, measure_colours
from fragkit.lattice import Lattice, LocalSpacing, Pooled, PooledStep, RowFit, pool_steps
from fragkit.motifs import Motif
from fragkit.study.bench import Bench, Made, Step, Underway
from fragkit.study.fragments import Measured
from fragkit.study.labels import areas_in_plane
from fragkit.study.proposal import pool_fragments, repeat_of_frieze
from fragkit.survey import PhotoEntry, Survey
from fragkit.technique import Priors, Technique, reweigh, stated_priors, stated_signs, weigh_technique

T = TypeVar("T")

N_STEPS = 3
_TECHNIQUE_STREAM = 8


@dataclass(frozen=True, eq=False, kw_only=True)
class Decoration:
    """What the fragments say together; None where they say nothing."""

    pooled: Made[Pooled] | None
    step: Made[PooledStep] | None
    colours: Made[Colours] | None
    technique: Made[Technique] | None
    spacings: Mapping[str, Made[LocalSpacing | None]]


def make_repeat(
    bench: Bench, survey: Survey, measured: Measured
) -> tuple[Made[Pooled] | None, Made[PooledStep] | None]:
    """The repeat of all fragments together, and the step of a frieze."""
    step = None if measured.lattices else _make_step(bench, survey, measured.rows)
    return (_repeat_of_frieze(bench, survey, step) if step else _make_pooled(bench, survey, measured)), step


def _shown(survey: Survey, measured: Measured) -> list[PhotoEntry]:
    return [photo for photo in survey.photos if photo.name in measured.centres]


def _make_step(bench: Bench, survey: Survey, rows: Mapping[str, Made[RowFit]]) -> Made[PooledStep] | None:
    """The step of a frieze: of a decoration of which every fragment shows a single row."""
    if not rows:
        return None
    made = list(rows.values())

    def compute() -> PooledStep:
        return pool_steps([row.value for row in made], between_sd_ratio=survey.between_sd_ratio)

    return bench.make("repeat", "study", (made, survey.between_sd_ratio), compute)


def _repeat_of_frieze(bench: Bench, survey: Survey, step: Made[PooledStep]) -> Made[Pooled] | None:
    pooled = repeat_of_frieze(step.value, survey.proposal)
    if pooled is None:
        why = "the fragments show a single row: its step is known, not how far apart rows stand."
        remedy = "To lay a frieze out, state down_mm in [proposal]: the height of its band."
        bench.skip("repeat", "study", why, remedy)
        return None
    return bench.derive((step, survey.proposal), lambda: pooled)


def _make_pooled(bench: Bench, survey: Survey, measured: Measured) -> Made[Pooled] | None:
    lattices = measured.lattices
    if not lattices:
        bench.skip("repeat", "study", "no fragment shows a repeat.", "See what stopped each fragment.")
        return None
    rows = measured.rows

    def compute() -> Pooled:
        return pool_fragments(survey, _values(lattices), _values(rows))

    turns = [(entry.name, entry.turn_deg, entry.turn_sd_deg) for entry in survey.fragments]
    return bench.make("repeat", "study", (lattices, rows, turns, survey.between_sd_ratio, survey.proposal), compute)


def _values(made: Mapping[str, Made[T]]) -> dict[str, T]:
    return {name: one.value for name, one in made.items()}


def make_colours(bench: Bench, survey: Survey, measured: Measured) -> Made[Colours] | None:
    """The colours of the ground and of the painted shadow."""
    motif = measured.motif
    if motif is None:
        bench.skip("colour", "study", "the motif is not known.", "See what stopped the motif.")
        return None
    photos = _shown(survey, measured)
    planes = [measured.rectified[photo.name] for photo in photos]

    def compute() -> Colours:
        return measure_colours(
            [plane.value.picture for plane in planes],
            motif.value.labels,
            paints=survey.paints,
            tones=[plane.value.tone for plane in planes],
            areas=[areas_in_plane(photo.areas, plane.value) for photo, plane in zip(photos, planes, strict=True)],
            names=[photo.name for photo in photos],
        )

    inputs = (planes, motif, survey.paints, [(photo.name, photo.areas) for photo in photos])
    return bench.make("colour", "study", inputs, compute)


def begin_technique(bench: Bench, survey: Survey, measured: Measured) -> Underway[Technique]:
    """How motifs were placed and formed, weighed while other things are done."""
    made: tuple[Made[Lattice] | Made[RowFit], ...] = (*measured.lattices.values(), *measured.rows.values())
    motif = measured.motif
    if not made:
        bench.skip("technique", "study", "no fragment shows a repeat.", "See what stopped each fragment.")
    step = Step("study", (made, motif, survey.seed), partial(_technique, made, motif, survey.seed))
    return bench.begin("technique", [step] if made else [])


def _technique(fits: Sequence[Made[Lattice] | Made[RowFit]], motif: Made[Motif] | None, seed: int) -> Technique:
    return weigh_technique(
        [fit.value for fit in fits],
        motif.value if motif else None,
        rng=np.random.default_rng([seed, _TECHNIQUE_STREAM]),
    )


def end_technique(bench: Bench, survey: Survey, underway: Underway[Technique]) -> Made[Technique] | None:
    """The verdicts, with what the survey states beforehand."""
    weighed = bench.end(underway).get("study")
    priors, signs = stated_priors(survey.technique), stated_signs(survey.technique)
    if weighed is None or (priors.source == Priors().source and not signs):
        return weighed
    return bench.derive((weighed, survey.technique), lambda: reweigh(weighed.value, priors=priors, signs=signs))
