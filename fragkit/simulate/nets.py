"""Nets of several kinds, their sites, and drift: where the motifs were meant to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.turning import turning

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class NetPlan:
    """Motifs in a row stand `across_mm` apart, rows `down_mm`, each shifted by `offset_ratio` × across.

    Attributes
    ----------
    across_mm, down_mm, offset_ratio : float
        0 is rectangular, 0.5 half-drop (brick).
    growth_ratio_per_m : float
        Drift: how much the spacing grows along x, as a ratio per metre.
    bow_mm_per_m2 : float
        Drift: rows sag by this much at 1 m on either side of the origin.
    """

    across_mm: float
    down_mm: float
    offset_ratio: float
    growth_ratio_per_m: float = 0.0
    bow_mm_per_m2: float = 0.0

    def __post_init__(self) -> None:
        if not (self.across_mm > 0 and self.down_mm > 0):
            raise ValueError(f"the net is {self.across_mm} by {self.down_mm} mm; both must be positive lengths in mm")

    @property
    def a_mm(self) -> FloatArray:
        """From a motif to the next in its row."""
        return np.array([self.across_mm, 0.0])

    @property
    def b_mm(self) -> FloatArray:
        """From a motif to the one above, as the offset places it."""
        return np.array([self.offset_ratio * self.across_mm, self.down_mm])

    def place(self, index: NDArray[np.int64]) -> FloatArray:
        """Places (n, 2) in mm of the sites `index` (n, 2) in the net's own frame, drift included."""
        xy = index @ np.vstack([self.a_mm, self.b_mm])
        x_m = xy[:, 0] / 1000.0
        grown = xy[:, 0] * (1.0 + 0.5 * self.growth_ratio_per_m * x_m)
        return np.column_stack([grown, xy[:, 1] - self.bow_mm_per_m2 * x_m**2])


NETS: Mapping[str, NetPlan] = MappingProxyType(
    {
        "half-drop": NetPlan(across_mm=95.6, down_mm=66.3, offset_ratio=0.5),
        "rectangular": NetPlan(across_mm=83.4, down_mm=71.8, offset_ratio=0.0),
        "square": NetPlan(across_mm=76.2, down_mm=76.2, offset_ratio=0.0),
        "hexagonal": NetPlan(across_mm=84.7, down_mm=84.7 * np.sqrt(3.0) / 2.0, offset_ratio=0.5),
        "oblique": NetPlan(across_mm=88.3, down_mm=69.4, offset_ratio=0.23),
    }
)
"""One net of each kind; none of them round in any unit."""


def sites_within(
    plan: NetPlan, box_mm: tuple[float, float, float, float], *, origin_mm: FloatArray, turn_deg: float = 0.0
) -> tuple[NDArray[np.int64], FloatArray]:
    """Index (n, 2) and places (n, 2) in mm of all sites in a box (x0, y0, x1, y1), row by row from below.

    The net's own frame lies with site (0, 0) at `origin_mm`, its rows turned anticlockwise by `turn_deg`.
    """
    x0, y0, x1, y1 = box_mm
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) - origin_mm
    rotation = turning(turn_deg)
    basis = np.vstack([plan.a_mm, plan.b_mm]) @ rotation.T
    reach = corners @ np.linalg.inv(basis)
    low, high = np.floor(reach.min(0)).astype(int) - 2, np.ceil(reach.max(0)).astype(int) + 2
    j, i = np.meshgrid(np.arange(low[1], high[1] + 1), np.arange(low[0], high[0] + 1), indexing="ij")
    index = np.column_stack([i.ravel(), j.ravel()])
    xy = plan.place(index) @ rotation.T + origin_mm
    inside = (xy >= [x0, y0]).all(1) & (xy <= [x1, y1]).all(1)
    return index[inside], xy[inside]
