"""Shapes brought onto each other: generalised Procrustes analysis of outlines by corresponding points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Shapes:
    """Shapes brought onto their mean; place, turn and size are taken off.

    Attributes
    ----------
    mean : (k, 2) array
        Full Procrustes mean shape: centred, centroid size 1.
    aligned : (n, k, 2) array
        Every shape, centred, turned and scaled onto the mean (full Procrustes fit).
    centroid_sizes : (n,) array
        Root of the summed squared distances of a shape's points from their centre, in the points' unit.
    turns_deg : (n,) array
        Anticlockwise turn that brings each shape onto the mean, about the mean turn of all.
    distances : (n,) array
        Full Procrustes distance of each shape from the mean, sin ρ.
    riemannian_distances : (n,) array
        ρ, in radians.
    variance_ratios : (m,) array
        Shares of the shape variance by principal component, largest first.
    """

    mean: FloatArray
    aligned: FloatArray
    centroid_sizes: FloatArray
    turns_deg: FloatArray
    distances: FloatArray
    riemannian_distances: FloatArray
    variance_ratios: FloatArray

    @property
    def rms_distance(self) -> float:
        """Root mean square of the full Procrustes distances: the spread of shape, a pure number."""
        return float(np.sqrt(np.mean(self.distances**2)))

    @property
    def spread(self) -> float:
        """Rms distance of a point from its mean place at the mean size, in the points' unit."""
        return self.rms_distance * float(self.centroid_sizes.mean()) / float(np.sqrt(len(self.mean)))

    def __repr__(self) -> str:
        return f"<Shapes: {len(self.aligned)} of {len(self.mean)} points, rms distance {self.rms_distance:.4f}>"

    def _repr_html_(self) -> str:
        size = self.centroid_sizes
        rows = [
            ("shapes", f"{len(self.aligned)} of {len(self.mean)} points"),
            ("spread of shape (full Procrustes distance)", f"{self.rms_distance:.4f} rms"),
            ("spread of size", f"{100.0 * size.std(ddof=1) / size.mean():.1f} %"),
            ("spread of turn", f"{self.turns_deg.std(ddof=1):.2f}°"),
        ]
        return card("Shapes", rows, drawing=sketch("The mean shape", rings_mm=[self.mean]))


def align_shapes(shapes: ArrayLike) -> Shapes:
    """Shapes of corresponding points brought onto their mean shape, with their spread.

    Parameters
    ----------
    shapes : (n, k, 2) array
        n shapes of k points in the same order; x right, y up, any unit.

    Raises
    ------
    ValueError
        If the array is not (n, k, 2), or a shape has all its points in one place.
    EstimationError
        With fewer than two shapes or three points.

    Notes
    -----
    With z a centred shape as complex numbers, the mean is the first eigenvector of Σ z z* / |z|², so no iteration is
    needed in the plane. Mirror images are not brought onto each other.

    References
    ----------
    Kent, J. T. (1994) J. R. Statist. Soc. B 56, 285-299; Dryden, I. L., Mardia, K. V. (2016) Statistical Shape
    Analysis, 2nd ed., ch. 8.
    """
    points = np.asarray(shapes, float)
    if points.ndim != 3 or points.shape[2] != 2:
        raise ValueError(f"Shapes have the form {points.shape}; give (n, k, 2).")
    if len(points) < 2 or points.shape[1] < 3:
        raise EstimationError(
            "Shapes cannot be compared.",
            found=f"{len(points)} shapes of {points.shape[1]} points",
            needed="two shapes of three points or more",
        )
    z = points[..., 0] + 1j * points[..., 1]
    z = z - z.mean(axis=1, keepdims=True)
    sizes = np.linalg.norm(z, axis=1)
    if sizes.min() <= 0.0:
        raise ValueError("A shape has all its points in one place; leave it out.")
    unit = z / sizes[:, None]
    mean = np.linalg.eigh(unit.T @ unit.conj())[1][:, -1]
    mean = mean * np.exp(-1j * np.angle(np.vdot(unit.mean(axis=0), mean)))
    fit = unit.conj() @ mean
    aligned = unit * fit[:, None]
    cosine = np.minimum(np.abs(fit), 1.0)
    return Shapes(
        mean=frozen_array(_points(mean)),
        aligned=frozen_array(_points(aligned)),
        centroid_sizes=frozen_array(sizes),
        turns_deg=frozen_array(_turns_deg(fit)),
        distances=frozen_array(np.sqrt(1.0 - cosine**2)),
        riemannian_distances=frozen_array(np.arccos(cosine)),
        variance_ratios=frozen_array(_variance_ratios(aligned, mean)),
    )


def shape_distance(first: ArrayLike, second: ArrayLike) -> float:
    """Riemannian distance ρ (radians) between two shapes (k, 2) of corresponding points; sin ρ is the full Procrustes
    distance."""
    z = [np.asarray(points, float) @ np.array([1.0, 1j]) for points in (first, second)]
    a, b = (points - points.mean() for points in z)
    return float(np.arccos(min(1.0, abs(np.vdot(a, b)) / (np.linalg.norm(a) * np.linalg.norm(b)))))


def _points(z: NDArray[np.complex128]) -> FloatArray:
    return np.stack([z.real, z.imag], axis=-1)


def _turns_deg(fit: NDArray[np.complex128]) -> FloatArray:
    turns = np.angle(fit / np.abs(fit))
    middle = np.angle(np.exp(1j * turns).mean())
    return np.asarray(np.degrees(np.angle(np.exp(1j * (turns - middle)))))


def _variance_ratios(aligned: NDArray[np.complex128], mean: NDArray[np.complex128]) -> FloatArray:
    """Principal components in the tangent plane at the mean (full Procrustes fits)."""
    tangent = aligned - (aligned @ mean.conj())[:, None] * mean
    flat = np.concatenate([tangent.real, tangent.imag], axis=1)
    values = np.linalg.svd(flat - flat.mean(axis=0), compute_uv=False) ** 2
    total = values.sum()
    return np.asarray(values / total if total > 0.0 else values)
