"""The lens: radial distortion about a centre, its exact inverse and its slopes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch_curve
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]

ASSUMED_F_RATIO = 0.85
"""Focal length over the longer side where nothing is known: 31 mm on a 36 mm frame (common practice)."""

K1_PRIOR_SD = 0.1
"""Weak prior of k1 (radius in focal lengths) where nothing is known: covers phones (common practice)."""

GIVEN_K1_SD = 0.005
"""How far k1 may differ from a k1 given without an error: another focus or zoom (common practice)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Lens:
    """Focal length, centre and radial distortion of a photograph.

    Attributes
    ----------
    name : str
    f_px : float
        Focal length; the unit of the radius in the distortion.
    centre_px : (2,) array
        Principal point and centre of the distortion, displayed pixels.
    k1, k2 : float
    cov : (5, 5) array
        Covariance of (f_px, centre x, centre y, k1, k2); a zero variance means "taken as exact".
    rms_px : float or None
        Rms distance per coordinate that the solution left over; None where nothing was solved.
    n_views : int
        Board photographs used.
    source : str
        "board photographs", "given", "solved with the plane" or "none".
    notes : tuple of str

    Notes
    -----
    With the ideal pixel u and r = |u − centre| / f_px, the lens shows it at
    centre + (u − centre)(1 + k1 r² + k2 r⁴).
    """

    name: str
    f_px: float
    centre_px: FloatArray
    k1: float
    k2: float
    cov: FloatArray
    rms_px: float | None
    n_views: int
    source: str
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre_px", frozen_array(self.centre_px, float))
        object.__setattr__(self, "cov", frozen_array(self.cov, float))
        if not (np.isfinite(self.f_px) and self.f_px > 0):
            raise ValueError(f"f_px is {self.f_px}; a focal length is a positive number of pixels.")

    @property
    def sd(self) -> FloatArray:
        """Standard deviations (5,) of f_px, centre x, centre y, k1 and k2."""
        return np.sqrt(np.diag(self.cov))

    def __repr__(self) -> str:
        return f"Lens({self.name!r}, f {self.f_px:.1f} px, k1 {self.k1:.4f}, k2 {self.k2:.4f}, {self.source})"

    def _repr_html_(self) -> str:
        f_sd, _, _, k1_sd, k2_sd = self.sd
        centre = f"{self.centre_px[0]:.1f}, {self.centre_px[1]:.1f} px"
        rows = [
            ("focal length", with_sd(self.f_px, f_sd, "px") if f_sd else f"{self.f_px:.1f} px"),
            ("centre", centre),
            ("k1", with_sd(self.k1, k1_sd) if k1_sd else f"{self.k1:.4f}"),
            ("k2", with_sd(self.k2, k2_sd) if k2_sd else f"{self.k2:.4f}"),
            ("left over", "" if self.rms_px is None else f"{self.rms_px:.2f} px per coordinate"),
            ("source", f"{self.source}, {self.n_views} views" if self.n_views else self.source),
        ]
        radius = np.linspace(0.0, 1.2 * float(np.hypot(*self.centre_px)), 60)
        moved = radius * (self.k1 * (radius / self.f_px) ** 2 + self.k2 * (radius / self.f_px) ** 4)
        label = "How far the lens moves a point outwards, by its distance from the centre"
        drawn = sketch_curve(label, radius, moved, x_name="distance from the centre, px", y_name="moved, px")
        return card(f"Lens {self.name}", rows, notes=self.notes, drawing=drawn)


def given_lens(
    f_px: float,
    centre_px: Sequence[float] | FloatArray,
    *,
    k1: float = 0.0,
    k2: float = 0.0,
    k1_sd: float = GIVEN_K1_SD,
    name: str = "",
) -> Lens:
    """A lens from known coefficients.

    Parameters
    ----------
    f_px : float
        Focal length in pixels of the photograph as displayed.
    centre_px : (2,) sequence
    k1, k2 : float
        Radius in focal lengths.
    k1_sd : float
        How far k1 may have changed with focus or zoom; the control corrects it within that. 0: exact.
    """
    note = f"The lens coefficients are as given; k1 is allowed to differ from them by {k1_sd:g} (one sd)."
    return Lens(
        name=name,
        f_px=float(f_px),
        centre_px=np.asarray(centre_px, float),
        k1=float(k1),
        k2=float(k2),
        cov=np.diag([0.0, 0.0, 0.0, k1_sd**2, 0.0]),
        rms_px=None,
        n_views=0,
        source="given",
        notes=(note,) if k1_sd else (),
    )


def assumed_lens(width_px: int, height_px: int) -> Lens:
    """The lens of a photograph about which nothing is known: centred, k1 = 0 with a weak prior."""
    f_px = ASSUMED_F_RATIO * max(width_px, height_px)
    centre = [(width_px - 1) / 2.0, (height_px - 1) / 2.0]
    lens = given_lens(f_px, centre, k1_sd=K1_PRIOR_SD)
    note = (
        f"No lens is given. Its focal length is assumed to be {ASSUMED_F_RATIO} × the longer side "
        f"({f_px:.0f} px; it only sets the unit of k1) and its centre that of the picture; k1 starts from "
        f"0 ± {K1_PRIOR_SD:g} and is solved with the plane."
    )
    return replace(lens, source="none", notes=(note,))


def distort(lens: Lens, ideal_px: ArrayLike) -> FloatArray:
    """Photograph pixels (n, 2) at which the lens shows ideal pixels (n, 2)."""
    offset = np.asarray(ideal_px, float) - lens.centre_px
    r2 = np.square(offset).sum(axis=-1, keepdims=True) / lens.f_px**2
    return np.asarray(lens.centre_px + offset * (1.0 + r2 * (lens.k1 + r2 * lens.k2)))


def radius_limit(lens: Lens) -> float:
    """Ideal radius in focal lengths up to which the distortion can be undone; infinite if always.

    Notes
    -----
    The first positive root of d/dr [r (1 + k1 r² + k2 r⁴)] = 1 + 3 k1 r² + 5 k2 r⁴.
    """
    roots = np.roots([5.0 * lens.k2, 3.0 * lens.k1, 1.0])
    real = roots[np.abs(roots.imag) < 1e-12].real
    return float(np.sqrt(real[real > 0].min())) if (real > 0).any() else float("inf")


def undistort(lens: Lens, photo_px: ArrayLike) -> FloatArray:
    """Ideal pixels (n, 2) of photograph pixels (n, 2); exact inverse of `distort` to 1e-9 px.

    Raises
    ------
    EstimationError
        A pixel lies where this lens model folds over.

    Notes
    -----
    Newton's rule on the radius, started inside, where the function is monotonic; falls back to bisection.
    """
    offset = np.asarray(photo_px, float) - lens.centre_px
    shown = np.hypot(offset[..., 0], offset[..., 1]) / lens.f_px
    ideal = _ideal_radius(lens, shown)
    ratio = np.divide(ideal, shown, out=np.ones_like(shown), where=shown > 0)
    return np.asarray(lens.centre_px + offset * ratio[..., None])


def _ideal_radius(lens: Lens, shown: FloatArray) -> FloatArray:
    limit = radius_limit(lens)
    top = min(limit, 4.0 * float(shown.max(initial=1.0)) + 1.0)
    reach = top * (1.0 + lens.k1 * top**2 + lens.k2 * top**4)
    if shown.max(initial=0.0) > reach:
        raise EstimationError(
            "A pixel lies where the lens model folds over and cannot be undone.",
            found=f"a radius of {shown.max():.2f} focal lengths",
            needed=f"at most {reach:.2f} with k1 = {lens.k1:.3f} and k2 = {lens.k2:.3f}",
        )
    low, high = np.zeros_like(shown), np.full_like(shown, top)
    radius = np.minimum(shown, top)
    for _ in range(60):
        value = radius * (1.0 + lens.k1 * radius**2 + lens.k2 * radius**4) - shown
        slope = 1.0 + 3.0 * lens.k1 * radius**2 + 5.0 * lens.k2 * radius**4
        low, high = np.where(value < 0, radius, low), np.where(value < 0, high, radius)
        step = radius - value / np.where(slope > 1e-6, slope, 1e-6)
        if np.abs(value).max(initial=0.0) < 1e-15:
            break
        radius = np.where((step < low) | (step > high), (low + high) / 2.0, step)
    return radius


def lens_slopes(lens: Lens, ideal_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slopes of `distort` by the ideal pixel (n, 2, 2) and by f_px, centre x, y, k1, k2 (n, 2, 5)."""
    offset = ideal_px - lens.centre_px
    r2 = np.square(offset).sum(axis=1) / lens.f_px**2
    bend = lens.k1 + 2.0 * lens.k2 * r2
    outer = offset[:, :, None] * offset[:, None, :]
    gain = 1.0 + r2 * (lens.k1 + r2 * lens.k2)
    by_pixel = gain[:, None, None] * np.eye(2) + (2.0 * bend / lens.f_px**2)[:, None, None] * outer
    by_f = offset * (-2.0 * r2 * bend / lens.f_px)[:, None]
    by_lens = np.concatenate(
        [
            by_f[:, :, None],
            np.eye(2) - by_pixel,
            (offset * r2[:, None])[:, :, None],
            (offset * np.square(r2)[:, None])[:, :, None],
        ],
        axis=2,
    )
    return by_pixel, by_lens
