"""The colour of one surface from its patches, with what it is worth and the paints nearest to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.color import lab2rgb

from fragkit.colour.cielab import linear_to_lab
from fragkit.colour.paints import Paint, difference_interval, nearest_chances, nearest_paints
from fragkit.colour.patches import THIN_LAB_SD, Patches, biweights, cut_patches, joined, mean_cov, widened
from fragkit.frozen import frozen_array
from fragkit.rectify import Picture, Tone
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

CODES = {"ground": 1, "shadow": 2, "metal": 3}
MIN_PATCHES = 3
APART_CHANCE = 0.95
"""The nearest paint is told apart from the others from this chance on."""
METAL_FLAG = (
    "Appearance of tarnished leaf under this light and from this side: "
    "not a paint colour, and not the colour of the leaf when new."
)


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
        return f"<Colour of {self.name}: Lab (D50) {lab_text(self)}, {self.n_patches} patches>"


@dataclass(frozen=True, eq=False, kw_only=True)
class Views:
    """Pictures whose surfaces are measured together.

    Attributes
    ----------
    pictures, labels : sequences of Picture and of (h, w) uint8 arrays
    tones : sequence of Tone or None
    shown : sequence of int
        Those that are measured.
    paints : sequence of Paint
    """

    pictures: Sequence[Picture]
    labels: Sequence[NDArray[np.uint8]]
    tones: Sequence[Tone | None]
    shown: Sequence[int]
    paints: Sequence[Paint] = ()

    def patches(self, name: str, masks: Sequence[Mask] | None = None) -> Patches:
        """Patches of a surface, inside `masks` where given; only of its middle where it is thin."""
        parts: list[Patches] = []
        for is_thin in (False, True):
            parts = [
                cut_patches(self.pictures[k], self._mask(name, k, masks), number=k, is_thin=is_thin) for k in self.shown
            ]
            if sum(map(len, parts)) >= MIN_PATCHES:
                break
        return joined(parts)

    def colour(self, name: str, masks: Sequence[Mask] | None = None) -> Colour | None:
        """Its colour; None where fewer than three patches show it."""
        return colour_of(name, self.patches(name, masks), paints=self.paints, tones=self.tones)

    def _mask(self, name: str, k: int, masks: Sequence[Mask] | None) -> Mask:
        shows = self.labels[k] == CODES[name]
        return np.asarray(shows if masks is None else shows & masks[k])


def colour_of(
    name: str, patches: Patches, *, paints: Sequence[Paint] = (), tones: Sequence[Tone | None] = ()
) -> Colour | None:
    """The colour of a surface from its patches; None from fewer than three.

    Without `tones` its covariance is that of the sample alone.
    """
    if len(patches) < MIN_PATCHES:
        return None
    lab_patches = linear_to_lab(patches.linear)
    weights = biweights(lab_patches)
    lab = np.average(lab_patches, axis=0, weights=weights)
    spread = np.sqrt(np.average((lab_patches - lab) ** 2, axis=0, weights=weights))
    by_tone = _tone_cov(lab, weights, patches.picture, tones)
    cov = mean_cov(lab_patches, weights, patches) + (0.0 if by_tone is None else by_tone)
    cov = widened(cov, lab_patches, weights, patches)
    if patches.is_thin:
        cov = cov + np.diag(np.square(THIN_LAB_SD))
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


def lab_text(colour: Colour) -> str:
    return ", ".join(with_sd(float(v), float(s)) for v, s in zip(colour.lab, colour.lab_sd, strict=True))
