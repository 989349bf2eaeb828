"""Motif centres measured by tape or tracing, in the form that photographs give them."""

from __future__ import annotations

import numpy as np

from fragkit.motifs import Centres
from fragkit.net import Net
from fragkit.net.bases import type_from_shape
from fragkit.net.nets import FRIEZE
from fragkit.study.sites import number_sites
from fragkit.survey import FragmentEntry
from fragkit.survey.entries import FloatArray, IntArray


def centres_by_tape(fragment: FragmentEntry) -> Centres:
    """The measured centres of a fragment that was not photographed: all "seen", with the tape's sd.

    Raises
    ------
    ValueError
        The fragment has no measured centres.
    EstimationError
        The sites are not numbered in the table and cannot be counted.
    """
    if fragment.centres_xy_mm is None or fragment.centres_sd_mm is None:
        raise ValueError(f"Fragment {fragment.name!r} has no measured centres: give centres in the survey.")
    xy, sd = fragment.centres_xy_mm, fragment.centres_sd_mm
    index = number_sites(xy) if fragment.centres_index is None else fragment.centres_index
    a, b, net_type = _net_of(xy, index)
    n = len(xy)
    note = "The centres of this fragment were measured by tape or tracing, not found in a photograph."
    return Centres(
        index=index,
        xy_mm=xy,
        cov_mm2=np.asarray(sd)[:, None, None] ** 2 * np.eye(2),
        score=np.ones(n),
        visible_ratio=np.ones(n),
        status=("seen",) * n,
        net=Net(
            a_mm=a,
            b_mm=b,
            support=1.0,
            explained=1.0,
            evidence=0.0,
            independent_evidence=0.0,
            contrast_evidence=0.0,
            net_type=net_type,
            notes=(note,),
        ),
        notes=(note,),
    )


def _net_of(xy_mm: FloatArray, index: IntArray) -> tuple[FloatArray, FloatArray, str]:
    """Net vectors and type of numbered sites; of a single row the step, and one as long square to it."""
    off = index - index[:1]
    if np.linalg.matrix_rank(off) < 2:
        number = off[:, np.argmax(np.abs(off).sum(axis=0))]
        step = np.polyfit(number, xy_mm, 1)[0]
        return step, np.array([-step[1], step[0]]), FRIEZE
    _, a, b = np.linalg.lstsq(np.column_stack([np.ones(len(index)), index]), xy_mm, rcond=None)[0]
    return a, b, type_from_shape(a, b)
