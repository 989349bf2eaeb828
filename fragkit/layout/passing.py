"""How a net passes the surviving motifs of each fragment."""

from __future__ import annotations

import numpy as np

from fragkit.layout.jobs import Job, Marks
from fragkit.layout.results import Pass
from fragkit.layout.search import Net

STRAY_RATIO = 0.25
"""A surviving motif further than this from its site, in repeats, may belong to another one."""


def find_passes(job: Job, net: Net, marks: Marks | None) -> tuple[Pass, ...]:
    """One entry for each fragment and pinned motif of the wall: its misses, beside the sd of its place."""
    if marks is None:
        return ()
    evidence, number = job.evidence, marks.index[:, 0] + job.repeat.offset_ratio * marks.index[:, 1]
    fitted = np.column_stack([net.across.place_mm(number), net.down.place_mm(marks.index[:, 1])])
    miss = marks.xy_mm - fitted
    far = (np.abs(miss) > STRAY_RATIO * np.array([job.repeat.across_mm, job.repeat.down_mm])).any(axis=1)
    found = []
    for k, name in enumerate(evidence.names):
        own = miss[evidence.source == k]
        mean = own.mean(axis=0)
        found.append(
            Pass(
                fragment=name,
                n=len(own),
                miss_mm=(float(mean[0]), float(mean[1])),
                worst_mm=float(np.hypot(*own.T).max()),
                sd_mm=float(evidence.sd_mm[k]),
                n_stray=int(far[evidence.source == k].sum()),
            )
        )
    return tuple(found)
