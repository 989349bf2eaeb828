"""How wrong a photograph can be, as a figure: residuals of the control and the error over the picture."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fragkit.rectify import Comparison, Rectified

LONGEST_ARROW_RATIO = 0.12
"""Longest residual as drawn, as a share of the picture's longer side."""

PROBES = 25


def residuals(rectified: Rectified) -> Figure:
    """The control points with what the others say of them, enlarged, over the sd of any point in mm."""
    left, right, bottom, top = _extent_mm(rectified)
    slim = (top - bottom) / (right - left)
    figure = Figure(figsize=(8.0, min(6.0, 2.6 + 6.0 * slim)), layout="constrained")
    axes = figure.add_subplot()
    _error_map(figure, axes, rectified)
    _arrows(axes, rectified)
    axes.margins(LONGEST_ARROW_RATIO)
    axes.autoscale()
    axes.set_aspect("equal")
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    return figure


def disagreement(comparison: Comparison) -> Figure:
    """By how much, and which way, the second photograph differs from the first, enlarged."""
    figure = Figure(figsize=(7.0, 5.5), layout="constrained")
    axes = figure.add_subplot()
    x, y = comparison.xy_mm.T
    longest = float(np.hypot(*comparison.apart_mm.T).max())
    extent = float(max(np.ptp(x), np.ptp(y), 1.0))
    scale = LONGEST_ARROW_RATIO * extent / max(longest, 1e-9)
    axes.quiver(
        x, y, *(scale * comparison.apart_mm).T, angles="xy", scale_units="xy", scale=1.0, width=0.003, color="black"
    )
    axes.margins(LONGEST_ARROW_RATIO)
    axes.set_aspect("equal")
    axes.set_xlabel("x, mm")
    axes.set_ylabel("y, mm")
    axes.set_title(
        f"{comparison.rms_mm:.2g} mm apart per coordinate, {comparison.allowed_mm:.2g} mm allowed; "
        f"longest arrow {longest:.2g} mm",
        fontsize=10,
    )
    return figure


def _extent_mm(rectified: Rectified) -> tuple[float, float, float, float]:
    picture = rectified.picture
    height, width = picture.coverage.shape
    (left, top), (right, bottom) = picture.to_mm(np.array([[-0.5, -0.5], [width - 0.5, height - 0.5]]))
    return left, right, bottom, top


def _error_map(figure: Figure, axes: Axes, rectified: Rectified) -> None:
    picture = rectified.picture
    left, right, bottom, top = _extent_mm(rectified)
    x, y = np.meshgrid(np.linspace(left, right, PROBES), np.linspace(bottom, top, PROBES))
    cov = rectified.covariance_mm2(np.column_stack([x.ravel(), y.ravel()]))
    sd = np.sqrt(np.trace(cov, axis1=1, axis2=2) / 2.0).reshape(x.shape)
    step = max(1, max(picture.coverage.shape) // 800)
    axes.imshow(picture.pixels[::step, ::step], extent=(left, right, bottom, top), alpha=0.35)
    contours = axes.contour(x, y, sd, levels=6, cmap="viridis")
    axes.clabel(contours, fmt="%.2g")
    figure.colorbar(contours, ax=axes, label="sd per coordinate, mm (control, picking and lens)")


def _arrows(axes: Axes, rectified: Rectified) -> None:
    left_out = rectified.loo_residuals_mm
    arrows = rectified.residuals_mm if left_out is None else left_out
    what = "residuals of the control" if left_out is None else "control against a plane solved without the point"
    left, right, bottom, top = _extent_mm(rectified)
    longest = float(np.hypot(*arrows.T).max())
    scale = LONGEST_ARROW_RATIO * max(right - left, top - bottom) / max(longest, 1e-9)
    x, y = rectified.control_xy_mm.T
    axes.quiver(x, y, *(scale * arrows).T, angles="xy", scale_units="xy", scale=1.0, width=0.004, color="black")
    axes.plot(x, y, "o", mfc="white", mec="black", ms=5)
    for name, place in zip(rectified.control_names, rectified.control_xy_mm, strict=True):
        if rectified.n_control <= 20:
            axes.annotate(name, place, xytext=(5, 5), textcoords="offset points")
    axes.set_title(f"{what}, longest arrow {longest:.2g} mm", fontsize=10)
