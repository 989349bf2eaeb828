"""Numbers that nobody measured here: what, how much, on whose word; each is overwritten by the study."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fragkit.works.metals import COMMON_PRACTICE
from fragkit.works.programme import LIFT_MM, REACH_MM, STOREY_RATIO

if TYPE_CHECKING:
    from fragkit.survey import WorksEntry
    from fragkit.works.learning import LearningCurve

MINUTES_PER_MOTIF = (6.0, 12.0)
"""Mark, size, lay, clean, shadow and check one small motif; no published figure was found."""

SITE_FACTOR = (0.85, 1.20)
LAY_MIN = 2.0
CREW = 2
HOURS_PER_DAY = 7.0
CONTINGENCY_RATIO = (0.20, 0.30)


@dataclass(frozen=True, kw_only=True)
class Assumption:
    """A number that nobody measured here: what, how much, on whose word."""

    name: str
    value: str
    source: str


def plan_assumptions(works: WorksEntry, curve: LearningCurve | None) -> tuple[Assumption, ...]:
    """What time, programme and batches rest on without being stated."""
    found = [_time(works, curve)]
    stated = (
        (works.crew, "people at work", f"{CREW}", "assumed; state `crew`"),
        (works.hours_per_day, "hours a day", f"{HOURS_PER_DAY:g}", "assumed; state `hours_per_day`"),
        (works.lay_min, "time to lay one motif", f"{LAY_MIN:g} min (batches only)", COMMON_PRACTICE),
        (works.reach_mm, "reached from the floor", f"{REACH_MM / 1000:g} m above the datum", COMMON_PRACTICE),
        (works.lift_mm, "height of a lift", f"{LIFT_MM / 1000:g} m", COMMON_PRACTICE),
    )
    found += [Assumption(name=name, value=value, source=src) for own, name, value, src in stated if own is None]
    source = "Hints for Painters, Decorators and Paper-Hangers (19th century)"
    value = f"{STOREY_RATIO:.0%} more time for every 12 ft (3.66 m) above the datum"
    return (*found, Assumption(name="work at height", value=value, source=source))


def _time(works: WorksEntry, curve: LearningCurve | None) -> Assumption:
    if curve is not None:
        value = f"{SITE_FACTOR[0]:g} to {SITE_FACTOR[1]:g} times the trial (9 in 10)"
        return Assumption(name="scaffold against trial panel", value=value, source=COMMON_PRACTICE)
    low, high = works.minutes_per_motif or MINUTES_PER_MOTIF
    source = f"placeholder; {COMMON_PRACTICE}; overwrite it with a timed trial"
    if works.minutes_per_motif is not None:
        source = "as stated in the study, without a trial"
    return Assumption(name="time per motif", value=f"{low:g} to {high:g} min a motif (9 in 10)", source=source)
