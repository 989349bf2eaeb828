"""The nets worth laying on one wall: where a phase may come from, and the cheapest pairs of fits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.layout.costs import price_axis, price_fit, price_misses
from fragkit.layout.evidence import Pull, pull, sites_of
from fragkit.layout.fits import Anchor, Fit, Span, enumerate_fits
from fragkit.layout.jobs import Job, Marks
from fragkit.layout.search import Net, search

FloatArray = NDArray[np.float64]


def find_nets(job: Job) -> tuple[list[Net], Marks | None]:
    """Nets of the wall, cheapest first, and the sites of its evidence."""
    across, down = _spans(job)
    marks = _marks(job)
    weights, frame = job.weights, job.ground.frame
    pulls = _pulls(job, marks) if marks is not None else (None, None)
    places = _evidence_anchors(job, marks) if marks is not None else (_axis_anchors(job), _row_anchors(job))
    beside = [corner.down_mm for corner in job.ground.corners]
    columns = [
        price_axis(price_fit(fit, across, weights), axis_mm=frame.axis_x_mm, asked=job.on_axis, weights=weights)
        for fit in enumerate_fits(across, places[0], extra_mm=_own_repeat(pulls[0]))
    ]
    rows = [
        price_fit(fit, down, weights)
        for fit in enumerate_fits(down, places[1], extra_mm=(*_own_repeat(pulls[1]), *beside))
    ]
    if not columns or not rows:
        raise EstimationError(
            f"No motif fits on wall {job.ground.wall.name!r}.",
            found=f"a clear field of {frame.run_mm:.0f} × {frame.height_mm:.0f} mm",
            needed=f"{across.reach_mm:.0f} mm either side of a motif and {down.reach_mm:.0f} mm up and down",
        )
    columns, rows = _price_pull(columns, pulls[0], weights), _price_pull(rows, pulls[1], weights)
    return search(job.ground, columns, rows, weights=weights), marks


def _spans(job: Job) -> tuple[Span, Span]:
    frame, repeat, wall = job.ground.frame, job.repeat, job.ground.wall
    reach = job.ground.whole.reach_mm()
    across = Span(
        low_mm=frame.left.at_mm,
        high_mm=frame.right.at_mm,
        reach_mm=reach[0] + wall.clearance_mm,
        repeat_mm=repeat.across_mm,
        bounds_mm=repeat.across_bounds_mm,
        lines_per_repeat=repeat.lines_per_repeat,
    )
    down = Span(
        low_mm=frame.bottom.at_mm,
        high_mm=frame.top.at_mm,
        reach_mm=reach[1] + wall.clearance_mm,
        repeat_mm=repeat.down_mm,
        bounds_mm=repeat.down_bounds_mm,
    )
    return across, down


def _marks(job: Job) -> Marks | None:
    if not job.evidence.n:
        return None
    xy = job.ground.frame.unbend(job.evidence.xy_mm, follow=job.ground.follow)
    repeat = job.repeat
    index, left = sites_of(
        replace(job.evidence, xy_mm=xy),
        across_mm=repeat.across_mm,
        down_mm=repeat.down_mm,
        offset_ratio=repeat.offset_ratio,
    )
    return Marks(index=index, xy_mm=xy, misfit_mm=left)


def _evidence_anchors(job: Job, marks: Marks) -> tuple[list[Anchor], list[Anchor]]:
    weights = job.evidence.weights()
    weights = weights / weights.sum()
    along = marks.index[:, 0] + job.repeat.offset_ratio * marks.index[:, 1]
    words = "through the surviving motifs" if job.evidence.n_surviving else "through the pinned motifs"
    anchors = [
        Anchor(
            kind="surviving motifs",
            words=words,
            at_mm=float(weights @ marks.xy_mm[:, k]),
            phase_ratio=-float(weights @ number),
        )
        for k, number in enumerate((along, marks.index[:, 1].astype(float)))
    ]
    return anchors[:1], anchors[1:]


def _pulls(job: Job, marks: Marks) -> tuple[Pull, Pull]:
    along = marks.index[:, 0] + job.repeat.offset_ratio * marks.index[:, 1]
    up = marks.index[:, 1].astype(float)
    return pull(job.evidence, marks.xy_mm[:, 0], along), pull(job.evidence, marks.xy_mm[:, 1], up)


def _own_repeat(marks: Pull | None) -> tuple[float, ...]:
    repeat = marks.best_repeat_mm() if marks is not None else None
    return (repeat,) if repeat is not None and repeat > 0 else ()


def _price_pull(fits: list[Fit], marks: Pull | None, weights: Mapping[str, float]) -> list[Fit]:
    if marks is None:
        return fits
    priced = []
    for fit in fits:
        missed, sd = marks.misses(fit.start_mm, fit.repeat_mm)
        priced.append(price_misses(fit, missed_mm=missed, sd_mm=sd, weights=weights))
    return priced


def _axis_anchors(job: Job) -> list[Anchor]:
    frame = job.ground.frame
    anchors = [
        Anchor(kind="motif", words="motif on the axis", at_mm=frame.axis_x_mm),
        Anchor(kind="gap", words="gap on the axis", at_mm=frame.axis_x_mm, phase_ratio=0.5),
    ]
    middle = 0.5 * (frame.left.at_mm + frame.right.at_mm)
    if abs(middle - frame.axis_x_mm) > 0.5:
        anchors += [
            Anchor(kind="even margins", words="even margins, motif in the middle", at_mm=middle),
            Anchor(kind="even margins", words="even margins, gap in the middle", at_mm=middle, phase_ratio=0.5),
        ]
    for corner in (corner for corner in job.ground.corners if corner.site_mm is not None):
        words = f"carried on round the corner from {corner.neighbour}"
        anchors.append(Anchor(kind="corner", words=words, at_mm=corner.site_mm))
    return anchors


def _row_anchors(job: Job) -> list[Anchor]:
    frame = job.ground.frame
    middle = 0.5 * (frame.bottom.at_mm + frame.top.at_mm)
    anchors = [
        Anchor(kind="even margins", words="row at middle height", at_mm=middle),
        Anchor(kind="even margins", words="gap at middle height", at_mm=middle, phase_ratio=0.5),
    ]
    for opening in job.ground.wall.openings:
        low, high = opening.outline_mm[:, 1].min(), opening.outline_mm[:, 1].max()
        for height, side in ((high, "over"), (low, "under")):
            if frame.bottom.at_mm + 1 < height < frame.top.at_mm - 1:
                words = f"rows clear {side} {opening.name}"
                anchors.append(Anchor(kind="heads", words=words, at_mm=float(height), phase_ratio=0.5))
    for corner in job.ground.corners:
        words = f"rows level with {corner.neighbour}"
        anchors.append(Anchor(kind="corner", words=words, at_mm=corner.row_mm))
    return anchors
