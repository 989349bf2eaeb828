"""How good a photograph is by its own chart, against published classes of image quality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.colour.difference import delta_e00
from fragkit.rectify import Rectified, Tone

FloatArray = NDArray[np.float64]

CLASSES = {
    "ISO 19264-1:2021": ("level A", "level B", "level C"),
    "FADGI 2023": ("4 stars", "3 stars", "2 stars", "1 star"),
    "Metamorfoze 2.0 (draft 2023)": ("full", "light", "extra light"),
}
"""Classes of each scheme, best first."""

LIMITS: dict[str, tuple[tuple[float | None, ...], ...]] = {
    "colour": ((4.0, 5.0, 5.0), (2.0, 3.5, 5.0, 6.5), (3.0, 4.0, None)),
    "worst patch": ((10.0, 15.0, 15.0), (4.0, 7.0, 10.0, 13.0), (7.0, 14.0, None)),
    "white balance": ((3.0, 4.0, 5.0), (2.0, 4.0, 6.0, 8.0), (3.0, 3.0, 5.0)),
    "tone": ((2.0, 3.0, 4.0), (1.5, 3.0, 4.5, 6.0), (2.0, 2.0, 4.0)),
    "noise": ((1.6, 2.0, 2.2), (1.0, 2.0, 3.0, 4.0), (1.6, 1.6, 2.0)),
    "resolution": ((), (396.0, 294.0, 242.0, 190.0), (300.0, 300.0, 300.0)),
}
"""Largest value of each class (of resolution the smallest), best class first; () where the scheme has no figure."""

SOURCE = (
    "Comparison table FADGI / ISO / Metamorfoze, skandalski.pl/tabela-fadgi-iso-metamorfoze; Metamorfoze Preservation "
    "Imaging Guidelines 2.0 (draft, June 2023), preservationimaging.com/version-2. The FADGI figures are those for "
    "bound collections."
)

WORDS = {
    "colour": "colours, off by this on average (ΔE)",
    "worst patch": "colours, off by this at the worst patch (ΔE)",
    "white balance": "greys, off neutral by this (ΔE of a*, b*)",
    "tone": "lightness of the greys, off by this (ΔL*)",
    "noise": "grain on an even grey (sd of L*)",
    "resolution": "fineness on the wall (pixels per inch)",
}
DECIMALS = {"resolution": 0}
SHADING_WORDS = "evenness of the light before it was corrected (darkest over brightest, %)"

NEUTRAL = 3.0
"""A patch of less chroma than this is a grey."""

BLACK_L = 25.0
"""Greys darker than this are left out: flare alone puts them off by more than the limits."""

MM_PER_INCH = 25.4


@dataclass(frozen=True, eq=False, kw_only=True)
class Graded:
    """One quantity of a photograph.

    Attributes
    ----------
    name, words : str
    value : float or None
        None where it cannot be told.
    classes : mapping of scheme to str or None
        The class that it reaches; None where the scheme has no figure or it cannot be told.
    """

    name: str
    words: str
    value: float | None
    classes: dict[str, str | None]

    @property
    def decimals(self) -> int:
        """Decimals that the value is worth."""
        return DECIMALS.get(self.name, 1)

    @property
    def shown(self) -> str:
        """The value in words."""
        return "cannot be told" if self.value is None else f"{self.value:.{self.decimals}f}"


@dataclass(frozen=True, eq=False, kw_only=True)
class ImageQuality:
    """What a photograph reaches by its own chart.

    Attributes
    ----------
    graded : tuple of Graded
    overall : mapping of scheme to (class, quantities that hold it there), or None
        Over the quantities that could be told; None where the chart is missing.
    evenness_percent : float or None
        Darkest over brightest light; no class is published for it in the source.
    text : str
    source : str
    """

    graded: tuple[Graded, ...]
    overall: dict[str, tuple[str, tuple[str, ...]] | None]
    evenness_percent: float | None
    text: str
    source: str = SOURCE

    def __repr__(self) -> str:
        return f"ImageQuality({self.text})"

    def _repr_html_(self) -> str:
        rows = [(one.words, f"{one.shown} — {_class_words(one.classes)}") for one in self.graded]
        return card("Image quality by the chart", rows, notes=(self.text, self.source))


def judge_photograph(rectified: Rectified) -> ImageQuality:
    """Resolution, and by the chart: colour, white, tone and grain, with the published class each of them reaches.

    Parameters
    ----------
    rectified : Rectified
        With its tone set by a chart as far as there is one; without, only the resolution can be told.

    Notes
    -----
    Colours are judged after correction, every patch by a correction that was made without it. Differences are
    CIEDE2000 with S_L = 1 in all three schemes, as the third asks: never smaller than plain CIEDE2000. The
    schemes judge flat originals on a bench; a wall photographed from a scaffold is measured by the same rule
    and need not reach the same class.
    """
    picture = rectified.picture
    height, width = picture.coverage.shape
    middle = picture.to_mm(np.array([[(width - 1) / 2.0, (height - 1) / 2.0]]))
    values: dict[str, float | None] = dict.fromkeys(LIMITS)
    tenth: dict[str, float | None] = {}
    if rectified.tone is not None:
        found = _by_chart(rectified.tone)
        values |= found
        tenth = {"FADGI 2023": found["ninth decile"]}
    values["resolution"] = MM_PER_INCH / float(rectified.sampling_mm(middle)[0])
    graded = tuple(_graded(name, values[name], tenth) for name in LIMITS)
    overall = {scheme: _overall(scheme, graded) for scheme in CLASSES}
    evenness = None if rectified.tone is None else rectified.tone.light_ratio
    return ImageQuality(
        graded=graded,
        overall=overall,
        evenness_percent=None if evenness is None else 100.0 * evenness,
        text=_text(graded, overall, rectified.tone),
    )


def _by_chart(tone: Tone) -> dict[str, float | None]:
    shown = tone.lab_found if tone.lab_left_out is None else tone.lab_left_out
    greys = (np.hypot(tone.lab[:, 1], tone.lab[:, 2]) < NEUTRAL) & (tone.lab[:, 0] >= BLACK_L)
    values: dict[str, float | None] = dict.fromkeys((*LIMITS, "ninth decile"))
    if tone.kind == "colour":
        away = delta_e00(shown, tone.lab, flat_lightness=True)
        values |= {"colour": float(away.mean()), "worst patch": float(away.max())}
        values["ninth decile"] = float(np.quantile(away, 0.9))
    if greys.any() and len(tone.lab) > 1:
        miss = (shown - tone.lab)[greys]
        values |= {"white balance": float(np.hypot(*miss[:, 1:].T).max()), "tone": float(np.abs(miss[:, 0]).max())}
    if greys.any():
        values["noise"] = float(tone.noise[greys].max())
    return values


def _graded(name: str, value: float | None, tenth: dict[str, float | None]) -> Graded:
    classes: dict[str, str | None] = {}
    for (scheme, names), limits in zip(CLASSES.items(), LIMITS[name], strict=True):
        own = tenth.get(scheme, value) if name == "worst patch" else value
        classes[scheme] = None if own is None or not limits else _class(own, names, limits, rising=name == "resolution")
    return Graded(name=name, words=WORDS[name], value=value, classes=classes)


def _class(value: float, names: tuple[str, ...], limits: tuple[float | None, ...], *, rising: bool) -> str:
    for name, limit in zip(names, limits, strict=True):
        if limit is not None and (value >= limit if rising else value <= limit):
            return name
    return f"below {names[-1]}"


def _overall(scheme: str, graded: tuple[Graded, ...]) -> tuple[str, tuple[str, ...]] | None:
    """The worst class of those told, and the quantities that hold it there; None without a chart."""
    order = (*CLASSES[scheme], f"below {CLASSES[scheme][-1]}")
    told = {one.name: order.index(own) for one in graded if (own := one.classes[scheme]) is not None}
    if "colour" not in told:
        return None
    worst = max(told.values())
    return order[worst], tuple(name for name, place in told.items() if place == worst)


def _class_words(classes: dict[str, str | None]) -> str:
    return "; ".join(f"{scheme}: {own}" for scheme, own in classes.items() if own is not None) or "no class"


def _text(graded: tuple[Graded, ...], overall: dict[str, tuple[str, tuple[str, ...]] | None], tone: Tone | None) -> str:
    fine = next(one.value or 0.0 for one in graded if one.name == "resolution")
    fineness = f"It shows about {float(f'{fine:.2g}'):.0f} pixels to the inch of wall"
    if tone is None:
        return f"Without a chart in the picture its colour, white, tone and grain cannot be told. {fineness}."
    if tone.kind != "colour":
        return f"By a grey card its white, tone and grain are judged; its colours cannot be told. {fineness}."
    parts = []
    for scheme, found in overall.items():
        if found is not None:
            held = "" if found[0] == CLASSES[scheme][0] else f" (held by its {' and '.join(found[1])})"
            parts.append(f"{scheme}: {found[0]}{held}")
    return f"By its chart it reaches {'; '.join(parts)}. {fineness}."
