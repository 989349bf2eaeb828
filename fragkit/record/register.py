"""The evidence register: every claim of the record, what it rests on, and who answers for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fragkit.record import words
from fragkit.record.study_result import StudyResult, fits_of, fragment_of, techniques
from fragkit.units import Z95

MEASURED, WEIGHED, DEDUCED = "measured", "weighed", "deduced"
DECIDED, ASSUMED = "decided", "assumed"
CLASSES = {
    MEASURED: "read from photographs or taken on the wall, with its error",
    WEIGHED: "the likeliest of several explanations of what was measured",
    DEDUCED: "follows from what was measured, by rules that the report names",
    DECIDED: "somebody chose it",
    ASSUMED: "stands in until somebody measures or decides",
}
"""Classes of claims, strongest first, and what each means."""


@dataclass(frozen=True, kw_only=True)
class Region:
    """A region of a photograph: `part` is "surface", "control points" or "motif sites"."""

    photo: str
    part: str


@dataclass(frozen=True, kw_only=True)
class Claim:
    """One claim of the record.

    Attributes
    ----------
    id : str
        Unique in the record.
    about, claim : str
        What it is about, and the claim in words.
    evidence_class : str
        One of `CLASSES`.
    method : str
    value, low, high, interval_ratio : float or None
        Where the claim is a number: its best value, and the bounds that hold in this share of cases.
    unit : str
    regions : tuple of Region
        Where in which photograph it can be seen.
    evidence : str
        Other evidence, in the words of the study.
    who, when : str
        Who measured or decided, and when; empty when nobody is on record.
    """

    id: str
    about: str
    claim: str
    evidence_class: str
    method: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    interval_ratio: float | None = None
    unit: str = ""
    regions: tuple[Region, ...] = ()
    evidence: str = ""
    who: str = ""
    when: str = ""


def register(result: StudyResult) -> tuple[Claim, ...]:
    """Every claim of a study, in the order of the work."""
    makers = (_photographs, _repeats, _technique, _motif, _colours, _walls, _works, _decisions)
    return tuple(claim for maker in makers for claim in maker(result))


def without_evidence(result: StudyResult) -> list[str]:
    """Every decision that rests on no evidence, those that nobody took among them."""
    found = [f"{one.what}: {one.choice}" for one in result.survey.decisions if not one.evidence]
    if result.pooled is not None and result.pooled.typed:
        found.append(f"{words.sentence(words.typed(result.pooled))[:-1]} was typed in by hand.")
    if result.layout is not None and result.survey.layout.choice is None:
        found.append("The layout of the walls: the best-ranked stands until somebody chooses (choice, under [layout]).")
    return found


def _by_authors(result: StudyResult) -> dict[str, Any]:
    return {"who": ", ".join(result.survey.authors), "when": result.survey.date}


def _around(value: float, sd: float) -> dict[str, Any]:
    return _between(value, (value - Z95 * sd, value + Z95 * sd))


def _between(value: float, bounds: Any, *, interval_ratio: float = 0.95) -> dict[str, Any]:
    low, high = (float(bound) for bound in bounds)
    return {"value": float(value), "low": low, "high": high, "interval_ratio": interval_ratio}


def _sites(result: StudyResult, fragment: str | None = None) -> tuple[Region, ...]:
    """The motif sites of the photographs of one fragment, or of all."""
    names = [name for name in result.centres if name in result.rectified]
    return tuple(
        Region(photo=name, part="motif sites") for name in names if fragment in (None, fragment_of(result, name))
    )


def _photographs(result: StudyResult) -> Iterator[Claim]:
    for name, one in result.rectified.items():
        yield Claim(
            id=f"photograph/{name}",
            about=f"photograph {name}",
            claim=f"A point in it is good to {one.sd_mm:.2f} mm, one standard deviation per coordinate.",
            evidence_class=MEASURED,
            method="plane and lens solved together from the control points",
            value=one.sd_mm,
            unit="mm",
            regions=(Region(photo=name, part="control points"),),
            **_by_authors(result),
        )


def _repeats(result: StudyResult) -> Iterator[Claim]:
    for name, lattice in fits_of(result).items():
        yield Claim(
            id=f"fragment/{name}/scatter",
            about=f"fragment {name}",
            claim=f"{words.count(lattice.n_centres, 'motif')} stand about their even places with a scatter of "
            f"{lattice.residual_sd_mm:.2f} mm, one standard deviation per coordinate.",
            evidence_class=MEASURED,
            method="net fitted by generalised least squares, error of the picture taken out",
            value=lattice.residual_sd_mm,
            unit="mm",
            regions=_sites(result, name),
            evidence="" if _sites(result, name) else "centres taken by tape or tracing",
            **_by_authors(result),
        )
    for key, claim, value, bounds, typed in _lengths(result):
        fits = "rows" if key == "step" else "nets"
        yield Claim(
            id=f"repeat/{key}",
            about="repeat",
            claim=f"{claim}: {words.best(value, bounds)}.",
            evidence_class=DECIDED if typed else MEASURED,
            method="typed in by hand" if typed else f"{fits} of all fragments pooled with the spread between them",
            unit="mm",
            regions=() if typed else _sites(result),
            **_between(value, bounds),
            **_by_authors(result),
        )


def _lengths(result: StudyResult) -> Iterator[tuple[str, str, float, tuple[float, float], bool]]:
    """The lengths of the repeat: key, what is claimed, the value in mm with its interval, and whether it was typed."""
    step, pooled = result.step, result.pooled
    if step is not None:
        yield "step", "Motifs of the row are this far apart", step.step_mm, step.interval_mm, False
    if pooled is not None:
        across, down = ("across_mm" in pooled.typed), ("down_mm" in pooled.typed)
        yield "along", "Motifs in a row are this far apart", pooled.across_mm, pooled.interval_across_mm, across
        yield "across", "Rows are this far apart", pooled.down_mm, pooled.interval_down_mm, down


def _technique(result: StudyResult) -> Iterator[Claim]:
    for name, technique in techniques(result).items():
        for what, verdict in (("placed", technique.placing), ("formed", technique.forming)):
            told = verdict.verdict != words.CANNOT_TELL
            claim = f"The motifs were {what}: {verdict.verdict}." if told else f"How they were {what} cannot be told."
            yield Claim(
                id=f"technique/{what}{f'/{name}' if name else ''}",
                about=f"technique {name}".strip(),
                claim=claim,
                evidence_class=WEIGHED,
                method="ways of placing and forming weighed against each other, checked on simulated fragments",
                value=max(verdict.posterior.values(), default=None) if told else None,
                unit="weight of the best, 0 to 1" if told else "",
                regions=_sites(result, name or None),
                **_by_authors(result),
            )


def _motif(result: StudyResult) -> Iterator[Claim]:
    motif = result.motif
    if motif is None:
        return
    yield Claim(
        id="motif/metal-area",
        about="motif",
        claim=f"The metal of one motif covers this area, from {words.count(motif.n_examples, 'example')}.",
        evidence_class=MEASURED,
        method="consensus of damaged examples, each weighed by what it still shows",
        unit="mm2",
        regions=_sites(result),
        **_around(motif.metal_area_mm2, motif.metal_area_sd_mm2),
        **_by_authors(result),
    )


def _colours(result: StudyResult) -> Iterator[Claim]:
    for layer in ("ground", "shadow") if result.colours is not None else ():
        one = getattr(result.colours, layer)
        for k, axis in enumerate("Lab" if one is not None else ""):
            yield Claim(
                id=f"colour/{layer}/{axis}",
                about=f"colour of the {layer}",
                claim=f"{axis}* of the {layer} (CIELAB, D50), as it looks today.",
                evidence_class=MEASURED,
                method="labelled places in pictures toned by a chart",
                regions=tuple(Region(photo=name, part="surface") for name in result.rectified),
                **_around(float(one.lab[k]), float(one.lab_sd[k])),
                **_by_authors(result),
            )


def _walls(result: StudyResult) -> Iterator[Claim]:
    for wall in result.layout.walls if result.layout is not None else ():
        chosen = bool(result.survey.layout.choice)
        for name, number in words.by_class(wall.position_class).items():
            yield Claim(
                id=f"wall/{wall.name}/{name.replace(' ', '-')}",
                about=f"wall {wall.name}",
                claim=f"{words.count(number, 'motif')}: place {name}.",
                evidence_class=(MEASURED, DEDUCED, DECIDED if chosen else ASSUMED)[words.kind_of(name)],
                method="surviving motifs first, then the measured repeat, then the axis, then the edges",
                value=float(number),
                unit="motifs",
                regions=_sites(result) if words.kind_of(name) == 0 else (),
                **_by_authors(result),
            )


def _works(result: StudyResult) -> Iterator[Claim]:
    if result.takeoff is not None:
        yield Claim(
            id="works/leaves",
            about="leaf",
            claim=f"{words.count(result.takeoff.n_leaves, 'leaf').replace('leafs', 'leaves')} are needed.",
            evidence_class=DEDUCED,
            method="pieces cut from whole leaves by straight cuts, with leaves torn and kept in reserve",
            value=float(result.takeoff.n_leaves),
            unit="leaves",
        )
    plan = result.works
    if plan is not None:
        trial = plan.basis != "placeholder"
        yield Claim(
            id="works/labour",
            about="labour",
            claim=f"Work for {words.two_digits(plan.labour_h.p05)} to {words.two_digits(plan.labour_h.p95)} hours.",
            evidence_class=DEDUCED if trial else ASSUMED,
            method="timed trial" if trial else "placeholder without a timed trial",
            unit="h",
            **_between(plan.labour_h.p50, (plan.labour_h.p05, plan.labour_h.p95), interval_ratio=0.9),
        )


def _decisions(result: StudyResult) -> Iterator[Claim]:
    for number, one in enumerate(result.survey.decisions, 1):
        yield Claim(
            id=f"decision/{number}",
            about=one.what,
            claim=f"{one.choice}: {one.reason}",
            evidence_class=DECIDED,
            method="decision of the study",
            evidence=one.evidence or "",
            who=one.who or "",
            when=one.date or "",
        )
