"""The repeat as it becomes when the centres of one photograph are reviewed, without measuring anything again."""

from __future__ import annotations

from dataclasses import dataclass

from fragkit.lattice import (
    Lattice,
    Pooled,
    PooledStep,
    RowFit,
    fit_lattice,
    fit_row,
    merge_centres,
    pool_steps,
    stand_in_one_row,
)
from fragkit.motifs import Centres
from fragkit.study.proposal import pool_fragments
from fragkit.study.results import StudyResult
from fragkit.study.shared import shared_covariance_mm2


@dataclass(frozen=True, eq=False, kw_only=True)
class Refitted:
    """The net or row of one fragment, and the repeat or, where there are only rows, the step of the study."""

    fit: Lattice | RowFit
    repeat: Pooled | PooledStep


def refit(result: StudyResult, photo: str, centres: Centres) -> Refitted:
    """The net of the photograph's fragment and the repeat of the study, with `centres` in place of its own.

    Parameters
    ----------
    result : StudyResult
    photo : str
    centres : Centres

    Raises
    ------
    EstimationError
        The centres that are left cannot carry a net or a row.
    """
    survey = result.survey
    fragment = next(entry.fragment for entry in survey.photos if entry.name == photo)
    names = [entry.name for entry in survey.photos if entry.fragment == fragment and entry.name in result.centres]
    own = {name: centres if name == photo else result.centres[name] for name in names}
    merged = merge_centres(list(own.values()))
    shared = shared_covariance_mm2(merged, [(result.rectified[name], own[name]) for name in names])
    lattices = {name: fit for name, fit in result.lattices.items() if name != fragment}
    rows = {name: fit for name, fit in result.rows.items() if name != fragment}
    fit: Lattice | RowFit
    if stand_in_one_row(merged):
        fit = rows[fragment] = fit_row(merged, plane_covariance=shared)
    else:
        fit = lattices[fragment] = fit_lattice(merged, plane_covariance=shared)
    if lattices:
        repeat: Pooled | PooledStep = pool_fragments(survey, lattices, rows)
    else:
        repeat = pool_steps(list(rows.values()), between_sd_ratio=survey.between_sd_ratio)
    return Refitted(fit=fit, repeat=repeat)
