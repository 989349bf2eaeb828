"""The report on the colours of ground and shadow, area by area, and on the look of the metal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fragkit.record.html import Html, aside, bullets, join, paragraph, section, table, tag
from fragkit.record.study_result import StudyResult
from fragkit.units import with_sd


def colour(result: StudyResult) -> Html | None:
    """Ground and shadow as measured; the metal is not a colour."""
    if result.colours is None:
        return None
    surfaces = (result.colours.ground, result.colours.shadow)
    rows = [_colour_row(one.name, one) for one in surfaces if one is not None]
    for area in result.colours.areas:
        rows += [_colour_row(f"{one.name}, {area.name}", one) for one in (area.ground, area.shadow) if one is not None]
    body = table(COLOUR_COLUMNS, rows, caption=COLOUR_CAPTION, numbers=(1, 2, 3, 4))
    tone = paragraph(TONE_WORDS[result.colours.tone])
    return section("Colour", body, tone, _areas(result.colours.areas), _metal(result), _laps(result), key="colour")


def _areas(areas: Sequence[Any]) -> Html | None:
    """What was kept apart, and how far it is from the rest."""
    if not areas:
        return None
    said = "Kept apart: the first lines of the table are of the rest."
    proposed = " Why a proposed part differs (cleaning, water, a repair) must be seen on the wall; mark it if it is so."
    words = said + proposed * any(not area.is_marked for area in areas)
    return join(paragraph(words), bullets([area.text for area in areas]))


TONE_WORDS = {
    "chart": "Tone and white are those of the colour chart in the picture; what it leaves is in the figures above.",
    "grey card": "Only a grey card was in the picture: lightness is sound, hues are those of the camera. "
    "Which paint is the nearest cannot be told.",
    "none": "No chart or grey card was in the picture: these colours are those of the camera, and how far they are off "
    "cannot be told. Photograph the wall again with a chart before a paint is chosen.",
}
COLOUR_COLUMNS = ["Layer", "L*", "a*", "b*", "Patches", "Nearest paints", "Is the first surely the nearest?"]
COLOUR_CAPTION = (
    "CIELAB (D50) with one standard deviation, how many patches of 12 mm it rests on, and the three nearest of your "
    "paints with the 95 % interval of their difference. A difference (ΔE00) of about 1 is just visible."
)


def _colour_row(label: str, one: Any) -> list[str]:
    values = [with_sd(float(v), float(sd)) for v, sd in zip(one.lab, one.lab_sd, strict=True)]
    pairs = zip(one.nearest, one.nearest_interval, strict=False)
    near = "; ".join(f"{paint} (ΔE00 {away:.1f}, {low:.1f} to {high:.1f})" for (paint, away, _), (low, high) in pairs)
    return [label, *values, f"{one.n_patches}", near or "no paint list in the study", _apart_words(one)]


def _apart_words(one: Any) -> str:
    if not one.nearest:
        return "–"
    if one.nearest_chance is None:
        return "cannot be told without a colour chart"
    chance = f"{100.0 * one.nearest_chance[0]:.0f} in 100"
    return f"yes ({chance})" if one.is_told_apart else f"not surely ({chance}): compare the samples on the wall"


def _metal(result: StudyResult) -> Html:
    metal = result.colours.metal if result.colours is not None else None
    seen = (
        "" if metal is None else f" It looks like L* {metal.lab[0]:.0f}, a* {metal.lab[1]:.0f}, b* {metal.lab[2]:.0f} "
    )
    spread = "" if metal is None else f"here, and L* varies by {metal.lab_spread[0]:.0f} from patch to patch."
    return aside(
        tag("strong", "The metal is not a colour. "),
        "Leaf changes with the angle of light and eye, and tarnish darkens it: what is seen is not a paint colour and "
        f"not the colour of the leaf when new.{seen}{spread}",
    )


def _laps(result: StudyResult) -> Html | None:
    """Lap lines in the metal, or why they cannot tell."""
    laps = result.colours.laps if result.colours is not None else ()
    return bullets([f"{name}: {one.text}" for name, one in laps]) if laps else None
