"""A hand-made layout of the invented Partners' Room, small enough to count on paper."""

from types import SimpleNamespace

import numpy as np
import pytest

WALL_MM = np.array([[0.0, 0.0], [4000.0, 0.0], [4000.0, 2500.0], [0.0, 2500.0]])
DOOR_MM = np.array([[1000.0, 0.0], [2000.0, 0.0], [2000.0, 2000.0], [1000.0, 2000.0]])


def oblong(width_mm: float, height_mm: float) -> np.ndarray:
    """Outline of an oblong centred on the motif's centre."""
    w, h = width_mm / 2, height_mm / 2
    return np.array([[-w, -h], [w, -h], [w, h], [-w, h]])


def wall(forms: list[str], scales: list[float]) -> SimpleNamespace:
    entry = SimpleNamespace(outline_mm=WALL_MM, openings=(SimpleNamespace(outline_mm=DOOR_MM),))
    heights = np.linspace(100.0, 2400.0, len(forms))
    place = np.column_stack([np.full(len(forms), 500.0), heights])
    return SimpleNamespace(name="north", wall=entry, form=tuple(forms), scale_ratio=np.array(scales), xy_mm=place)


def room(walls: list[SimpleNamespace], forms: dict[str, dict[str, tuple[np.ndarray, ...]]]) -> SimpleNamespace:
    n_motifs = sum(len(one.form) for one in walls)
    return SimpleNamespace(walls=tuple(walls), forms=forms, n_motifs=n_motifs)


@pytest.fixture
def hop_cone() -> SimpleNamespace:
    """A motif whose metal is 36 × 36 mm."""
    return SimpleNamespace(
        outlines={"metal": (oblong(36, 36),), "shadow": (oblong(36, 10),)},
        shape_spread_mm=0.4,
        metal_area_mm2=1296.0,
        metal_area_sd_mm2=26.0,
    )


@pytest.fixture
def plain_room(hop_cone: SimpleNamespace) -> SimpleNamespace:
    """One wall, 103 whole motifs and 2 cut down at an edge."""
    forms = {"whole": {"metal": hop_cone.outlines["metal"]}, "edge-1": {"metal": (oblong(36, 20),)}}
    return room([wall(["whole"] * 103 + ["edge-1"] * 2, [1.0] * 105)], forms)
