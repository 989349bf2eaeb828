"""From a photograph and its control to a true-scale picture with stated errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.opencv import cv2
from fragkit.rectify.adjust import Adjusted
from fragkit.rectify.chart import Tone
from fragkit.rectify.lens import Lens
from fragkit.rectify.picture import Picture
from fragkit.rectify.plane import Observations, Plane
from fragkit.rectify.relief import Camera, relief_covariance_mm2
from fragkit.rectify.resample import (
    Box,
    choose_sampling_mm,
    ground_sampling_mm,
    true_scale,
)
from fragkit.rectify.solving import solve
from fragkit.survey import BoardControl, Control, Photograph
from fragkit.threads import with_one_blas_thread
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]

PREVIEW_PX = 420
"""Longer side of the picture shown in a notebook."""

MAP_NODES = 129
"""Places a side at which the sampling map is computed; between them it is linear."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Rectified:
    """A photograph brought to its plane.

    Attributes
    ----------
    picture : Picture
    plane : Plane
        The solved plane and lens.
    lens : Lens
        As used or solved, with its source.
    camera : Camera
        Where the photograph was taken from, for relief.
    control_names : tuple of str
    control_xy_mm, residuals_mm : (n, 2) arrays
        As measured; where the picked pixels fall on the plane minus that.
    loo_residuals_mm : (n, 2) array or None
        The same with the plane solved without the point; None when points cannot be spared.
    rms_mm, rms_px : float
        Root mean square residual per coordinate.
    loo_rms_mm : float or None
    n_control : int
    suspects : tuple of str
        Points farther off than chance allows.
    budget : mapping of str to float
        Sd in mm per coordinate, rms over the picture, of "control and picking", "lens" and "relief"; with a
        scale bar alone also of "tilt".
    sd_mm : float
        Their total.
    notes : tuple of str
    tone : Tone or None
        How a chart set the colours of `picture`; None where they are those of the photograph.
    flatness_mm : float
        How far the surface was said to leave its plane.
    """

    picture: Picture
    plane: Plane
    lens: Lens
    camera: Camera
    control_names: tuple[str, ...]
    control_xy_mm: FloatArray
    residuals_mm: FloatArray
    loo_residuals_mm: FloatArray | None
    rms_mm: float
    rms_px: float
    loo_rms_mm: float | None
    n_control: int
    suspects: tuple[str, ...]
    budget: Mapping[str, float]
    sd_mm: float
    notes: tuple[str, ...]
    tone: Tone | None = None
    flatness_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("control_xy_mm", "residuals_mm", "loo_residuals_mm"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, frozen_array(getattr(self, name), float))
        object.__setattr__(self, "budget", MappingProxyType(dict(self.budget)))

    @property
    def homography(self) -> FloatArray:
        """Plane mm to ideal (distortion-free) photograph pixels, (3, 3)."""
        return self.plane.homography

    @property
    def parameter_cov(self) -> FloatArray:
        """Covariance (13, 13) of the free entries of `plane.unit_homography` and the lens's five."""
        return self.plane.cov

    def to_mm(self, xy_px: ArrayLike) -> FloatArray:
        """Plane points (n, 2) in mm of photograph pixels (n, 2)."""
        return self.plane.to_mm(xy_px)

    def to_px(self, xy_mm: ArrayLike) -> FloatArray:
        """Photograph pixels (n, 2), distortion included, of plane points (n, 2) in mm."""
        return self.plane.to_px(xy_mm)

    def covariance_mm2(self, xy_mm: ArrayLike) -> FloatArray:
        """Covariance (n, 2, 2) in mm² at plane points (n, 2): control, picking and lens; relief is apart."""
        return self.plane.covariance_mm2(xy_mm)

    def joint_covariance_mm2(self, xy_mm: ArrayLike) -> FloatArray:
        """Covariance (2n, 2n) in mm² of plane points (n, 2) together, as x1, y1, x2, …; relief is apart."""
        return self.plane.joint_covariance_mm2(xy_mm)

    def relief_covariance_mm2(self, xy_mm: ArrayLike, *, flatness_mm: float) -> FloatArray:
        """Covariance (n, 2, 2) in mm² that a surface out of its plane by up to ± `flatness_mm` adds."""
        return relief_covariance_mm2(self.camera, np.asarray(xy_mm, float), flatness_mm)

    def sampling_mm(self, xy_mm: ArrayLike) -> FloatArray:
        """Millimetres of wall per photograph pixel (n,) at plane points (n, 2): the root of a pixel's area."""
        return ground_sampling_mm(self.plane, np.asarray(xy_mm, float))

    def sampling_map_mm(self) -> NDArray[np.float32]:
        """The same for every pixel of the picture (h, w); 0 where the photograph shows nothing."""
        height, width = self.picture.coverage.shape
        columns, rows = (np.linspace(-0.5, n - 0.5, MAP_NODES + 1) for n in (width, height))
        middles = [(edges[1:] + edges[:-1]) / 2.0 for edges in (columns, rows)]
        nodes = np.stack(np.meshgrid(*middles), axis=-1).reshape(-1, 2)
        coarse = self.sampling_mm(self.picture.to_mm(nodes)).reshape(MAP_NODES, MAP_NODES).astype(np.float32)
        full = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
        return np.where(self.picture.coverage, full, np.float32(0.0))

    def __repr__(self) -> str:
        height, width = self.picture.coverage.shape
        return (
            f"Rectified({width} × {height} px at {self.picture.mm_per_px:g} mm, {self.n_control} points, "
            f"good to {self.sd_mm:.2g} mm per coordinate)"
        )

    def _repr_html_(self) -> str:
        largest = max(self.budget, key=lambda source: self.budget[source])
        height, width = self.picture.coverage.shape
        loo = "no point can be spared" if self.loo_rms_mm is None else f"{self.loo_rms_mm:.2g} mm"
        rows = [
            ("picture", f"{width} × {height} px at {self.picture.mm_per_px:g} mm per px"),
            ("good to", f"{self.sd_mm:.2g} mm per coordinate (one sd)"),
            *((f"from {source}", f"{sd:.2g} mm") for source, sd in self.budget.items()),
            ("largest", largest),
            ("control", f"{self.n_control} points, residual {self.rms_mm:.2g} mm, left out {loo}"),
            ("lens", f"{self.lens.source}, k1 {with_sd(self.lens.k1, float(self.lens.sd[3]))}"),
        ]
        ratio = min(1.0, PREVIEW_PX / max(height, width))
        small = cv2.resize(self.picture.pixels, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
        png = cv2.imencode(".png", small[:, :, ::-1])[1].tobytes()
        title = "Photograph brought to its plane"
        return card(title, rows, notes=self.notes, picture_png=png, picture_text="The wall at true scale, y up")


@with_one_blas_thread
def rectify(
    photo: Photograph | NDArray[Any],
    control: Control,
    *,
    lens: Lens | None = None,
    flatness_mm: float = 0.0,
    mm_per_px: float | None = None,
    area_mm: Box | None = None,
) -> Rectified:
    """True-scale picture of the wall plane, with the error of any point on it.

    Parameters
    ----------
    photo : Photograph or (h, w, 3) or (h, w) array of uint8 or uint16
        As displayed.
    control : PointControl, BoardControl, TapeControl or BarControl
    lens : Lens, optional
        From `solve_lens` or `given_lens`; corrected by the control within its covariance. Without one, k1 is
        solved with the plane from a weak prior (0 ± 0.1), and k2 where the points are many.
    flatness_mm : float
        How far the surface may leave its plane, to either side.
    mm_per_px : float, optional
        Default: the median of what the photograph carries. Never finer than the photograph.
    area_mm : (x0, y0, x1, y1), optional
        Default: what the photograph shows within the hull of the control × 1.25 (a board: × 5; a scale bar:
        the whole photograph).

    Raises
    ------
    EstimationError
        Control that does not fix the plane or contradicts the photograph or itself; the point is named.
    ValueError
        Arguments that make no picture.

    Notes
    -----
    Plane and lens are solved together by weighted least squares; see `fragkit.rectify.plane.solve_plane`.
    """
    pixels = _pixels(photo)
    size_px = (pixels.shape[1], pixels.shape[0])
    solved = solve(control, size_px=size_px, pixels=pixels, lens=lens, flatness_mm=flatness_mm, area_mm=area_mm)
    points, fit = solved.points, solved.fit
    picture = true_scale(
        pixels,
        fit.plane,
        area_mm=solved.area_mm,
        mm_per_px=choose_sampling_mm(fit.plane, solved.probes_mm, mm_per_px),
        hull_mm=solved.hull_mm,
        hidden_mm=_board_outline_mm(points, control),
    )
    if isinstance(photo, Photograph):
        picture = replace(picture, icc=photo.icc)
    return replace(_result(picture, points, fit, solved.budget, solved.notes), flatness_mm=flatness_mm)


def _pixels(photo: Photograph | NDArray[Any]) -> NDArray[Any]:
    pixels = photo.pixels if isinstance(photo, Photograph) else np.asarray(photo)
    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3) or pixels.shape[2:] not in ((), (3,)):
        raise ValueError(
            f"A photograph of {pixels.dtype} and shape {pixels.shape}; it must be (h, w, 3) or (h, w), uint8 or uint16."
        )
    return np.repeat(pixels[:, :, None], 3, axis=2) if pixels.ndim == 2 else pixels


def _board_outline_mm(points: Observations, control: Control) -> FloatArray | None:
    """The board with its outer squares and half a square of border."""
    if not isinstance(control, BoardControl):
        return None
    margin = 1.5 * control.square_mm
    (x0, y0), (x1, y1) = points.xy_mm.min(axis=0) - margin, points.xy_mm.max(axis=0) + margin
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _result(
    picture: Picture,
    points: Observations,
    fit: Adjusted,
    budget: Mapping[str, float],
    notes: tuple[str, ...],
) -> Rectified:
    residuals = fit.plane.to_mm(points.xy_px) - points.xy_mm
    left_out = fit.left_out.residuals_mm
    return Rectified(
        picture=picture,
        plane=fit.plane,
        lens=fit.plane.lens,
        camera=fit.camera,
        control_names=points.names,
        control_xy_mm=points.xy_mm,
        residuals_mm=residuals,
        loo_residuals_mm=left_out,
        rms_mm=_rms(residuals),
        rms_px=_rms(fit.plane.to_px(points.xy_mm) - points.xy_px),
        loo_rms_mm=None if left_out is None else _rms(left_out),
        n_control=len(points.names),
        suspects=fit.suspects,
        budget=budget,
        sd_mm=float(np.sqrt(sum(sd**2 for sd in budget.values()))),
        notes=(*points.notes, *fit.notes, *notes),
    )


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.square(values).mean()))
