"""Hand-made walls, repeats and motifs of the Partners' Room of Orrowby Maltings, for layout and setting out."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.lattice import Pooled
from fragkit.survey import EdgeEntry, OpeningEntry, WallEntry


def box(x0, y0, x1, y1):
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


@pytest.fixture
def make_repeat():
    def make(across=150.0, down=130.0, offset=0.5, *, spread_ratio=0.02, typed=(), offset_sd=0.003):
        bounds = {
            "across_mm": (across * (1 - spread_ratio), across * (1 + spread_ratio)),
            "down_mm": (down * (1 - spread_ratio), down * (1 + spread_ratio)),
        }
        return Pooled(
            across_mm=across,
            down_mm=down,
            offset_ratio=offset,
            cov=np.diag([0.1**2, 0.1**2, offset_sd**2]),
            interval_across_mm=bounds["across_mm"],
            interval_down_mm=bounds["down_mm"],
            interval_new_wall=bounds,
            between_sd_mm=np.array([1.0, 1.0]),
            net_type="centred",
            n_fragments=3,
            typed=typed,
            residual_sd_mm=0.7,
        )

    return make


@pytest.fixture
def make_motif():
    """A block of metal with a shadow down to the right: width and height are those of both together."""

    def make(width=42.0, height=52.0, *, parts=1):
        bands = np.linspace(-height / 2 + 4, height / 2, parts + 1)
        gap = 1.0 if parts > 1 else 0.0
        metal = tuple(box(-width / 2, low + gap, width / 2 - 6, high) for low, high in pairwise(bands))
        shadow = tuple(ring + [6.0, -4.0] for ring in metal)
        return SimpleNamespace(outlines={"metal": metal, "shadow": shadow}, width_mm=width, height_mm=height)

    return make


@pytest.fixture
def make_wall():
    def make(name="North", width=4050.0, height=2600.0, *, openings=(), edges=(), lean=0.0, fall=0.0, **more):
        outline = np.array([[0, 0], [width, 0], [width + lean, height + fall], [0, height]], float)
        return WallEntry(name=name, outline_mm=outline, openings=openings, edges=edges, **more)

    return make


@pytest.fixture
def make_opening():
    def make(x0, y0, x1, y1, *, name="door", clearance=20.0):
        return OpeningEntry(name=name, kind=name, outline_mm=box(x0, y0, x1, y1), clearance_mm=clearance)

    return make


@pytest.fixture
def make_edge():
    def make(line, *, name="cornice", rule="shift", max_shift=15.0, min_scale=0.8):
        return EdgeEntry(
            name=name,
            kind=name,
            line_mm=np.array(line, float),
            rule=rule,
            max_shift_mm=max_shift,
            min_scale_ratio=min_scale,
        )

    return make
