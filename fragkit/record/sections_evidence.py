"""The report on the evidence: first page, photographs, repeat, technique, motif."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fragkit.colour import judge_photograph
from fragkit.colour.quality import SHADING_WORDS
from fragkit.lattice import round_lengths
from fragkit.motifs import join_pictures
from fragkit.record import plots, words
from fragkit.record.drawings import motif_svg, spread_words, stance_words
from fragkit.record.figures import certainty_bar
from fragkit.record.html import Html, aside, bullets, facts, figure, join, paragraph, section, table, tag
from fragkit.record.pictures import thumbnail_bytes
from fragkit.record.results import remarks, variograms
from fragkit.record.study_result import StudyResult, fits_of, fragment_of
from fragkit.units import counted, interval, with_sd

_MANY_PHOTOGRAPHS = 8
"""From here on photographs are shown smaller, so that the report can still be mailed."""

MEASURE_MORE = {
    "control and picking": "more control points, better spread, would help most",
    "lens": "photographs of a chessboard with the same lens and focus would help most",
    "relief": "a flatter area, or a camera further away, would help most",
}


def first_page(result: StudyResult) -> Html:
    """What is known, what is guessed, what to do next."""
    columns = (
        ("What is known", "known", words.known(result), "Nothing yet."),
        ("What is guessed", "guess", words.guessed(result), "Nothing."),
        ("What to do next", "next", words.next_steps(result), "Nothing is open."),
    )
    blocks = [
        tag("div", tag("h3", title), bullets(items, empty=empty), class_=look) for title, look, items, empty in columns
    ]
    counts = words.certainty(result)
    bar = certainty_bar(counts, {name: words.kind_of(name) for name in counts}) if sum(counts.values()) else None
    left_out = words.not_done(result)
    skipped = None
    if left_out:
        skipped = aside(tag("strong", "Not done, and why"), bullets(left_out), kind="warning")
    return join(
        tag("div", *blocks, class_="three"),
        tag("h3", "How certain the place of each motif is") if bar else None,
        bar,
        skipped,
    )


def photographs(result: StudyResult) -> Html:
    """Each photograph and how good it is."""
    if not result.rectified:
        text = "No photograph was rectified; centres measured by tape or tracing stand in where there are any."
        return section("Photographs", paragraph(text), key="photographs")
    rows = []
    for name, one in result.rectified.items():
        n_found = int(result.centres[name].found.sum()) if name in result.centres else 0
        left_out = "too few points" if one.loo_rms_mm is None else f"{one.loo_rms_mm:.2f}"
        errors = [f"{one.rms_mm:.2f}", left_out, f"{one.sd_mm:.2f}"]
        rows.append([name, fragment_of(result, name), f"{one.n_control}", *errors, f"{n_found}"])
    head = [
        "Photograph",
        "Fragment",
        "Control points",
        "Misfit, mm",
        "Left out, mm",
        "Point ±, mm",
        "Motifs found",
    ]
    caption = (
        "How good each photograph is. Misfit: how far control points lie from their places (rms). Left out: "
        "the same with each point predicted from the others. Point ±: one standard deviation of a point on "
        "the wall."
    )
    figures = [_photograph(result, name, one) for name, one in result.rectified.items()]
    return section(
        "Photographs, and how good each one is",
        table(head, rows, caption=caption, numbers=(2, 3, 4, 5, 6)),
        bullets([*map(_overlap, result.overlaps, result.overlaps.values()), *_tones(result)]),
        *_qualities(result),
        *figures,
        *_joined(result),
        key="photographs",
    )


def _photograph(result: StudyResult, name: str, rectified: Any) -> Html:
    picture = rectified.picture
    height, width = picture.coverage.shape
    size = f"{width * picture.mm_per_px:.0f} × {height * picture.mm_per_px:.0f} mm"
    image = figure(
        thumbnail_bytes(picture, longest_px=900 if len(result.rectified) <= _MANY_PHOTOGRAPHS else 600),
        kind="image/jpeg",
        alt=f"Photograph {name} brought to true scale, {size}; grey where it shows nothing of the wall.",
        caption=f"{name} at true scale, {size}. {budget_words(rectified)}",
    )
    return join(tag("h3", name), image, plots.photograph(result, name))


def _joined(result: StudyResult) -> list[Html]:
    """Each fragment that several photographs show, as one picture; where the motif is known."""
    shown: dict[str, list[str]] = {}
    for name in result.rectified:
        if name in result.centres:
            shown.setdefault(fragment_of(result, name), []).append(name)
    many = {fragment: names for fragment, names in shown.items() if len(names) > 1 and _of_one_depth(result, names)}
    if result.motif is None:
        return []
    reach_mm = 0.6 * max(result.motif.width_mm, result.motif.height_mm)
    return [_mosaic(result, *entry, reach_mm=reach_mm) for entry in many.items()]


def _of_one_depth(result: StudyResult, names: list[str]) -> bool:
    return len({result.rectified[name].picture.pixels.dtype for name in names}) == 1


def _mosaic(result: StudyResult, fragment: str, names: list[str], *, reach_mm: float) -> Html:
    pictures = [result.rectified[name].picture for name in names]
    places = np.concatenate([result.centres[name].xy_mm[result.centres[name].found] for name in names])
    whole = join_pictures(pictures, motifs_mm=places, radius_mm=reach_mm, longest_px=1200)
    words = f"{counted(len(names), 'photograph')} of fragment {fragment} joined"
    return figure(
        thumbnail_bytes(whole, longest_px=900),
        kind="image/jpeg",
        alt=f"{words} to one true-scale picture.",
        caption=f"{words}; each motif is taken whole from the one that shows most of it. "
        "For looking at: measures are taken from the photographs one by one.",
    )


def _overlap(pair: tuple[str, str], found: Any) -> str:
    """Two photographs of one area against each other, in a sentence."""
    both = " and ".join(pair)
    if found is None:
        return f"{both} share too little to be compared."
    apart = f"{both} show the same places {found.rms_mm:.2f} mm apart (rms per coordinate)"
    verdict = "they agree" if found.agree else "they do not agree: measure the control of both again"
    return f"{apart}; their stated errors allow {found.allowed_mm:.2f} mm, so {verdict}."


def _tones(result: StudyResult) -> list[str]:
    """How the colours of each photograph were set, in a sentence each."""
    return [
        f"{name}: colours set by {counted(len(one.tone.names), 'patch', 'patches')} of the {one.tone.kind} chart; "
        f"they still differ from it by {one.tone.miss.mean():.1f} on average (ΔE*ab)."
        for name, one in result.rectified.items()
        if one.tone is not None
    ]


def _qualities(result: StudyResult) -> list[Html]:
    """Image quality by the charts, beside the published classes, and what it comes to for each photograph."""
    judged = {name: judge_photograph(one) for name, one in result.rectified.items()}
    told = [one for one in judged.values() if any(one.overall.values())]
    texts = dict.fromkeys(one.text for one in judged.values())
    alike = [[name for name, one in judged.items() if one.text == text] for text in texts]
    verdicts = bullets([f"{', '.join(names)}: {text}" for names, text in zip(alike, texts, strict=True)])
    if not told:
        return [tag("h3", "Image quality"), verdicts]
    rows = [_graded_row([one.graded[k] for one in told]) for k in range(len(told[0].graded))]
    light = [one.evenness_percent for one in told if one.evenness_percent is not None]
    rows.append([SHADING_WORDS, _from_to(light, 0), *["no class given"] * len(told[0].overall)])
    caption = (
        "By the chart in each picture, after correction, every patch judged without its own help; from the best to "
        f"the worst photograph, and the class that the worst reaches. Source: {told[0].source}"
    )
    head = ["What is judged", "Found", *told[0].overall]
    return [tag("h3", "Image quality"), table(head, rows, caption=caption, numbers=(1,)), verdicts]


def _graded_row(alike: list[Any]) -> list[str]:
    """One quantity over all photographs: its range, and the classes of the worst."""
    known = sorted((one for one in alike if one.value is not None), key=lambda one: one.value)
    if not known:
        return [alike[0].words, "cannot be told", *["–"] * len(alike[0].classes)]
    worst = known[0] if known[0].name == "resolution" else known[-1]
    values = [one.value for one in known]
    return [worst.words, _from_to(values, worst.decimals), *(own or "–" for own in worst.classes.values())]


def _from_to(values: Sequence[float], decimals: int) -> str:
    if not values:
        return "cannot be told"
    low, high = f"{min(values):.{decimals}f}", f"{max(values):.{decimals}f}"
    return low if low == high else f"{low} to {high}"


def budget_words(rectified: Any) -> str:
    """The error budget of a photograph in one or two sentences."""
    parts = ", ".join(f"{part} {sd:.2f} mm" for part, sd in rectified.budget.items())
    largest = max(rectified.budget, key=lambda part: rectified.budget[part])
    remedy = MEASURE_MORE.get(largest, f"the largest part is {largest}")
    whole = f"A point in it is good to about ±{rectified.sd_mm:.1f} mm (one standard deviation)"
    return f"{whole}: {parts}. To do better, {remedy}."


def repeat(result: StudyResult) -> Html:
    """The net and the repeat, fragment by fragment and pooled."""
    parts: list[Html | None] = []
    if result.step is not None:
        parts += [_step(result.step), _band(result.pooled)]
    elif result.pooled is not None:
        parts.append(_pooled(result.pooled))
    if result.rows:
        parts.append(_rows(result))
    if result.lattices:
        parts += [_lattices(result), plots.repeats(result)]
    parts += [_undecided(name, nets) for name, nets in result.nets.items() if not nets.decided]
    for name in fits_of(result):
        parts += [plots.fragment(result, name), plots.spacings(result, name), _hangs_together(result, name)]
    if not parts:
        parts = [paragraph("No net was found. The evidence does not carry a repeat, and none is proposed.")]
    return section("The net and the repeat", *parts, key="repeat")


def _step(step: Any) -> Html:
    return facts(
        [
            ("From motif to motif", f"{words.best(step.step_mm, step.interval_mm)}, 95 %, mean of all"),
            ("On a wall not yet seen", f"{interval(step.interval_new_wall, 'mm')} (95 %)"),
            ("From", f"{words.count(step.n_fragments, 'fragment')} with a single row"),
            *(("Remark", words.sentence(one.text)) for one in round_lengths(step.interval_mm)),
        ]
    )


def _band(pooled: Any) -> Html:
    """How far apart the rows of a frieze are laid, which no fragment of a single row shows."""
    if pooled is None:
        return paragraph("How far apart rows stand is not in these fragments; nothing is laid out across the row.")
    typed = f" Typed, not measured: rows {pooled.down_mm:g} mm apart, as high as the band that takes one of them."
    return aside(tag("strong", "Decided."), typed, kind="warning")


def _rows(result: StudyResult) -> Html:
    rows = [
        [name, f"{row.n_centres}", with_sd(row.length_mm, row.length_sd_mm, "mm"), f"{row.residual_sd_mm:.2f}"]
        for name, row in result.rows.items()
    ]
    head = ["Fragment", "Motifs", "From motif to motif", "Scatter, mm"]
    caption = (
        "The fragments that show a single row: the step with one standard deviation, and the scatter of the motifs "
        "about even places (one standard deviation per coordinate, error of the picture taken out)."
    )
    drift = [join(tag("strong", f"{name}: "), row.drift.text) for name, row in result.rows.items()]
    return join(table(head, rows, caption=caption, numbers=(1, 3)), bullets(drift))


def _pooled(pooled: Any) -> Html:
    across, down = (interval(pooled.interval_new_wall[name], "mm") for name in ("across_mm", "down_mm"))
    rows = [
        ("Along the row", f"{words.best(pooled.across_mm, pooled.interval_across_mm)}, 95 %, mean of all"),
        ("From row to row", f"{words.best(pooled.down_mm, pooled.interval_down_mm)}, 95 %, mean of all"),
        ("On a wall not yet seen", f"{across} along the row, {down} from row to row (95 %)"),
        ("Each row is moved by", words.offset_words(pooled.offset_ratio)),
        ("Net", pooled.net_type),
        ("From", words.count(pooled.n_fragments, "fragment")),
        *_remarks(pooled),
    ]
    if pooled.typed:
        what = words.sentence(words.typed(pooled))[:-1]
        warning = aside(
            tag("strong", "Typed in by hand."),
            f" {what} is a decision of the study, not a measurement: {pooled.across_mm:.1f} × {pooled.down_mm:.1f} mm.",
            kind="warning",
        )
        return join(warning, facts(rows))
    return facts(rows)


def _remarks(pooled: Any) -> list[tuple[str, str]]:
    """Round lengths in historic units inside the intervals of a measured repeat."""
    found = remarks(pooled)
    return [
        *(("Remark, along the row", words.sentence(one.text)) for one in found["across_mm"]),
        *(("Remark, from row to row", words.sentence(one.text)) for one in found["down_mm"]),
    ]


def _hangs_together(result: StudyResult, name: str) -> Html:
    """What the local spacing and the variograms of one fragment say, in words."""
    spacing = result.spacings.get(name)
    scatter = [one["text"] for one in variograms(fits_of(result)[name]).values() if one is not None]
    spacings = [axis.text for axis in spacing.axes] if spacing else []
    return bullets([words.sentence(text) for text in (*spacings, *scatter)])


def _lattices(result: StudyResult) -> Html:
    rows = []
    for name, lattice in result.lattices.items():
        a_sd, b_sd = _length_sd(lattice, 0), _length_sd(lattice, 1)
        rows.append([name, f"{lattice.n_centres}", a_sd, b_sd, lattice.net_type, f"{lattice.residual_sd_mm:.2f}"])
    head = ["Fragment", "Motifs", "First vector", "Second vector", "Net", "Scatter, mm"]
    caption = (
        "The net of each fragment: lengths of its two shortest vectors with one standard deviation, and the "
        "scatter of the motifs about it (one standard deviation per coordinate, error of the picture taken "
        "out)."
    )
    drift = [
        join(tag("strong", f"{name}: "), lattice.drift.text)
        for name, lattice in result.lattices.items()
        if lattice.drift.text
    ]
    return join(table(head, rows, caption=caption, numbers=(1, 5)), bullets(drift))


def _length_sd(lattice: Any, which: int) -> str:
    vector = lattice.a_mm if which == 0 else lattice.b_mm
    cov = lattice.vectors_cov[2 * which : 2 * which + 2, 2 * which : 2 * which + 2]
    length = float((vector @ vector) ** 0.5)
    return with_sd(length, float((vector @ cov @ vector) ** 0.5) / length, "mm")


def _undecided(name: str, nets: Any) -> Html:
    second = nets.candidates[1] if len(nets.candidates) > 1 else None
    lengths = ""
    if second is not None:
        a, b = ((vector @ vector) ** 0.5 for vector in (second.a_mm, second.b_mm))
        lengths = f" The next best has vectors of {a:.1f} and {b:.1f} mm."
    text = f"In {name} more than one net fits nearly as well; the best is used.{lengths}"
    return aside(tag("strong", "Not decided. "), text, kind="warning")


def motif(result: StudyResult) -> Html:
    """The consensus motif, its size and its support."""
    if result.motif is None:
        text = "No motif was built: too few examples can be seen."
        return section("The motif", paragraph(text), key="motif")
    one = result.motif
    rows = [
        ("Metal", f"{one.metal_width_mm:.1f} × {one.metal_height_mm:.1f} mm"),
        ("Metal and shadow", f"{one.width_mm:.1f} × {one.height_mm:.1f} mm"),
        ("Area of the metal", with_sd(one.metal_area_mm2, one.metal_area_sd_mm2, "mm²")),
        ("Outline varies from copy to copy by", spread_words(one)),
        ("Turn and size from copy to copy", stance_words(one)),
        ("Examples", f"{one.n_examples}"),
    ]
    drawing = figure(
        motif_svg(one).encode("utf-8"),
        kind="image/svg+xml",
        alt=f"Outline of the motif: metal {one.metal_width_mm:.0f} by {one.metal_height_mm:.0f} mm, and its shadow.",
        caption="The consensus: metal over shadow; the cross is the reference point. Where few examples are "
        "seen, the outline is weak: see the support.",
    )
    return section("The motif", facts(rows), drawing, plots.motif(result), key="motif")
