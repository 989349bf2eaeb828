"""The repeat as it becomes when the centres of one photograph are reviewed, without measuring anything again."""

from __future__ import annotations

from fragkit.lattice import Lattice, Pooled, fit_lattice, merge_centres, pool
from fragkit.motifs import Centres
from fragkit.study.proposal import adopt_proposal
from fragkit.study.results import StudyResult
from fragkit.study.shared import shared_covariance_mm2


def refit(result: StudyResult, photo: str, centres: Centres) -> tuple[Lattice, Pooled]:
    """The net of the photograph's fragment and the repeat of the study, with `centres` in place of its own.

    Parameters
    ----------
    result : StudyResult
    photo : str
    centres : Centres

    Raises
    ------
    EstimationError
        The centres that are left cannot carry a net.
    """
    survey = result.survey
    fragment = next(entry.fragment for entry in survey.photos if entry.name == photo)
    names = [entry.name for entry in survey.photos if entry.fragment == fragment and entry.name in result.centres]
    own = {name: centres if name == photo else result.centres[name] for name in names}
    merged = merge_centres(list(own.values()))
    planes = [(result.rectified[name], own[name]) for name in names]
    lattice = fit_lattice(merged, plane_covariance=shared_covariance_mm2(merged, planes))
    lattices = {**result.lattices, fragment: lattice}
    used = [entry for entry in survey.fragments if entry.name in lattices]
    pooled = pool(
        [lattices[entry.name] for entry in used],
        turns_deg=[entry.turn_deg for entry in used],
        turn_sds_deg=[entry.turn_sd_deg for entry in used],
        between_sd_ratio=survey.between_sd_ratio,
    )
    return lattice, adopt_proposal(pooled, survey.proposal)
