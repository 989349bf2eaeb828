"""How the copies of a motif differ: drawn free, along an outline, through a plate, or from a block."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fragkit.simulate.drawings import FloatArray, MotifDrawing, moved, polygons_of
from fragkit.turning import turning

N_WAVES = 5
WAVELENGTH_MM = (18.0, 60.0)


@dataclass(frozen=True, kw_only=True)
class Forming:
    """Spread of the outline about the drawing, in mm rms per coordinate.

    Attributes
    ----------
    own_mm : float
        Redrawn for every copy: a smooth bending of the outline.
    own_turn_deg, own_scale_ratio : float
        One standard deviation of each copy's turn and of its width and height.
    shared_mm : float
        Drawn once for all copies: how the plate or the block differs from the design.
    n_flaws : int
        Nicks at the same places in every copy.
    """

    own_mm: float
    own_turn_deg: float
    own_scale_ratio: float
    shared_mm: float = 0.0
    n_flaws: int = 0


FORMINGS: Mapping[str, Forming] = MappingProxyType(
    {
        "free": Forming(own_mm=0.45, own_turn_deg=1.6, own_scale_ratio=0.025),
        "outline": Forming(own_mm=0.22, own_turn_deg=0.8, own_scale_ratio=0.008, shared_mm=0.4),
        "plate": Forming(own_mm=0.05, own_turn_deg=0.25, own_scale_ratio=0.0, shared_mm=0.4, n_flaws=1),
        "block": Forming(own_mm=0.02, own_turn_deg=0.15, own_scale_ratio=0.0, shared_mm=0.4, n_flaws=3),
    }
)
"""Magnitudes of common practice, no source: changeable by giving another `Forming`."""


def form_copies(
    drawing: MotifDrawing, n_copies: int, *, forming: Forming, rng: np.random.Generator
) -> tuple[MotifDrawing, ...]:
    """`n_copies` of a motif as one hand or one plate leaves them, each with its metal centroid at (0, 0).

    Parameters
    ----------
    drawing : MotifDrawing
        The design.
    n_copies : int
    forming : Forming
        What is shared by all copies and what is redrawn for each.
    rng : numpy.random.Generator
    """
    master = _bent(drawing, _wave_field(forming.shared_mm, rng), np.eye(2))
    master = _nicked(master, forming.n_flaws, rng)
    return tuple(_bent(master, _wave_field(forming.own_mm, rng), _own_matrix(forming, rng)) for _ in range(n_copies))


def _own_matrix(forming: Forming, rng: np.random.Generator) -> FloatArray:
    turned = turning(rng.normal(0.0, forming.own_turn_deg))
    size = np.diag(np.exp(rng.normal(0.0, forming.own_scale_ratio, 2)))
    return turned @ size


def _wave_field(rms_mm: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Amplitudes (N_WAVES, 2) in mm, wave vectors (N_WAVES, 2) and phases of a smooth displacement field."""
    wavelength = rng.uniform(*WAVELENGTH_MM, N_WAVES)
    angle = rng.uniform(0.0, 2.0 * np.pi, N_WAVES)
    waves = 2.0 * np.pi / wavelength[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    amplitude = rng.normal(0.0, rms_mm * np.sqrt(2.0 / N_WAVES), (N_WAVES, 2))
    return amplitude, waves, rng.uniform(0.0, 2.0 * np.pi, N_WAVES)


def _bent(drawing: MotifDrawing, field: tuple[FloatArray, FloatArray, FloatArray], matrix: FloatArray) -> MotifDrawing:
    amplitude, waves, phase = field

    def bend(xy: FloatArray) -> FloatArray:
        return (xy + np.cos(xy @ waves.T + phase) @ amplitude) @ matrix.T

    metal = shapely.transform(drawing.metal, bend).buffer(0.0)
    return _recentred(drawing.name, metal, shapely.transform(drawing.shadow, bend).buffer(0.0))


def _nicked(drawing: MotifDrawing, n_flaws: int, rng: np.random.Generator) -> MotifDrawing:
    """The motif with small bites out of its metal, as a worn plate or block leaves them."""
    metal: BaseGeometry = drawing.metal
    for _ in range(n_flaws):
        part = drawing.metal.geoms[int(rng.integers(len(drawing.metal.geoms)))]
        where = part.exterior.interpolate(rng.uniform(), normalized=True)
        metal = metal.difference(where.buffer(rng.uniform(0.7, 1.2), quad_segs=4))
    return _recentred(drawing.name, metal, drawing.shadow)


def _recentred(name: str, metal: BaseGeometry, shadow: BaseGeometry) -> MotifDrawing:
    x, y = metal.centroid.x, metal.centroid.y
    return MotifDrawing(name=name, metal=polygons_of(moved(metal, -x, -y)), shadow=polygons_of(moved(shadow, -x, -y)))
