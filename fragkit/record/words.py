"""The first page in words: what is known, what is guessed, what to do next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from fragkit.lattice import Pooled
from fragkit.layout import POSITION_CLASSES
from fragkit.record.study_result import StudyResult, fits_of, skipped_rows, techniques
from fragkit.units import decimals_for, interval

CANNOT_TELL = "cannot be told"

WORTH_REPEATING_MM = 0.5
"""A photograph whose points are worse than this is worth taking again."""

KINDS = ("evidence", "deduced from the evidence", "chosen or by analogy")
"""Three groups of the classes of certainty, two classes each, from evidence to design."""


def kind_of(position_class: str) -> int:
    """Index into `KINDS` of a class of certainty."""
    return POSITION_CLASSES.index(position_class) // 2


def by_class(names: Iterable[str]) -> dict[str, int]:
    """How often each class of certainty occurs, evidence first."""
    counts = Counter(names)
    return {name: counts[name] for name in POSITION_CLASSES if counts[name]}


def certainty(result: StudyResult) -> dict[str, int]:
    """Motifs of the layout by class of certainty of their place, evidence first."""
    walls = result.layout.walls if result.layout is not None else ()
    return by_class(name for wall in walls for name in wall.position_class)


def lead(result: StudyResult) -> str:
    """One or two sentences for somebody who reads nothing else."""
    n_photos, n_fragments = len(result.survey.photos), len(result.survey.fragments)
    begin = f"{count(n_photos, 'photograph')} of {count(n_fragments, 'fragment')}"
    if result.pooled is None and result.step is not None:
        step = f"a single row of motifs {result.step.step_mm:.1f} mm apart"
        return f"{begin} give {step}. How far apart rows stand is not in them, so nothing is laid out."
    if result.pooled is None:
        return f"{begin} do not carry a repeat. This page says how far the evidence reaches and what would help."
    pooled = result.pooled
    repeat = f"motifs {pooled.across_mm:.1f} mm apart in rows {pooled.down_mm:.1f} mm apart"
    if pooled.typed:
        repeat += f" ({typed(pooled)} typed in by hand, not measured)"
    if result.layout is None:
        return f"{begin} give {repeat}. No walls are in the study, so nothing is laid out."
    walls = count(len(result.layout.walls), "wall")
    return f"{begin} give {repeat}; {count(result.layout.n_motifs, 'motif')} are laid out on {walls}."


def typed(pooled: Pooled) -> str:
    """What of the repeat was typed and not measured, in words."""
    names = {"across_mm": "the spacing along the row", "down_mm": "that from row to row", "offset_ratio": "the offset"}
    if len(pooled.typed) == len(names):
        return "the repeat"
    if pooled.typed == ("down_mm",):
        return "how far apart rows stand"
    return " and ".join(names[name] for name in pooled.typed)


def known(result: StudyResult) -> list[str]:
    """What the evidence carries."""
    found = []
    fits = fits_of(result).values()
    n_found = sum(int(fit.n_centres) for fit in fits)
    if n_found:
        fragments = count(len(fits), "fragment")
        found.append(f"{count(n_found, 'surviving motif')} measured on {fragments}.")
    pooled = result.pooled
    if result.step is not None:
        step = best(result.step.step_mm, result.step.interval_mm)
        found.append(f"Motifs stand in a single row, {step} apart (95 %).")
    elif pooled is not None and not pooled.typed:
        across = best(pooled.across_mm, pooled.interval_across_mm)
        down = best(pooled.down_mm, pooled.interval_down_mm)
        found.append(f"Motifs in a row are {across} apart, rows {down} (95 %).")
        found.append(f"Each row is moved by {offset_words(pooled.offset_ratio)} against the one below.")
    if result.motif is not None:
        motif = result.motif
        size = f"{motif.metal_width_mm:.0f} × {motif.metal_height_mm:.0f} mm of metal"
        found.append(f"The motif: {size}, from {count(motif.n_examples, 'example')}.")
    for name, technique in techniques(result).items():
        of = f" of {name}" if name else ""
        if technique.placing.verdict != CANNOT_TELL:
            found.append(f"The motifs{of} were placed {place_words(technique.placing.verdict)}.")
        if technique.forming.verdict != CANNOT_TELL:
            found.append(f"The motifs{of} were formed: {technique.forming.verdict}.")
    n_evidence = sum(n for name, n in certainty(result).items() if kind_of(name) == 0)
    if n_evidence:
        found.append(f"{count(n_evidence, 'motif')} of the layout sit where they were found.")
    return found


def guessed(result: StudyResult) -> list[str]:
    """What rests on choice, assumption or silence of the evidence."""
    found = []
    for name, technique in techniques(result).items():
        of = f" on {name}" if name else ""
        for what, verdict in (("placed", technique.placing), ("formed", technique.forming)):
            if verdict.verdict == CANNOT_TELL:
                found.append(f"How the motifs were {what}{of} cannot be told from this evidence.")
    if result.pooled is not None and result.pooled.typed:
        what = sentence(typed(result.pooled))[:-1]
        found.append(f"{what} was typed in by hand; it is a decision, not a measurement.")
    return found + _guessed_on_walls(result) + _guessed_works(result)


def _guessed_on_walls(result: StudyResult) -> list[str]:
    if result.layout is None:
        return []
    found = []
    counts = certainty(result)
    for kind in (1, 2):
        number = sum(n for name, n in counts.items() if kind_of(name) == kind)
        if number:
            share = percent(number, result.layout.n_motifs)
            found.append(f"The places of {count(number, 'motif')} ({share}) are {KINDS[kind]}.")
    return found


def _guessed_works(result: StudyResult) -> list[str]:
    found = []
    if result.takeoff is not None and result.takeoff.metal is None:
        found.append("The metal of the leaf is not stated.")
    if result.works is not None and result.works.basis == "placeholder":
        low, high = two_digits(result.works.labour_h.p05), two_digits(result.works.labour_h.p95)
        found.append(f"Labour of {low} to {high} hours is a placeholder without a timed trial.")
    if result.works is not None and result.works.gaps:
        found.append(f"The cost has {count(len(result.works.gaps), 'gap')}, so no total can be quoted.")
    return found


def next_steps(result: StudyResult) -> list[str]:
    """What to do next, the most useful first."""
    steps = []
    if not fits_of(result):
        steps.append("Photograph a larger area of one fragment, with at least six well-spread control points.")
    for technique in techniques(result).values():
        for verdict in (technique.placing, technique.forming):
            if verdict.verdict == CANNOT_TELL and verdict.would_settle:
                steps.append(sentence(verdict.would_settle))
    worst = max(result.rectified.items(), key=lambda pair: pair[1].sd_mm, default=None)
    if worst is not None and worst[1].sd_mm > WORTH_REPEATING_MM:
        part = max(worst[1].budget, key=lambda name: worst[1].budget[name])
        steps.append(f"Photograph {worst[0]} again or measure more control: its largest error is {part}.")
    return list(dict.fromkeys(steps + _steps_on_walls(result)))


def _steps_on_walls(result: StudyResult) -> list[str]:
    steps = []
    if result.layout is None and result.pooled is not None:
        steps.append("Measure the walls and add them to the study to lay the motif out.")
    if result.layout is not None:
        steps.append("Agree with the client which of the ranked layouts to follow, and log the decision.")
    if result.takeoff is not None and result.takeoff.metal is None:
        steps.append("Have the metal of a fragment analysed before any leaf is ordered.")
    if result.works is not None and result.works.basis == "placeholder":
        steps.append("Time twenty motifs or more on a trial panel.")
    if result.works is not None and any("no price" in gap for gap in result.works.gaps):
        steps.append("Fill the missing prices.")
    return steps


def not_done(result: StudyResult) -> list[str]:
    """What was left out and why."""
    found = []
    for row in skipped_rows(result):
        about = ", ".join(row[key] for key in ("stage", "subject") if row.get(key))
        found.append(f"{about[:1].upper()}{about[1:]}: {row['reason']}" if about else row["reason"])
    return found


def best(value_mm: float, bounds_mm: tuple[float, float]) -> str:
    """`152.3 mm (151.9 to 152.7)`: the value as fine as its 95 % interval allows."""
    low, high = bounds_mm
    if high == low:
        return f"{value_mm:g} mm"
    digits = decimals_for((high - low) / 4)
    return f"{value_mm:.{digits}f} mm ({interval(bounds_mm)})"


def count(number: int, noun: str) -> str:
    """`1 motif`, `12,000 motifs`."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def people(number: int) -> str:
    """`1 person`, `3 people`."""
    return "1 person" if number == 1 else f"{number} people"


def percent(part: int, whole: int) -> str:
    """A share in whole percent; never 0 % or 100 % for what is neither none nor all."""
    if not whole:
        return "0 %"
    share = 100 * part / whole
    if part and share < 1:
        return "under 1 %"
    return "over 99 %" if part < whole and share > 99 else f"{share:.0f} %"


def two_digits(value: float) -> str:
    """To two digits: nobody knows hours, money or odds better."""
    if value < 10:
        return f"{value:.1f}"
    step = 10 ** (len(str(int(value))) - 2)
    return f"{round(value / step) * step:,}"


def offset_words(offset_ratio: float) -> str:
    """How far a row is moved, in words."""
    share = offset_ratio % 1.0
    if min(share, 1 - share) < 0.01:
        return "nothing"
    if abs(share - 0.5) < 0.01:
        return "half a repeat"
    return f"{share:.2f} of a repeat"


def place_words(verdict: str) -> str:
    """A verdict on placing as the end of a sentence."""
    return f"as {verdict}" if verdict in ("rigid groups", "continuous print") else verdict


def sentence(text: str) -> str:
    """`text` with a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
