"""The colours of ground and shadow, and the appearance of the metal, with what they are worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.colour.areas import AreaColours, find_areas, rest_of
from fragkit.colour.laps import Laps, find_laps
from fragkit.colour.paints import Paint
from fragkit.colour.patches import PATCH_MM
from fragkit.colour.surface import CODES, METAL_FLAG, Colour, Mask, Views, lab_text
from fragkit.errors import EstimationError
from fragkit.rectify import Picture, Tone
from fragkit.sketch import sketch_swatches
from fragkit.units import with_sd

TONE_NOTES = {
    "chart": "The uncertainties hold what chart and light leave. Pigments that look alike to the camera and not to the "
    "eye are beyond a chart: hold the paint sample to the wall in the light of the room before it is chosen.",
    "grey card": "A grey card sets white and lightness; how far the camera's hues are off cannot be told from it and "
    "is not in the uncertainties. Which paint is the nearest cannot be told.",
    "none": "No chart or grey card in the picture: how far the camera's colours are off cannot be told. The values are "
    "good for comparing places in one picture, not for choosing a paint.",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class Colours:
    """What the surfaces look like: ground, shadow and metal; absent surfaces are None.

    Attributes
    ----------
    ground, shadow : Colour or None
    metal : Colour or None
        Flagged: appearance under this light, never a paint colour.
    tone : "chart", "grey card" or "none"
        What the colours rest on.
    areas : tuple of AreaColours
        Areas kept apart: those marked by a person, and those proposed. `ground` and `shadow` are of the rest.
    laps : tuple of (name of picture, Laps)
        Lap lines in the metal, where a picture shows pieces that are large enough; otherwise one entry that says so.
    notes : tuple of str
    """

    ground: Colour | None
    shadow: Colour | None
    metal: Colour | None
    tone: str = "none"
    areas: tuple[AreaColours, ...] = ()
    laps: tuple[tuple[str, Laps], ...] = ()
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        shown = [repr(c)[1:-1] for c in (self.ground, self.shadow, self.metal) if c is not None]
        return f"<Colours: {'; '.join(shown)}>"

    def _repr_html_(self) -> str:
        rows = []
        found = [colour for colour in (self.ground, self.shadow, self.metal) if colour is not None]
        for colour in found:
            rows.append((colour.name, f"L*a*b* (D50) {lab_text(colour)}; {colour.n_patches} patches"))
            rows += [("", f"{paint}: ΔE00 {with_sd(de, sd)}") for paint, de, sd in colour.nearest]
        rows += [("kept apart", area.text) for area in self.areas]
        rows += [(f"lap lines, {name}", laps.text) for name, laps in self.laps]
        drawn = sketch_swatches("The surfaces as a screen shows them", {colour.name: colour.srgb for colour in found})
        return card("Colours", rows, notes=self.notes, drawing=drawn)


def measure_colours(
    pictures: Sequence[Picture],
    labels: Sequence[NDArray[np.uint8]],
    *,
    paints: Sequence[Paint] = (),
    tones: Sequence[Tone | None] | None = None,
    areas: Sequence[Mapping[str, Mask]] | None = None,
    names: Sequence[str] | None = None,
) -> Colours:
    """The colours of ground and shadow with their uncertainty, the look of the metal, the nearest paints.

    Parameters
    ----------
    pictures : sequence of Picture
        True-scale pictures, toned by a chart or a grey card as far as possible.
    labels : sequence of (h, w) uint8 arrays
        One per picture: 0 not read, 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work.
    paints : sequence of (name, (L, a, b))
        The user's paint list, CIELAB under D50.
    tones : sequence of Tone or None, optional
        How a chart set each picture; None where none did. Pictures with a colour chart, where there are any, are
        the only ones that are measured, then those with a grey card.
    areas : sequence of mappings of name to (h, w) bool array, optional
        Areas of each picture that are kept apart, such as what has been cleaned.
    names : sequence of str, optional
        What the pictures are called.

    Raises
    ------
    ValueError
        If the numbers or sizes of pictures and labels differ.
    EstimationError
        If no picture shows at least three patches of ground.

    Notes
    -----
    Each patch of 12 mm gives one mean in linear light; the colour is their biweight mean in Lab. Its covariance
    is that of the sample, ninths of the surface taken as independent, widened where whole pictures differ by more,
    and that of the tone, see `Tone.lab_cov`.
    """
    _check(pictures, labels, tones)
    given = list(tones) if tones is not None else [None] * len(pictures)
    kinds = [_kind(tone) for tone in given]
    tone = next(kind for kind in TONE_NOTES if kind in kinds) if kinds else "none"
    shown = [k for k, kind in enumerate(kinds) if kind == tone]
    views = Views(pictures=pictures, labels=labels, tones=given, shown=shown, paints=paints)
    marked = list(areas) if areas is not None else [{} for _ in pictures]
    rests = rest_of(pictures, marked)
    found = {name: views.colour(name, rests) for name in CODES}
    if found["ground"] is None:
        raise EstimationError(
            "The colour of the ground cannot be measured.",
            found="fewer than three patches labelled as ground" + " outside the marked areas" * any(marked),
            needed=f"three patches of {PATCH_MM:.0f} mm with sound ground",
        )
    notes = [METAL_FLAG] if found["metal"] is not None else []
    notes += [f"No {name} was labelled over three patches or more." for name, c in found.items() if c is None]
    if len(shown) < len(pictures):
        notes.append(f"Measured on the {len(shown)} of {len(pictures)} pictures with a {tone}; the others have none.")
    called = names if names is not None else [f"picture {k + 1}" for k in range(len(pictures))]
    apart = find_areas(views, marked, called)
    notes += [area.text for area in apart]
    laps = _laps(pictures, labels, called)
    return Colours(**found, tone=tone, areas=apart, laps=laps, notes=(*notes, TONE_NOTES[tone]))


def _laps(
    pictures: Sequence[Picture], labels: Sequence[NDArray[np.uint8]], names: Sequence[str]
) -> tuple[tuple[str, Laps], ...]:
    """Lap lines by picture where they can be told; else the picture with the largest piece of metal says why not."""
    found = [(name, find_laps(picture, codes)) for name, picture, codes in zip(names, pictures, labels, strict=True)]
    return tuple(one for one in found if one[1].is_told) or tuple(
        sorted(found, key=lambda one: -one[1].largest_mm2)[:1]
    )


def _kind(tone: Tone | None) -> str:
    if tone is None:
        return "none"
    return "grey card" if tone.kind == "grey" else "chart"


def _check(pictures: Sequence[Picture], labels: Sequence[NDArray[Any]], tones: Sequence[Tone | None] | None) -> None:
    if tones is not None and len(tones) != len(pictures):
        raise ValueError(f"{len(pictures)} pictures but {len(tones)} tones; give one for each, None without a chart.")
    if len(pictures) != len(labels):
        raise ValueError(f"{len(pictures)} pictures but {len(labels)} label pictures; give one for each.")
    for k, (picture, codes) in enumerate(zip(pictures, labels, strict=True)):
        if codes.shape != picture.coverage.shape:
            raise ValueError(
                f"Labels {k} are {codes.shape}, their picture is {picture.coverage.shape}; make them the same size."
            )
