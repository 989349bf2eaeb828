"""Lap lines: where sheets of leaf overlap, straight lines at a regular spacing tell the size of the leaf."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, label, uniform_filter1d

from fragkit.colour.surface import CODES, Mask
from fragkit.opencv import cv2
from fragkit.rectify import Picture
from fragkit.rectify.light import linear_light

FloatArray = NDArray[np.float64]
Comb = tuple[float, float, float, float, float]
"""Score, direction across the lines in degrees, spacing and first place in mm, sign."""

LEAF_SIDES: tuple[tuple[float, str], ...] = (
    (76.2, "3 in, historic gold, The Art of Gold Beating (c. 1880s)"),
    (80.0, "European gold, supplier's article (2021), handover.co.uk"),
    (82.55, "3¼ in, historic British and American gold, Roberts & Etherington"),
    (85.7, "3⅜ in, American gold, supplier's article (2021), handover.co.uk"),
    (91.5, "Russian gold, goldbeater's page, eytzinger.com"),
    (95.0, "silver, common practice, not confirmed by a source"),
    (101.6, "4 in, historic silver (1908)"),
    (109.0, "silver, common practice, not confirmed by a source"),
    (114.3, "4½ in, historic silver (c. 1880s)"),
    (140.0, "brass and aluminium, supplier's article (2021), handover.co.uk"),
    (160.0, "brass and aluminium, loose, supplier's page, stonehouses.co.uk"),
)
"""Sides of square leaf in mm, each with where it is published."""

OVERLAP_MM, OVERLAP_SD_MM = 2.0, 1.0
"""Usual overlap of leaves on a field (supplier's how-to, hobby-louis.de); the spread is common practice, no source."""

SPACING_MM = (70.0, 165.0)
MIN_LINES = 3
STEP_MM, ANGLE_STEP_DEG = 1.0, 0.5
BROAD_MM = 2.0
"""Changes broader than this are tarnish or light, not lines."""
LINE_MM = 2
LINE_SD_MM = 0.7
"""How well a line is placed at best: leaf is laid by hand, and read at 1 mm a step."""
GAP_MM = 6.0
"""Metal parted by less than this is one piece: cracks and small losses."""
CAP = 4.0
"""No single line counts for more than this many standard deviations: a scratch is not a regular spacing."""
MIN_SCORE = 6.5
"""Score that metal without laps reaches in fewer than one picture of a hundred, measured on simulated leaf."""
SECOND_SCORE = 4.8
"""The same for the other direction, square to the first, which is searched at few angles."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Laps:
    """What a picture shows of lap lines.

    Attributes
    ----------
    is_told : bool
        Whether pieces of metal are large enough to tell.
    spacings : tuple of (direction_deg, spacing_mm, sd_mm, n_lines)
        None, one or two sets of parallel lines, the surer first; the direction is that of the lines, anticlockwise
        from the picture's x axis.
    leaf_sides : tuple of (side_mm, source)
        Published sizes of leaf that all spacings fit, with the usual overlap.
    largest_mm2 : float
        Box of the largest piece of metal.
    text : str
    """

    is_told: bool
    spacings: tuple[tuple[float, float, float, int], ...] = ()
    leaf_sides: tuple[tuple[float, str], ...] = ()
    largest_mm2: float = 0.0
    text: str


def find_laps(picture: Picture, codes: NDArray[np.uint8]) -> Laps:
    """Straight lines at a regular spacing in the metal, and the leaf sizes they would fit.

    Parameters
    ----------
    picture : Picture
    codes : (h, w) uint8 array
        Labels: 3 is metal.

    Notes
    -----
    In the largest piece of metal, what is left of log lightness after its broad changes is averaged along every
    direction. A comb of `MIN_LINES` or more lines, each capped so that a single scratch cannot carry it, is
    slid over these profiles; the best comb counts when metal without laps would hardly ever reach its score.
    """
    light, metal = _small(picture, codes == CODES["metal"])
    piece = _largest_piece(metal)
    rows, columns = np.nonzero(piece)
    size = (0.0, 0.0) if not len(rows) else (float(np.ptp(columns)) + 1.0, float(np.ptp(rows)) + 1.0)
    if max(size) * STEP_MM < (MIN_LINES - 1) * SPACING_MM[0] or min(size) * STEP_MM < SPACING_MM[0]:
        return Laps(is_told=False, largest_mm2=size[0] * size[1], text=_too_small(size, bool(len(rows))))
    texture = _texture(light, piece)[rows, columns]
    xy: FloatArray = np.column_stack([columns, -rows]).astype(float) * STEP_MM
    best = _search(xy, texture, np.arange(0.0, 180.0, ANGLE_STEP_DEG))
    if best is None or best[0] < MIN_SCORE:
        return Laps(
            is_told=True, text=f"No lap lines at a regular spacing in {size[0]:.0f} × {size[1]:.0f} mm of metal."
        )
    sets = [best]
    other = _search(xy, texture, best[1] + 90.0 + np.arange(-2.0, 2.01, ANGLE_STEP_DEG))
    if other is not None and other[0] >= SECOND_SCORE:
        sets.append(other)
    spacings = tuple(((own[1] + 90.0) % 180.0, *_refined(xy, texture, own)) for own in sets)
    sides = tuple(one for one in LEAF_SIDES if all(_fits(one[0], spacing, sd) for _, spacing, sd, _ in spacings))
    return Laps(is_told=True, spacings=spacings, leaf_sides=sides, text=_words(spacings, sides))


def _small(picture: Picture, metal: Mask) -> tuple[FloatArray, Mask]:
    """Log lightness (h', w') at 1 mm a pixel, and where that is metal."""
    ratio = picture.mm_per_px / STEP_MM
    size = (max(1, round(metal.shape[1] * ratio)), max(1, round(metal.shape[0] * ratio)))
    green = linear_light(picture.pixels[..., 1])
    share = cv2.resize(metal.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mean = cv2.resize(green * metal, size, interpolation=cv2.INTER_AREA) / np.maximum(share, 1e-6)
    return np.log(np.maximum(mean, 1e-3)).astype(float), share > 0.9


def _largest_piece(metal: Mask) -> Mask:
    """The metal of the piece of largest area, gaps of a few millimetres bridged."""
    n = round(GAP_MM / STEP_MM)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n + 1, n + 1))
    bridged = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    pieces, n_pieces = label(bridged)
    if n_pieces == 0:
        return np.zeros_like(metal)
    areas = np.bincount(pieces.ravel())[1:]
    return np.asarray(metal & (pieces == 1 + areas.argmax()))


def _texture(light: FloatArray, piece: Mask) -> FloatArray:
    """What the broad changes leave, in robust standard deviations, nothing beyond three."""
    weight = gaussian_filter(piece.astype(float), BROAD_MM / STEP_MM)
    left = light - gaussian_filter(np.where(piece, light, 0.0), BROAD_MM / STEP_MM) / np.maximum(weight, 1e-6)
    scale = 1.4826 * np.median(np.abs(left[piece])) + 1e-9
    return np.asarray(np.clip(left / scale, -3.0, 3.0))


def _profile(xy: FloatArray, texture: FloatArray, across_deg: float) -> tuple[FloatArray, float]:
    """Mean texture along lines, in its own robust standard deviations, by place across them; and where it starts.

    NaN where the lines are short.
    """
    place = xy @ [np.cos(np.radians(across_deg)), np.sin(np.radians(across_deg))]
    start = float(np.floor(place.min()))
    bins = np.rint((place - start) / STEP_MM).astype(np.int64)
    count = uniform_filter1d(np.bincount(bins).astype(float), LINE_MM, mode="constant")
    total = uniform_filter1d(np.bincount(bins, texture), LINE_MM, mode="constant")
    use = count > 0.35 * count.max()
    score = total[use] / np.sqrt(count[use])
    centred = score - np.median(score)
    profile = np.full(len(count), np.nan)
    profile[use] = centred / (1.4826 * np.median(np.abs(centred)) + 1e-9)
    return profile, start


def _search(
    xy: FloatArray, texture: FloatArray, across_deg: FloatArray
) -> tuple[float, float, float, float, float] | None:
    """The best comb over some directions."""
    best: Comb | None = None
    for angle in across_deg:
        profile, start = _profile(xy, texture, float(angle))
        found = _best_comb(np.clip(profile, -CAP, CAP))
        if found is not None and (best is None or found[0] > best[0]):
            best = (found[0], float(angle), found[1], start + found[2], found[3])
    return best


def _best_comb(profile: FloatArray) -> tuple[float, float, float, float] | None:
    """Score, spacing, first place and sign of the best comb of lines in a profile at 1 mm a step."""
    best: tuple[float, float, float, float] | None = None
    for spacing in np.arange(SPACING_MM[0], min(SPACING_MM[1], len(profile) / (MIN_LINES - 1)) + 0.25, 0.5):
        at = np.rint(np.arange(0.0, len(profile), spacing)).astype(np.int64)
        first = np.arange(int(spacing))
        places = first[:, None] + at
        inside = places < len(profile)
        values = np.where(inside, profile[np.minimum(places, len(profile) - 1)], np.nan)
        n = np.isfinite(values).sum(axis=1)
        scores = np.where(n >= MIN_LINES, np.nansum(values, axis=1) / np.sqrt(np.maximum(n, 1)), 0.0)
        k = int(np.abs(scores).argmax())
        if best is None or abs(scores[k]) > best[0]:
            best = (float(abs(scores[k])), float(spacing), float(first[k]), float(np.sign(scores[k])))
    return best


def _refined(xy: FloatArray, texture: FloatArray, comb: Comb) -> tuple[float, float, int]:
    """Spacing by a straight line through the places of the comb's lines, its sd, and the number of lines."""
    _, angle, spacing, first, sign = comb
    profile, start = _profile(xy, texture, angle)
    rise = np.where(np.isfinite(profile), np.maximum(sign * profile, 0.0), 0.0)
    number, place = [], []
    for k in range(int((len(profile) - (first - start)) / spacing) + 1):
        middle = round(first - start + k * spacing)
        window = np.arange(max(middle - 3, 0), min(middle + 4, len(profile)))
        if rise[window].max(initial=0.0) > 1.5:
            number.append(k)
            place.append(float(np.average(window, weights=rise[window])))
    steps, at = np.array(number, float), np.array(place)
    slope, offset = np.polyfit(steps, at, 1)
    spread = np.sum((steps - steps.mean()) ** 2)
    scatter = max(LINE_SD_MM, float(np.sqrt(np.sum((at - slope * steps - offset) ** 2) / max(len(steps) - 2, 1))))
    return float(slope), float(scatter / np.sqrt(spread)), len(steps)


def _fits(side_mm: float, spacing_mm: float, sd_mm: float) -> bool:
    return abs(side_mm - OVERLAP_MM - spacing_mm) <= 1.96 * float(np.hypot(sd_mm, OVERLAP_SD_MM))


def _too_small(size: tuple[float, float], has_metal: bool) -> str:
    if not has_metal:
        return "No metal is labelled, so lap lines cannot be looked for."
    need = (MIN_LINES - 1) * SPACING_MM[0]
    return (
        "The size of the leaf cannot be told from lap lines: the largest piece of metal is "
        f"{size[0]:.0f} × {size[1]:.0f} mm, and a regular spacing needs {MIN_LINES} lines, that is {need:.0f} mm."
    )


def _words(spacings: tuple[tuple[float, float, float, int], ...], sides: tuple[tuple[float, str], ...]) -> str:
    sets = " and ".join(f"{n} lines {spacing:.1f} ± {sd:.1f} mm apart" for _, spacing, sd, n in spacings)
    fits = "; ".join(f"{side:.0f} mm ({source})" for side, source in sides)
    return f"Lap lines in the metal: {sets}. With an overlap of about 2 mm they fit leaf of " + (
        f"{fits}." if fits else "no published size: it was cut, or laid with another overlap."
    )
