"""Tone and white out of a chart or grey card in the photograph: a colour matrix to published Lab values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.rectify.light import linear_light
from fragkit.rectify.wall_light import WallLight
from fragkit.sketch import sketch_bars
from fragkit.survey import ChartEntry

FloatArray = NDArray[np.float64]

SRGB_TO_XYZ_D50 = np.array(
    [[0.4360747, 0.3850649, 0.1430804], [0.2225045, 0.7168786, 0.0606169], [0.0139322, 0.0971045, 0.7141733]]
)
"""Linear sRGB to XYZ under D50: IEC 61966-2-1 by Bradford adaptation (ICC.1:2022, annex E)."""

WHITE_D50 = np.array([0.96422, 1.0, 0.82521])
_EPSILON, _KAPPA = 216.0 / 24389.0, 24389.0 / 27.0

PATCH_RATIO = 0.22
"""Half side of the square that is averaged, in distances to the nearest other patch."""

LONE_PATCH_RATIO = 0.01
"""The same for a single patch, as a share of the photograph's longer side."""

CLIPPED_RATIO, DARK_RATIO = 0.985, 0.02
"""Encoded values, as a share of full scale, from which a pixel counts as clipped or as black."""

MAX_SPOILT_SHARE = 0.02
"""A patch is dropped when more of its pixels than this are clipped or black."""

MIN_PATCHES = {"colour": 6, "grey": 1}
MIN_SHADED = 16
"""Patches from which the slow change of light over the chart is solved too."""

ROUNDING_LEVELS = 0.4
"""By how much a picture of 8 bits, mostly a JPEG, rounds even colours; measured on simulated ones."""

N_WORST = 5
_COVS = ("matrix_cov", "level_cov")
MAX_MEAN_MISS = 12.0
"""Mean colour difference (ΔE*ab 1976) above which the patches cannot be what the table says."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Tone:
    """How the colours of one photograph are brought to those of its chart.

    Attributes
    ----------
    matrix : (3, 3) array
        Photograph's linear RGB (column) to linear sRGB at the middle of the chart.
    light : (5,) array
        Log gain over the chart, by u, v, u², uv, v² of `to_unit`.
    to_unit : (2, 2) array
        Centre and half extent of the chart in photograph pixels; u, v = (xy − centre) / half extent.
    names, dropped : tuple of str
        Patches used, and patches left out because they are clipped or black.
    lab, lab_found : (n, 3) arrays
        Published values, and what the corrected patches show (D50).
    lab_left_out : (n, 3) array or None
        What each shows when the tone is set without it; None where the patches are too few.
    noise : (n,) array
        Standard deviation of L* from pixel to pixel within each patch.
    kind : str
        "colour" or "grey".
    matrix_cov : (9, 9) array or None
        Covariance of `matrix`, row by row, from what the patches are left with; None where they cannot tell.
    level_cov : (3, 3) array
        Covariance of the log light at the chart against that on the wall, by channel; filled by `set_tone`.
    light_ratio : float or None
        Darkest light on the wall over its brightest, before it was evened; None where the wall did not tell.
    rounding : float
        Standard deviation by which the file rounds even colours, as a share of full scale.
    notes : tuple of str
    """

    matrix: FloatArray
    light: FloatArray
    to_unit: FloatArray
    names: tuple[str, ...]
    dropped: tuple[str, ...]
    lab: FloatArray
    lab_found: FloatArray
    lab_left_out: FloatArray | None = None
    noise: FloatArray = field(default_factory=lambda: np.zeros(0))
    kind: str
    matrix_cov: FloatArray | None = None
    level_cov: FloatArray = field(default_factory=lambda: np.zeros((3, 3)))
    light_ratio: float | None = None
    rounding: float = 0.0
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("matrix", "light", "to_unit", "lab", "lab_found", "lab_left_out", "noise", *_COVS):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    def lab_cov(self, lab: FloatArray) -> FloatArray | None:
        """Covariance (3, 3) that chart and light leave in a colour measured as Lab (3,); None for a grey card.

        Notes
        -----
        To first order: that of the matrix, of the light at the chart against the light on the wall, and of
        rounding. A JPEG rounds the hue of even areas, all greys alike, so that more patches do not help.
        """
        if self.matrix_cov is None:
            return None
        linear = lab_to_linear(np.asarray(lab, float)[None])[0]
        seen = np.linalg.solve(self.matrix, linear)
        by_matrix, by_light = np.kron(np.eye(3), seen), self.matrix * seen
        level = self.level_cov + np.diag(np.square(self.rounding * 2.4 / _encode(seen)))
        cov = by_matrix @ self.matrix_cov @ by_matrix.T + by_light @ level @ by_light.T
        step = 1e-4 * np.eye(3)
        slope = (linear_to_lab_d50(linear + step) - linear_to_lab_d50(linear - step)).T / 2e-4
        return np.asarray(slope @ cov @ slope.T)

    @property
    def miss(self) -> FloatArray:
        """Colour differences (n,) of the corrected patches, ΔE*ab 1976."""
        return np.asarray(np.linalg.norm(self.lab_found - self.lab, axis=1))

    def log_gain(self, xy_px: FloatArray) -> FloatArray:
        """Log (n,) of what evens the light at photograph pixels (n, 2); beyond the chart as at its edge."""
        return _surface(np.clip((xy_px - self.to_unit[0]) / self.to_unit[1], -1.2, 1.2)) @ self.light

    def __repr__(self) -> str:
        return f"Tone({self.kind} chart, {len(self.names)} patches, mean ΔE*ab {self.miss.mean():.1f})"

    def _repr_html_(self) -> str:
        rows = [
            ("patches used", str(len(self.names))),
            ("left out", ", ".join(self.dropped) or "none"),
            ("left over", f"ΔE*ab {self.miss.mean():.1f} on average, {self.miss.max():.1f} at most"),
        ]
        worst = np.argsort(-self.miss)[:N_WORST]
        off = {self.names[k]: float(self.miss[k]) for k in worst}
        drawn = sketch_bars("Patches that are furthest off, ΔE*ab", off)
        return card(f"Tone set by a {self.kind} chart", rows, notes=self.notes, drawing=drawn)


def fit_tone(pixels: NDArray[Any], chart: ChartEntry, *, light: WallLight | None = None) -> Tone:
    """The colour matrix, and the light over the chart, that bring its patches to their published values.

    Parameters
    ----------
    pixels : (h, w, 3) array of uint8 or uint16
        The photograph as displayed.
    chart : ChartEntry
        Patch centres in its pixels and Lab (D50). Kind "grey" sets one gain per channel, no matrix.
    light : WallLight, optional
        The light on the wall that the chart hangs on; without it the patches themselves must tell.

    Raises
    ------
    EstimationError
        Too few patches that are neither clipped nor black, or patches that are not those of the table.
    ValueError
        A patch outside the photograph.

    Notes
    -----
    In linear light, published = gain(x, y) · M · photographed. The gain is that of `light`; without it, a
    quadratic log gain where there are `MIN_SHADED` patches or more. First by linear least squares, then by
    least squares in Lab.
    """
    half_px = _half_px(chart, pixels.shape)
    means, noise, spoilt = _patches(pixels, chart, half_px)
    names = np.array(chart.names)
    dropped = tuple(f"{name} ({spoilt[i]})" for i, name in enumerate(chart.names) if spoilt[i])
    keep = np.array([not why for why in spoilt])
    if keep.sum() < MIN_PATCHES[chart.kind]:
        raise EstimationError(
            f"The {chart.kind} chart cannot set the tone: too many patches are clipped or black.",
            found=f"{keep.sum()} patches to use; left out: {', '.join(dropped) or 'none'}",
            needed=f"{MIN_PATCHES[chart.kind]} or more: expose so that the white patch stays below full "
            'scale, check the pixels of the patches, or give a grey card as kind = "grey"',
        )
    xy, lab = np.asarray(chart.xy_px, float)[keep], np.asarray(chart.lab, float)[keep]
    to_unit = np.array([xy.mean(axis=0), np.maximum(np.ptp(xy, axis=0) / 2.0, half_px)])
    surface, means = _surface((xy - to_unit[0]) / to_unit[1]), means[keep]
    if light is not None:
        means = means * np.exp(light.log_light(to_unit[:1]) - light.log_light(xy))
    solved = _solve(means, lab, surface, chart.kind, is_shaded=light is None and len(means) >= MIN_SHADED)
    found = solved.show(means, surface)
    _refuse_other_patches(names[keep], lab, found, means, chart.kind)
    return Tone(
        matrix=solved.matrix,
        light=solved.light,
        to_unit=to_unit,
        names=tuple(names[keep].tolist()),
        dropped=dropped,
        lab=lab,
        lab_found=found,
        lab_left_out=solved.without_each(lab, found),
        noise=noise[keep],
        kind=chart.kind,
        matrix_cov=solved.matrix_cov(lab - found),
        rounding=ROUNDING_LEVELS / 255.0 if pixels.dtype == np.uint8 else 0.0,
        notes=_notes(lab, found, dropped, chart.kind),
    )


def lab_to_linear(lab: FloatArray) -> FloatArray:
    """Linear sRGB (n, 3) of Lab under D50 (n, 3); outside 0..1 for colours beyond sRGB."""
    fy = (lab[:, 0] + 16.0) / 116.0
    f = np.column_stack([fy + lab[:, 1] / 500.0, fy, fy - lab[:, 2] / 200.0])
    ratio = np.where(f**3 > _EPSILON, f**3, (116.0 * f - 16.0) / _KAPPA)
    return np.asarray(np.linalg.solve(SRGB_TO_XYZ_D50, (ratio * WHITE_D50).T).T)


def linear_to_lab_d50(linear: FloatArray) -> FloatArray:
    """Lab under D50 (n, 3) of linear sRGB (n, 3)."""
    ratio = linear @ SRGB_TO_XYZ_D50.T / WHITE_D50
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    return np.column_stack([116.0 * f[:, 1] - 16.0, 500.0 * (f[:, 0] - f[:, 1]), 200.0 * (f[:, 1] - f[:, 2])])


def _encode(linear: FloatArray) -> FloatArray:
    """Encoded sRGB 0..1 of linear light, near enough to know how coarse its steps are."""
    return np.asarray(np.maximum(linear, 1e-3) ** (1.0 / 2.4))


def _surface(unit: FloatArray) -> FloatArray:
    u, v = unit[:, 0], unit[:, 1]
    return np.column_stack([u, v, u * u, u * v, v * v])


def _half_px(chart: ChartEntry, shape: tuple[int, ...]) -> int:
    xy = np.asarray(chart.xy_px, float)
    apart = np.linalg.norm(xy[:, None] - xy, axis=2) + 1e9 * np.eye(len(xy))
    own = PATCH_RATIO * apart.min() if len(xy) > 1 else LONE_PATCH_RATIO * max(shape[:2])
    return max(1, int(own))


def _patches(pixels: NDArray[Any], chart: ChartEntry, half_px: int) -> tuple[FloatArray, FloatArray, list[str]]:
    """Mean linear RGB (n, 3) of the patches, their noise in L*, and why a patch cannot be used ("" if it can)."""
    top = np.iinfo(pixels.dtype).max
    means, noise, spoilt = [], [], []
    for name, (x, y) in zip(chart.names, np.rint(chart.xy_px).astype(int), strict=True):
        rows, columns = pixels.shape[:2]
        if not (half_px <= x < columns - half_px and half_px <= y < rows - half_px):
            raise ValueError(
                f"Patch {name} at ({x}, {y}) px does not lie in the photograph with {half_px} px around it; "
                "take its centre from the picture as displayed, or leave it out."
            )
        patch = pixels[y - half_px : y + half_px + 1, x - half_px : x + half_px + 1]
        linear = linear_light(patch).reshape(-1, 3).astype(float)
        means.append(linear.mean(axis=0))
        noise.append(linear_to_lab_d50(linear)[:, 0].std())
        is_clipped = (patch >= CLIPPED_RATIO * top).any(axis=2).mean() > MAX_SPOILT_SHARE
        is_black = (patch <= DARK_RATIO * top).all(axis=2).mean() > MAX_SPOILT_SHARE
        spoilt.append("clipped" if is_clipped else "black" if is_black else "")
    return np.array(means), np.array(noise), spoilt


@dataclass(frozen=True, eq=False, kw_only=True)
class _Solved:
    """Matrix, light and the slopes (3 n, free) of the patches' Lab by what was solved; None for a grey card."""

    matrix: FloatArray
    light: FloatArray
    slopes: FloatArray | None

    def show(self, means: FloatArray, surface: FloatArray) -> FloatArray:
        """Lab (n, 3) of the patches once corrected."""
        return linear_to_lab_d50(np.exp(surface @ self.light)[:, None] * means @ self.matrix.T)

    def matrix_cov(self, miss: FloatArray) -> FloatArray | None:
        """Covariance (9, 9) of the matrix from what is left over."""
        if self.slopes is None or self.slopes.shape[0] <= self.slopes.shape[1]:
            return None
        spare = self.slopes.shape[0] - self.slopes.shape[1]
        return np.asarray(np.linalg.pinv(self.slopes.T @ self.slopes)[:9, :9] * np.square(miss).sum() / spare)

    def without_each(self, lab: FloatArray, found: FloatArray) -> FloatArray | None:
        """Lab (n, 3) that each patch would show, to first order, had it not been used."""
        if self.slopes is None or self.slopes.shape[0] <= self.slopes.shape[1] + 3:
            return None
        parts = self.slopes.reshape(len(lab), 3, -1)
        hat = parts @ np.linalg.pinv(self.slopes.T @ self.slopes) @ np.swapaxes(parts, 1, 2)
        return np.asarray(lab + np.einsum("nij,nj->ni", np.linalg.pinv(np.eye(3) - hat), found - lab))


def _solve(means: FloatArray, lab: FloatArray, surface: FloatArray, kind: str, *, is_shaded: bool) -> _Solved:
    """Matrix and light by least squares in Lab, started in linear light."""
    wanted, no_light = lab_to_linear(lab), np.zeros(surface.shape[1])
    if kind == "grey":
        gains = (means * wanted).sum(axis=0) / np.square(means).sum(axis=0)
        return _Solved(matrix=np.diag(gains), light=no_light, slopes=None)
    start = np.linalg.lstsq(means, wanted, rcond=None)[0].T

    def miss(values: FloatArray) -> FloatArray:
        gain = np.exp(surface @ values[9:]) if is_shaded else np.ones(len(means))
        return (linear_to_lab_d50(gain[:, None] * means @ values[:9].reshape(3, 3).T) - lab).ravel()

    best = least_squares(miss, np.concatenate([start.ravel(), no_light[: 5 * is_shaded]]), x_scale="jac")
    light = best.x[9:] if is_shaded else no_light
    return _Solved(matrix=best.x[:9].reshape(3, 3), light=light, slopes=best.jac)


def _refuse_other_patches(
    names: NDArray[Any], lab: FloatArray, found: FloatArray, means: FloatArray, kind: str
) -> None:
    miss = np.linalg.norm(found - lab, axis=1)
    if miss.mean() <= MAX_MEAN_MISS:
        return
    worst = ", ".join(names[np.argsort(-miss)[:3]].tolist())
    flipped = _solve(means[::-1], lab, np.zeros((len(lab), 5)), kind, is_shaded=False).matrix
    turned = np.linalg.norm(linear_to_lab_d50(means[::-1] @ flipped.T) - lab, axis=1).mean() < MAX_MEAN_MISS
    raise EstimationError(
        "The patches of the chart are not those of its table."
        + " They fit in the opposite order: the chart lies turned by 180°." * bool(turned),
        found=f"a mean difference of {miss.mean():.0f} (ΔE*ab) after correction, worst at {worst}",
        needed="each patch's own pixels and Lab (D50) values in its row",
    )


def _notes(lab: FloatArray, found: FloatArray, dropped: tuple[str, ...], kind: str) -> tuple[str, ...]:
    miss = np.linalg.norm(found - lab, axis=1)
    notes = [
        f"Tone and white are set by a {kind} chart of {len(lab)} patches; they are left with ΔE*ab "
        f"{miss.mean():.1f} on average and {miss.max():.1f} at most. The picture is sRGB from here on."
    ]
    if dropped:
        notes.append(f"Patches left out: {', '.join(dropped)}.")
    if kind == "grey":
        notes.append("A grey card sets white and lightness only; hues are those of the camera.")
    return tuple(notes)
