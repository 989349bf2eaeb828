"""Indices of painted fragments against their truth: errors that add up, and many motifs missing."""

import numpy as np
from painted import paint

from fragkit.motifs import find_centres
from fragkit.net import Net
from fragkit.placing import SteppedOff, draw

NETS = {
    "rectangular": np.array([[85.0, 0.0], [0.0, 75.0]]),
    "half-drop": np.array([[80.0, 0.0], [40.0, 72.0]]),
    "oblique": np.array([[78.0, 6.0], [-21.0, 88.0]]),
}
STEP_RATIO, MISSING, SAME_RATIO = 0.05, 0.4, 0.15


def count_slips(name, seed, *, along):
    """Found motifs, those whose index is not their own (one common offset allowed), and motifs there are."""
    rng = np.random.default_rng(seed)
    basis = NETS[name]
    index = np.array([[i, j] for i in range(9) for j in range(7)])
    repeat = np.hypot(*basis.T).min()
    process = SteppedOff(step_sd_mm=STEP_RATIO * repeat, start_sd_mm=STEP_RATIO * repeat, along=along)
    xy = index @ basis + draw(process, index, index @ basis, rng=rng)
    kept = rng.random(len(index)) > MISSING
    index, xy = index[kept], xy[kept]
    centres = find_centres(paint(xy, rng, lost=0.1, mm_per_px=0.8), _typed(basis))
    found = np.flatnonzero(centres.found)
    gap = np.linalg.norm(centres.xy_mm[found][:, None] - xy[None], axis=2)
    nearest = gap.argmin(axis=1)
    real = gap.min(axis=1) < SAME_RATIO * repeat
    offsets = centres.index[found][real] - index[nearest][real]
    slipped = (offsets != np.median(offsets, axis=0)).any(axis=1)
    return int(real.sum()), int(slipped.sum()), len(index)


def _typed(basis):
    """The net as a person would type it in."""
    nothing = dict.fromkeys(("support", "explained", "evidence", "independent_evidence", "contrast_evidence"), 0.0)
    return Net(a_mm=basis[0], b_mm=basis[1], net_type="oblique", **nothing)
