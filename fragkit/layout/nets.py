"""The nets worth laying on one wall: where a phase may come from, and the cheapest pairs of fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.errors import EstimationError
from fragkit.layout.costs import price_axis, price_fit, price_misses
from fragkit.layout.evidence import Pull, pull, sites_of
from fragkit.layout.fits import Anchor, Fit, Span, enumerate_fits, make_fit
from fragkit.layout.heads import clear_heights_mm
from fragkit.layout.jobs import Job, Marks
from fragkit.layout.panels import can_pass, confine
from fragkit.layout.search import Net, price_net, search

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Offers:
    """What one wall offers by itself: its fits across and down, priced, and the pull of its evidence."""

    across: Span
    down: Span
    columns: tuple[Fit, ...]
    rows: tuple[Fit, ...]
    marks: Marks | None
    pulls: tuple[Pull | None, Pull | None]


def find_offers(job: Job) -> Offers:
    """The fits of one wall, its neighbours apart.

    Raises
    ------
    EstimationError
        If the wall has no room for a motif.
    """
    across, down = _spans(job)
    marks = find_marks(job)
    pulls = _pulls(job, marks) if marks is not None else (None, None)
    places = _evidence_anchors(job, marks) if marks is not None else (_axis_anchors(job), _row_anchors(job))
    columns = enumerate_fits(across, places[0], extra_mm=_own_repeat(pulls[0]))
    rows = enumerate_fits(down, places[1], extra_mm=_own_repeat(pulls[1]))
    rows += _head_fits(job, down) if marks is None else []
    if not columns or not rows:
        frame = job.ground.frame
        raise EstimationError(
            f"No motif fits on wall {job.ground.wall.name!r}.",
            found=f"a clear field of {frame.run_mm:.0f} × {frame.height_mm:.0f} mm",
            needed=f"{across.reach_mm:.0f} mm either side of a motif and {down.reach_mm:.0f} mm up and down",
        )
    bare = Offers(across=across, down=down, columns=(), rows=(), marks=marks, pulls=pulls)
    return replace(
        bare,
        columns=tuple(price_column(job, bare, fit) for fit in columns),
        rows=tuple(price_row(job, bare, fit) for fit in rows),
    )


def price_column(job: Job, offers: Offers, fit: Fit) -> Fit:
    """A fit across with its terms."""
    frame, weights = job.ground.frame, job.weights
    priced = price_fit(replace(fit, terms={}), offers.across, weights)
    priced = price_axis(priced, axis_mm=frame.axis_x_mm, asked=job.on_axis, weights=weights)
    return price_misses(priced, offers.pulls[0], weights) if offers.pulls[0] is not None else priced


def price_row(job: Job, offers: Offers, fit: Fit) -> Fit:
    """A fit down with its terms."""
    priced = price_fit(replace(fit, terms={}), offers.down, job.weights)
    return price_misses(priced, offers.pulls[1], job.weights) if offers.pulls[1] is not None else priced


def find_nets(job: Job, offers: Offers, *, rows: Sequence[Fit] = ()) -> list[Net]:
    """Nets of the wall, cheapest first.

    Parameters
    ----------
    rows : sequence of Fit
        Fits down that come from the neighbours or from the whole room.
    """
    columns = [*offers.columns, *_carried_on(job, offers)]
    level = {fit.key: fit for fit in offers.rows}
    for fit in rows:
        level.setdefault(fit.key, fit)
    return search(job.ground, columns, list(level.values()), weights=job.weights)


def beyond_pair(job: Job, offers: Offers, best: Net) -> list[Net]:
    """The nets of the nearest whole counts below and above, in each direction where none is within the evidence."""
    if offers.marks is not None:
        return []
    nets = []
    for fits, span, is_across in ((offers.columns, offers.across, True), (offers.rows, offers.down, False)):
        even = [fit for fit in fits if _is_even(fit, span)]
        if any(fit.within for fit in even):
            continue
        below = [fit for fit in even if fit.repeat_mm < span.repeat_mm]
        above = [fit for fit in even if fit.repeat_mm > span.repeat_mm]
        nearest = [max(below, key=lambda f: (f.repeat_mm, -f.cost), default=None)]
        nearest += [min(above, key=lambda f: (f.repeat_mm, f.cost), default=None)]
        for fit in (fit for fit in nearest if fit is not None):
            pair = (fit, best.down) if is_across else (best.across, fit)
            nets.append(price_net(job.ground, *pair, weights=job.weights))
    return nets


def _is_even(fit: Fit, span: Span) -> bool:
    """Whether the count is whole: half a line (or what the motif needs) is left over at either end."""
    ideal = max(0.5 * fit.line_mm, span.reach_mm)
    return max(abs(fit.low_margin_mm - ideal), abs(fit.high_margin_mm - ideal)) < 1e-6


def confined_net(
    job: Job, offers: Offers, net: Net, panels_mm: Sequence[tuple[float, float]]
) -> tuple[Net | None, str]:
    """The net with its stretch across confined to panels, and, if that cannot be offered, why not."""
    fit = confine(net.across, offers.across, panels_mm)
    if fit is None:
        return None, "no whole interval lies within the panels"
    if not can_pass(fit, offers.across):
        worst = f"{100 * fit.stretch_ratio:.1f} % a repeat and {100 * fit.change_ratio:.1f} % between neighbours"
        return None, f"it would take {worst}, more than the eye lets pass (2 % and 1 %)"
    return price_net(job.ground, price_column(job, offers, fit), net.down, weights=job.weights), ""


def turned(job: Job, offers: Offers, net: Net) -> Net:
    """The same net priced on a job that follows the level or the edges otherwise."""
    marks = find_marks(job)
    here = replace(offers, marks=marks, pulls=_pulls(job, marks) if marks is not None else (None, None))
    across, down = price_column(job, here, net.across), price_row(job, here, net.down)
    return price_net(job.ground, across, down, weights=job.weights)


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


def find_marks(job: Job) -> Marks | None:
    """The sites of the evidence of a wall; None where it has none."""
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
    return anchors


def _carried_on(job: Job, offers: Offers) -> list[Fit]:
    """Fits whose columns carry on those of a neighbour; none where surviving motifs fix the phase."""
    fits: list[Fit] = []
    for corner in (corner for corner in job.ground.corners if corner.site_mm is not None):
        words = f"carried on round the corner from {corner.neighbour}"
        anchor = Anchor(kind="corner", words=words, at_mm=float(corner.site_mm or 0.0))
        if offers.marks is None:
            fits += enumerate_fits(offers.across, [anchor], extra_mm=(float(corner.across_mm or 0.0),))
    return [price_column(job, offers, fit) for fit in fits]


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
    return anchors


def _head_fits(job: Job, span: Span) -> list[Fit]:
    """Fits whose rows clear the heads and sills of all openings."""
    fits = []
    for repeat_mm in (span.repeat_mm, *span.bounds_mm):
        for at_mm in clear_heights_mm(job.ground.wall, span, repeat_mm=repeat_mm):
            anchor = Anchor(kind="heads", words="rows clear of all heads and sills", at_mm=at_mm)
            fits.append(make_fit(span, anchor, repeat_mm))
    return [fit for fit in fits if fit is not None]
