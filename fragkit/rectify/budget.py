"""Where the error of a rectified photograph comes from, in mm and in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.rectify.plane import Observations, Plane
from fragkit.rectify.relief import Camera, relief_covariance_mm2

FloatArray = NDArray[np.float64]

TILT = "tilt"

REMEDIES = {
    "control": "measure the control points more accurately, or set more of them",
    "picking": "pick at full size, or come nearer",
    "control and picking": "more control points, better spread",
    "lens": "photograph a board with this lens, ten views",
    "relief": "come farther away, or stay above the middle of what matters",
    TILT: "four marked points or six taped distances instead of the bar",
}
"""What lowers the largest part."""


def error_budget_mm(plane: Plane, camera: Camera, xy_mm: FloatArray, *, flatness_mm: float) -> dict[str, float]:
    """Sd per coordinate in mm, root mean square over points (n, 2), by source."""
    total, known = (
        _mean_variance(plane.covariance_mm2(xy_mm)),
        _mean_variance(plane.covariance_mm2(xy_mm, lens_known=True)),
    )
    relief = _mean_variance(relief_covariance_mm2(camera, xy_mm, flatness_mm))
    return {
        "control and picking": float(np.sqrt(known)),
        "lens": float(np.sqrt(max(total - known, 0.0))),
        "relief": float(np.sqrt(relief)),
    }


def budget_notes(
    budget: Mapping[str, float],
    plane: Plane,
    points: Observations,
    xy_mm: FloatArray,
    *,
    flatness_mm: float,
    reach: float,
) -> tuple[str, ...]:
    """The budget in words: every part, the largest, what would lower it, and what is not counted."""
    parts = dict(budget)
    if TILT not in parts:
        whole = parts.pop("control and picking")
        picking = whole * np.sqrt(_picking_share(plane, points, xy_mm))
        parts = {"control": float(np.sqrt(whole**2 - picking**2)), "picking": float(picking), **parts}
    largest = max(parts, key=lambda source: parts[source])
    listed = ", ".join(f"{source} {sd:.2g} mm" for source, sd in parts.items())
    notes = [
        f"Errors over the picture, one sd per coordinate: {listed}; {largest} is the largest. "
        f"To lower it: {REMEDIES[largest]}."
    ]
    if flatness_mm > 0:
        notes.append("The error from control includes the relief of the control points themselves.")
    else:
        notes.append("Relief is not counted: flatness_mm is 0. State how far the surface may leave its plane.")
    if reach > 1:
        notes.append(f"Nothing is shown beyond {reach:g} × the hull of the control.")
    return tuple(notes)


def _picking_share(plane: Plane, points: Observations, xy_mm: FloatArray) -> float:
    """Share of the variance from control and picking that is the picking's."""
    picked = replace(plane, cov=plane.picking_cov(points))
    total = _mean_variance(plane.covariance_mm2(xy_mm))
    return min(1.0, _mean_variance(picked.covariance_mm2(xy_mm)) / total) if total > 0 else 0.0


def _mean_variance(cov: FloatArray) -> float:
    return float(np.trace(cov, axis1=1, axis2=2).mean() / 2.0)
