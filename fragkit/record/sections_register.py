"""The report on what everything rests on: the evidence register and the decisions."""

from __future__ import annotations

from fragkit.record.html import Html, bullets, facts, join, paragraph, section, table, tag
from fragkit.record.register import ASSUMED, CLASSES, DECIDED, Claim, register, without_evidence
from fragkit.record.study_result import StudyResult
from fragkit.units import decimals_for


def evidence(result: StudyResult) -> Html:
    """Every claim with its class, value, source and who answers for it."""
    claims = register(result)
    rows = [
        [
            join(tag("strong", f"{_capital(claim.about)}. "), claim.claim),
            claim.evidence_class,
            _value(claim),
            _rests_on(claim),
            ", ".join(part for part in (claim.who, claim.when) if part) or "nobody on record",
        ]
        for claim in claims
    ]
    head = ["Claim", "Class", "Value", "Rests on", "Who, when"]
    caption = "Every claim of this record. In brackets: what holds in 95 cases of 100, for hours of work in 90."
    return section(
        "Evidence register",
        facts((name, meaning) for name, meaning in CLASSES.items()),
        table(head, rows, caption=caption),
        paragraph("The same table lies beside this page as evidence.csv; annotations.jsonld draws the regions."),
        key="evidence",
    )


def decisions(result: StudyResult) -> Html:
    """Decisions on record; those without evidence by themselves."""
    rows = [
        [one.what, one.choice, one.reason, one.evidence or "none", one.who or "", one.date or ""]
        for one in result.survey.decisions
    ]
    head = ["What", "Choice", "Reason", "Evidence", "Who", "When"]
    return section(
        "Decisions",
        table(head, rows, caption="Decisions on record.") if rows else paragraph("No decision is on record."),
        tag("h3", "Decisions that rest on no evidence"),
        bullets(without_evidence(result), empty="None."),
        key="decisions",
    )


def _value(claim: Claim) -> str:
    if claim.value is None:
        return ""
    if claim.low is None or claim.high is None:
        digits = 0 if float(claim.value).is_integer() else 2
        return f"{claim.value:,.{digits}f} {claim.unit}".rstrip()
    digits = decimals_for((claim.high - claim.low) / 4.0)
    if digits == 0 and claim.high - claim.low > 40:
        step = 10 ** (len(str(int((claim.high - claim.low) / 4.0))) - 1)
        value, low, high = (round(part / step) * step for part in (claim.value, claim.low, claim.high))
    else:
        value, low, high = claim.value, claim.low, claim.high
    return f"{value:,.{digits}f} ({low:,.{digits}f} to {high:,.{digits}f}) {claim.unit}".rstrip()


def _rests_on(claim: Claim) -> str:
    """The photographs by part, other evidence, and the method."""
    by_part: dict[str, list[str]] = {}
    for region in claim.regions:
        by_part.setdefault(region.part, []).append(region.photo)
    seen = "; ".join(f"{part} in {', '.join(photos)}" for part, photos in by_part.items())
    found = [part for part in (claim.evidence, seen) if part]
    if not found and claim.evidence_class in (DECIDED, ASSUMED):
        found = ["no evidence"]
    return "; ".join([*found, claim.method])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
