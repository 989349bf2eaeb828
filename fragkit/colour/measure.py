"""The colours of ground and shadow, and the appearance of the metal, with what they are worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.color import lab2rgb

from fragkit.card import card
from fragkit.colour.cielab import linear_to_lab
from fragkit.colour.paints import Paint, difference_interval, nearest_chances, nearest_paints
from fragkit.colour.patches import PATCH_MM, Patches, biweights, cut_patches, joined, mean_cov, widened
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.rectify import Picture, Tone
from fragkit.sketch import sketch_swatches
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]

CODES = {"ground": 1, "shadow": 2, "metal": 3}
MIN_PATCHES = 3
APART_CHANCE = 0.95
"""The nearest paint is told apart from the others from this chance on."""
METAL_FLAG = (
    "Appearance of tarnished leaf under this light and from this side: "
    "not a paint colour, and not the colour of the leaf when new."
)
TONE_NOTES = {
    "chart": "The uncertainties hold what chart and light leave. Pigments that look alike to the camera and not to the "
    "eye are beyond a chart: hold the paint sample to the wall in the light of the room before it is chosen.",
    "grey card": "A grey card sets white and lightness; how far the camera's hues are off cannot be told from it and "
    "is not in the uncertainties. Which paint is the nearest cannot be told.",
    "none": "No chart or grey card in the picture: how far the camera's colours are off cannot be told. The values are "
    "good for comparing places in one picture, not for choosing a paint.",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class Colour:
    """The colour of one surface.

    Attributes
    ----------
    name : str
    lab : (3,) array
        CIELAB under D50; `lab_d65` the same under D65.
    lab_sd : (3,) array
        Standard deviation: how well the colour of the surface is known of which these patches are a sample, what
        chart and light leave included where there is a colour chart. ± 1.96 of it hold 95 %.
    lab_cov : (3, 3) array
        The same as a covariance.
    lab_spread : (3,) array
        Standard deviation between patches: how uneven the surface is.
    n_px, n_patches, n_pictures : int
    nearest : tuple of (paint, ΔE00, sd)
        At most three paints of the user's list, nearest first; always empty for metal.
    nearest_interval : tuple of (low, high)
        95 % interval of each of these differences.
    nearest_chance : tuple of float or None
        How probable it is of each that it is the nearest of the list; None where no colour chart can tell.
    flag : str or None
        What the colour must not be taken for.
    """

    name: str
    lab: FloatArray
    lab_d65: FloatArray
    lab_sd: FloatArray
    lab_cov: FloatArray
    lab_spread: FloatArray
    n_px: int
    n_patches: int
    n_pictures: int
    nearest: tuple[tuple[str, float, float], ...] = ()
    nearest_interval: tuple[tuple[float, float], ...] = ()
    nearest_chance: tuple[float, ...] | None = None
    flag: str | None = None

    @property
    def is_told_apart(self) -> bool | None:
        """Whether the nearest paint is surely nearer than all others; None where it cannot be told."""
        return self.nearest_chance[0] >= APART_CHANCE if self.nearest_chance else None

    @property
    def srgb(self) -> tuple[int, int, int]:
        """The nearest colour a screen shows, 0 to 255."""
        shown = lab2rgb(np.asarray(self.lab_d65, float)[None, None], illuminant="D65")[0, 0]
        red, green, blue = np.round(255.0 * np.clip(shown, 0.0, 1.0)).astype(int).tolist()
        return red, green, blue

    def __repr__(self) -> str:
        return f"<Colour of {self.name}: Lab (D50) {_lab_text(self)}, {self.n_patches} patches>"


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
    notes : tuple of str
    """

    ground: Colour | None
    shadow: Colour | None
    metal: Colour | None
    tone: str = "none"
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        shown = [repr(c)[1:-1] for c in (self.ground, self.shadow, self.metal) if c is not None]
        return f"<Colours: {'; '.join(shown)}>"

    def _repr_html_(self) -> str:
        rows = []
        found = [colour for colour in (self.ground, self.shadow, self.metal) if colour is not None]
        for colour in found:
            rows.append((colour.name, f"L*a*b* (D50) {_lab_text(colour)}; {colour.n_patches} patches"))
            rows += [("", f"{paint}: ΔE00 {with_sd(de, sd)}") for paint, de, sd in colour.nearest]
        drawn = sketch_swatches("The surfaces as a screen shows them", {colour.name: colour.srgb for colour in found})
        return card("Colours", rows, notes=self.notes, drawing=drawn)


def measure_colours(
    pictures: Sequence[Picture],
    labels: Sequence[NDArray[np.uint8]],
    *,
    paints: Sequence[Paint] = (),
    tones: Sequence[Tone | None] | None = None,
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
    parts = {name: surface_patches(pictures, labels, code, shown) for name, code in CODES.items()}
    found = {name: colour_of(name, own, paints=paints, tones=given) for name, own in parts.items()}
    if found["ground"] is None:
        raise EstimationError(
            "The colour of the ground cannot be measured.",
            found="fewer than three patches labelled as ground",
            needed=f"three patches of {PATCH_MM:.0f} mm with sound ground",
        )
    notes = [METAL_FLAG] if found["metal"] is not None else []
    notes += [f"No {name} was labelled over three patches or more." for name, c in found.items() if c is None]
    if len(shown) < len(pictures):
        notes.append(f"Measured on the {len(shown)} of {len(pictures)} pictures with a {tone}; the others have none.")
    return Colours(**found, tone=tone, notes=(*notes, TONE_NOTES[tone]))


def surface_patches(
    pictures: Sequence[Picture], labels: Sequence[NDArray[np.uint8]], code: int, shown: Sequence[int]
) -> Patches:
    """Patches of the surface with this code in the pictures `shown`; of its middle only where it is thin."""
    for is_thin in (False, True):
        parts = [cut_patches(pictures[k], labels[k] == code, number=k, is_thin=is_thin) for k in shown]
        if sum(map(len, parts)) >= MIN_PATCHES:
            break
    return joined(parts)


def colour_of(
    name: str, patches: Patches, *, paints: Sequence[Paint] = (), tones: Sequence[Tone | None] = ()
) -> Colour | None:
    """The colour of a surface from its patches; None from fewer than three."""
    if len(patches) < MIN_PATCHES:
        return None
    lab_patches = linear_to_lab(patches.linear)
    weights = biweights(lab_patches)
    lab = np.average(lab_patches, axis=0, weights=weights)
    spread = np.sqrt(np.average((lab_patches - lab) ** 2, axis=0, weights=weights))
    by_tone = _tone_cov(lab, weights, patches.picture, tones)
    cov = mean_cov(lab_patches, weights, patches) + (0.0 if by_tone is None else by_tone)
    cov = widened(cov, lab_patches, weights, patches)
    is_metal = name == "metal"
    near = () if is_metal else nearest_paints(lab, cov, paints)
    chances = nearest_chances(lab, cov, paints) if near and by_tone is not None else None
    places = dict(paints)
    return Colour(
        name=name,
        lab=frozen_array(lab),
        lab_d65=frozen_array(np.average(linear_to_lab(patches.linear, white="D65"), axis=0, weights=weights)),
        lab_sd=frozen_array(np.sqrt(np.diag(cov))),
        lab_cov=frozen_array(cov),
        lab_spread=frozen_array(spread),
        n_px=patches.n_px,
        n_patches=len(patches),
        n_pictures=len(np.unique(patches.picture)),
        nearest=near,
        nearest_interval=tuple(difference_interval(lab, places[paint], cov) for paint, _, _ in near),
        nearest_chance=None if chances is None else tuple(chances[paint] for paint, _, _ in near),
        flag=METAL_FLAG if is_metal else None,
    )


def _kind(tone: Tone | None) -> str:
    if tone is None:
        return "none"
    return "grey card" if tone.kind == "grey" else "chart"


def _tone_cov(
    lab: FloatArray, weights: FloatArray, picture: NDArray[np.int64], tones: Sequence[Tone | None]
) -> FloatArray | None:
    """Covariance that the tones of the pictures leave in their common mean; None where one cannot tell its own."""
    total = np.zeros((3, 3))
    for k in np.unique(picture):
        tone = tones[k] if len(tones) else None
        own = None if tone is None else tone.lab_cov(lab)
        if own is None:
            return None
        total += own * (weights[picture == k].sum() / weights.sum()) ** 2
    return total


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


def _lab_text(colour: Colour) -> str:
    return ", ".join(with_sd(float(v), float(s)) for v, s in zip(colour.lab, colour.lab_sd, strict=True))
