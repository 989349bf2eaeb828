"""The report on technique: how motifs were placed and formed, what is too regular, what begins anew, what is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fragkit.errors import EstimationError
from fragkit.record import plots, words
from fragkit.record.html import Html, bullets, join, paragraph, section, table, tag
from fragkit.record.study_result import StudyResult, fits_of, techniques
from fragkit.technique import compare_areas, find_losses
from fragkit.units import in_percent

LOSS_STREAM, AREA_STREAM = 41, 42
MOST_COMPARED = 5
"""Fragments that are compared with each other, each pair in one line."""


def technique(result: StudyResult) -> Html:
    """Placing and forming, each with its alternatives."""
    weighed = techniques(result)
    if not weighed:
        return section("Technique", paragraph("Technique was not weighed: no net was found."), key="technique")
    parts: list[Html | None] = []
    for name, one in weighed.items():
        whose = f" ({name})" if name else ""
        parts.append(paragraph(f"Weighed on {words.count(one.n_motifs, 'motif')}{whose}. {_tried(one.calibration)}"))
        parts.append(_verdict(f"How the motifs were placed{whose}", one.placing))
        parts.append(_verdict(f"How the motifs were formed{whose}", one.forming))
        parts.append(_regular_areas([name] if name else list(fits_of(result)), one))
        parts.append(_changes([name] if name else list(fits_of(result)), one))
        parts.append(_lengths([name] if name else list(fits_of(result)), one))
        if one.regular_areas or one.changes:
            parts.append(plots.regular_areas(result, name))
        parts.append(plots.technique(result, name))
    return section("Technique", *parts, _areas(result), _losses(result), key="technique")


def _regular_areas(names: Sequence[str], technique: Any) -> Html | None:
    """Where the motifs are more regular than the hand of their fragment allows."""
    if technique.regular_areas is None:
        return None
    title = tag("h3", "Suspiciously regular areas")
    if not technique.regular_areas:
        text = "No area of any fragment is more regular than the rest of it (at most one false area in twenty)."
        return join(title, paragraph(text))
    found = [f"{names[area.fragment]}, {_where(area)}: {area.words}" for area in technique.regular_areas]
    return join(title, bullets(found))


def _changes(names: Sequence[str], technique: Any) -> Html:
    """Lines at which a new day, plate or strip may begin."""
    title = tag("h3", "Where something new begins")
    if not technique.changes:
        text = "In no fragment does the net step aside by more than its hand does (at most one false line in twenty)."
        return join(title, paragraph(text))
    found = [f"{names[change.fragment]}: {change.words}" for change in technique.changes]
    text = "A new day, another plate or strip, or a later join may begin there: look for a seam, an overlap or a ridge."
    return join(title, bullets(found), paragraph(text))


def _lengths(names: Sequence[str], technique: Any) -> Html:
    """Lengths of blocks, sheets, rollers and rolls at which the motifs jump."""
    title = tag("h3", "Jumps at lengths known from the trade")
    looked = (
        "The known lengths of blocks, sheets, rollers and rolls were looked for in fragments longer than one of them"
    )
    if not technique.lengths:
        return join(title, paragraph(f"{looked}: none is a candidate (at most one false alarm in twenty fragments)."))
    found = [f"{names[one.fragment]}: {one.words}" for one in technique.lengths]
    text = f"{looked}. These are candidates, no more: near lengths look alike, so look for seams at such a distance."
    return join(title, bullets(found), paragraph(text))


def _areas(result: StudyResult) -> Html | None:
    """What tells the fragments apart: another hand, another plate."""
    names = list(result.lattices)[:MOST_COMPARED]
    found = []
    for k, first in enumerate(names):
        for second in names[k + 1 :]:
            rng = np.random.default_rng([result.survey.seed, AREA_STREAM])
            one = compare_areas(result.lattices[first], result.lattices[second], rng=rng)
            found.append([f"{first} and {second}", in_percent(one.p_repeat), in_percent(one.p_scatter), one.words])
    if not found:
        return None
    caption = (
        "Chance of so large a difference between two fragments if both are of one hand, by their repeat and by how far "
        "their motifs stray. Outlines are compared in notebook 4."
    )
    head = ["Fragments", "Repeat", "Scatter", "Finding"]
    return join(tag("h3", "Are the fragments of one hand?"), table(head, found, caption=caption, numbers=(1, 2)))


def _losses(result: StudyResult) -> Html | None:
    """Whether what is lost or damaged lies together in one place."""
    found = []
    for name, centres in result.centres.items():
        try:
            losses = find_losses(centres, rng=np.random.default_rng([result.survey.seed, LOSS_STREAM]))
        except EstimationError:
            continue
        found.append(f"{name}: {losses.words}")
    if not found:
        return None
    text = (
        "Counted are motifs well inside each picture's fragment: a loss is one not preserved for the greater "
        "part. Losses that lie together have one cause there: damp, a leak, a hand or a chair at one height."
    )
    return join(tag("h3", "Do the losses lie together?"), bullets(found), paragraph(text))


def _where(area: Any) -> str:
    (x0, y0), (x1, y1) = area.outline_mm.min(axis=0), area.outline_mm.max(axis=0)
    return f"x {x0:.0f} to {x1:.0f} mm, y {y0:.0f} to {y1:.0f} mm of its own frame"


def _tried(calibration: Mapping[str, float]) -> str:
    """How the weighing fared on simulated fragments, in a sentence."""
    names = ("n_sets", "right_ratio", "wrong_firm_ratio")
    if not all(name in calibration for name in names):
        return ""
    n_sets, right, wrong = (calibration[name] for name in names)
    return (
        f"Tried on {n_sets:.0f} walls simulated on these very sites, placing was named rightly in "
        f"{in_percent(right, n_tried=n_sets)} and firmly but wrongly in {in_percent(wrong, n_tried=n_sets)}."
    )


def _verdict(title: str, verdict: Any) -> Html:
    told = verdict.verdict != words.CANNOT_TELL
    answer = tag("strong", words.sentence(verdict.verdict if told else "It cannot be told from this evidence"))
    kinds = {kind: logs for kind, logs in verdict.by_kind.items() if any(logs.values())}
    shown = (
        {**kinds, "all evidence": verdict.log10_bayes_factors}
        if len(kinds) > 1
        else {"evidence": verdict.log10_bayes_factors}
    )
    rows = [
        [name, in_percent(weight), *(_factor(logs.get(name)) for logs in shown.values())]
        for name, weight in sorted(verdict.posterior.items(), key=lambda pair: -pair[1])
    ]
    caption = (
        "How probable each is, with what is assumed beforehand (see the notes), and how many times better or "
        f"worse the evidence fits it than “{next(iter(verdict.log10_bayes_factors), '')}”."
    )
    head = ["Alternative", "Probability", *(words.sentence(kind).rstrip(".") for kind in shown)]
    alternatives = table(head, rows, caption=caption, numbers=tuple(range(1, len(head)))) if rows else None
    settle = None
    if verdict.would_settle:
        label = "What would make it firmer: " if told else "What would settle it: "
        settle = paragraph(tag("em", label), words.sentence(verdict.would_settle))
    said = paragraph(words.sentence(verdict.words)) if verdict.words else None
    return join(tag("h3", title), paragraph(answer), said, alternatives, settle)


def _factor(log10_factor: float | None) -> str:
    if log10_factor is None:
        return ""
    if abs(log10_factor) < 0.05:
        return "as good"
    size = 10 ** min(abs(log10_factor), 9.0)
    how_many = words.two_digits(size) if size < 1000 else "over 1,000"
    return f"{how_many} × {'better' if log10_factor > 0 else 'worse'}"
