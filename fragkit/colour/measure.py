"""The colours of ground and shadow, and the appearance of the metal, with what they are worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.color import lab2rgb

from fragkit.card import card
from fragkit.colour.cielab import decode_srgb, linear_to_lab
from fragkit.colour.difference import delta_e00
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.sketch import sketch_swatches
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]
Paint = tuple[str, tuple[float, float, float]]

CODES = {"ground": 1, "shadow": 2, "metal": 3}
PATCH_MM = 12.0
"""Side of a patch, well above the few millimetres over which brush marks and dirt are correlated."""
EDGE_MM = 1.0
"""Pixels nearer than this to another surface are mixtures and are left out."""
FILL_RATIO = 0.10
"""A patch counts when this share of it shows the surface."""
METAL_FLAG = (
    "Appearance of tarnished leaf under this light and from this side: "
    "not a paint colour, and not the colour of the leaf when new."
)
TONE_NOTE = "A tone error common to all pictures is not in these uncertainties; a colour chart in the picture shows it."


@dataclass(frozen=True, eq=False, kw_only=True)
class Colour:
    """The colour of one surface.

    Attributes
    ----------
    name : str
    lab : (3,) array
        CIELAB under D50; `lab_d65` the same under D65.
    lab_sd : (3,) array
        Standard deviation of the mean: how well the average of these surfaces in these pictures is known.
    lab_spread : (3,) array
        Standard deviation between patches: how uneven the surface is.
    n_px, n_patches, n_pictures : int
    nearest : tuple of (paint, ΔE00, sd)
        At most three paints of the user's list, nearest first; always empty for metal.
    flag : str or None
        What the colour must not be taken for.
    """

    name: str
    lab: FloatArray
    lab_d65: FloatArray
    lab_sd: FloatArray
    lab_spread: FloatArray
    n_px: int
    n_patches: int
    n_pictures: int
    nearest: tuple[tuple[str, float, float], ...] = ()
    flag: str | None = None

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
    notes : tuple of str
    """

    ground: Colour | None
    shadow: Colour | None
    metal: Colour | None
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
    pictures: Sequence[Picture], labels: Sequence[NDArray[np.uint8]], *, paints: Sequence[Paint] = ()
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

    Raises
    ------
    ValueError
        If the numbers or sizes of pictures and labels differ.
    EstimationError
        If no picture shows at least three patches of ground.

    Notes
    -----
    Each patch of 12 mm gives one mean in linear light; the colour is their biweight mean in Lab. Its variance
    is the largest of three: patches, ninths of pictures, or whole pictures taken as independent. So
    uneven light widens it. A tone error common to all pictures does not show: only a
    chart in the picture can tell.
    """
    _check(pictures, labels)
    found = {name: _colour(name, pictures, labels, paints) for name in CODES}
    if found["ground"] is None:
        raise EstimationError(
            "The colour of the ground cannot be measured.",
            found="fewer than three patches labelled as ground",
            needed=f"three patches of {PATCH_MM:.0f} mm with sound ground",
        )
    notes = [METAL_FLAG] if found["metal"] is not None else []
    notes += [f"No {name} was labelled over three patches or more." for name, c in found.items() if c is None]
    notes.append(TONE_NOTE)
    return Colours(ground=found["ground"], shadow=found["shadow"], metal=found["metal"], notes=tuple(notes))


def nearest_paints(
    lab: FloatArray, lab_sd: FloatArray, paints: Sequence[Paint]
) -> tuple[tuple[str, float, float], ...]:
    """At most three paints as (name, ΔE00, sd of ΔE00), nearest first.

    Notes
    -----
    The sd is propagated linearly from `lab_sd` (central differences of 0.01). Below about one sd a
    difference is not told apart from none, since a difference is never negative.
    """
    rows = []
    for name, paint in paints:
        step = 0.01 * np.eye(3)
        slope = (delta_e00(lab + step, paint) - delta_e00(lab - step, paint)) / 0.02
        rows.append((name, float(delta_e00(lab, paint)), float(np.sqrt(np.sum((slope * lab_sd) ** 2)))))
    return tuple(sorted(rows, key=lambda row: row[1])[:3])


def _colour(
    name: str, pictures: Sequence[Picture], labels: Sequence[NDArray[np.uint8]], paints: Sequence[Paint]
) -> Colour | None:
    parts = [_patches(p, codes == CODES[name]) for p, codes in zip(pictures, labels, strict=True)]
    linear = np.concatenate([part[0] for part in parts])
    if len(linear) < 3:
        return None
    ninth = np.concatenate([part[1] + 9 * k for k, part in enumerate(parts)])
    lab_patches = linear_to_lab(linear)
    weights = _biweights(lab_patches)
    lab = np.average(lab_patches, axis=0, weights=weights)
    spread = np.sqrt(np.average((lab_patches - lab) ** 2, axis=0, weights=weights))
    sd = np.sqrt(
        np.max(
            [_variance_of_mean(lab_patches, weights, g) for g in (np.arange(len(ninth)), ninth, ninth // 9)],
            axis=0,
        )
    )
    is_metal = name == "metal"
    return Colour(
        name=name,
        lab=frozen_array(lab),
        lab_d65=frozen_array(np.average(linear_to_lab(linear, white="D65"), axis=0, weights=weights)),
        lab_sd=frozen_array(sd),
        lab_spread=frozen_array(spread),
        n_px=sum(part[2] for part in parts),
        n_patches=len(linear),
        n_pictures=sum(len(part[0]) > 0 for part in parts),
        nearest=() if is_metal else nearest_paints(lab, sd, paints),
        flag=METAL_FLAG if is_metal else None,
    )


def _patches(picture: Picture, mask: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.int64], int]:
    """Mean linear sRGB (n, 3) of each patch, the ninth of the picture it lies in, and the pixels used."""
    margin = max(1, round(EDGE_MM / picture.mm_per_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * margin + 1, 2 * margin + 1))
    used = cv2.erode((mask & picture.coverage).astype(np.uint8), kernel, borderValue=0).astype(bool)
    if not used.any():
        return np.empty((0, 3)), np.empty(0, np.int64), 0
    side = max(1, round(PATCH_MM / picture.mm_per_px))
    rows, columns = np.nonzero(used)
    n_across = used.shape[1] // side + 1
    patch = (rows // side) * n_across + columns // side
    count = np.bincount(patch)
    keep = np.flatnonzero(count >= FILL_RATIO * side**2)
    values = decode_srgb(picture.pixels[rows, columns])
    means = np.stack([np.bincount(patch, values[:, c])[keep] / count[keep] for c in range(3)], axis=1)
    ninth = 3 * (3 * (keep // n_across) * side // used.shape[0]) + 3 * (keep % n_across) * side // used.shape[1]
    return means, ninth.astype(np.int64), int(count[keep].sum())


def _biweights(values: FloatArray) -> FloatArray:
    """Tukey's weights of the rows by their robust distance from the median."""
    centre = np.median(values, axis=0)
    scale = 1.4826 * np.median(np.abs(values - centre), axis=0) + 1e-6
    distance = np.sqrt(np.mean(((values - centre) / scale) ** 2, axis=1)) / 6.0
    return np.asarray(np.where(distance < 1.0, (1.0 - np.minimum(distance, 1.0) ** 2) ** 2, 0.0))


def _variance_of_mean(values: FloatArray, weights: FloatArray, group: NDArray[np.int64]) -> FloatArray:
    """Variance (3,) of the weighted mean when the groups, not the values, are independent."""
    mean = np.average(values, axis=0, weights=weights)
    _, member = np.unique(group[weights > 0.0], return_inverse=True)
    n = int(member.max()) + 1
    if n < 2:
        return np.zeros(3)
    pull = weights[weights > 0.0, None] * (values[weights > 0.0] - mean)
    sums = np.stack([np.bincount(member, pull[:, c]) for c in range(3)], axis=1)
    return np.asarray(n / (n - 1) * np.sum(sums**2, axis=0) / np.sum(weights) ** 2)


def _check(pictures: Sequence[Picture], labels: Sequence[NDArray[Any]]) -> None:
    if len(pictures) != len(labels):
        raise ValueError(f"{len(pictures)} pictures but {len(labels)} label pictures; give one for each.")
    for k, (picture, codes) in enumerate(zip(pictures, labels, strict=True)):
        if codes.shape != picture.coverage.shape:
            raise ValueError(
                f"Labels {k} are {codes.shape}, their picture is {picture.coverage.shape}; make them the same size."
            )


def _lab_text(colour: Colour) -> str:
    return ", ".join(with_sd(float(v), float(s)) for v, s in zip(colour.lab, colour.lab_sd, strict=True))
