"""The chosen net of a wall made into motifs: eased at the edges, numbered, classed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.layout.certainty import Classes, classify
from fragkit.layout.choosing import worst_stretch
from fragkit.layout.easing import ease, overlapping
from fragkit.layout.gaps import Gap, level_spans, plumb_spans, wide_gaps
from fragkit.layout.grounds import Sites, all_sites
from fragkit.layout.insets import inset
from fragkit.layout.jobs import Bent, Job, Marks, Placed, Repeat
from fragkit.layout.nets import find_marks
from fragkit.layout.passing import find_passes
from fragkit.layout.results import WallLayout
from fragkit.layout.scatter import BOUND_SD, Hand, draw_scatter, draw_stance
from fragkit.layout.search import Net
from fragkit.layout.shapes import WHOLE, Form, bounding_polygon
from fragkit.layout.wording import wall_notes
from fragkit.turning import turning

FloatArray = NDArray[np.float64]


def finish(job: Job, net: Net, *, initials: str, rng: np.random.Generator | None = None) -> WallLayout:
    """Every motif of the wall, from its chosen net; with hand scatter when a generator is given."""
    marks = find_marks(job)
    sites = all_sites(job.ground, net.across, net.down)
    index_origin = _index_origin(sites, job, marks)
    placed = _pinned(job, _place(job, sites), marks)
    row = placed.index[:, 1] - int(placed.index[:, 1].min(initial=placed.index[:, 1].max(initial=0))) + 1
    column = _columns(placed.index, job.repeat)
    gap_ratio, gaps = _gaps(job, net, placed.xy_mm, row)
    classes = _classes(job, net, placed, marks)
    across, down, repeat = net.across, net.down, job.repeat
    along = index_origin[0] + repeat.offset_ratio * index_origin[1]
    worst, passes = _worst_bent(job, sites), find_passes(job, net, marks)
    by_hand = _by_hand(job, placed, row, rng)
    return WallLayout(
        name=job.ground.wall.name,
        wall=job.ground.wall,
        id=_ids(initials, row, column),
        index=placed.index - index_origin,
        xy_mm=placed.xy_mm,
        shift_mm=placed.xy_mm - placed.site_mm,
        scatter_mm=by_hand.scatter_mm,
        scatter_turn_deg=by_hand.turn_deg,
        scatter_size_ratio=by_hand.size_ratio,
        metal_mm2=_metal_mm2(job, placed),
        row=row,
        column=column,
        scale_ratio=placed.scale_ratio,
        rotation_deg=np.zeros(len(row)),
        form=placed.form,
        position_class=classes.position,
        form_class=classes.form,
        material_class=classes.material,
        reason=classes.reason,
        across_mm=across.repeat_mm,
        down_mm=down.repeat_mm,
        offset_ratio=repeat.offset_ratio,
        origin_mm=np.array([across.place_mm(along), down.place_mm(index_origin[1])]),
        line_mm=across.line_mm,
        strain_ratio=np.array([across.repeat_mm / repeat.across_mm, down.repeat_mm / repeat.down_mm]) - 1.0,
        on_axis=across.anchor.words,
        follow=job.ground.follow,
        margins_mm=np.array([across.low_margin_mm, across.high_margin_mm, down.low_margin_mm, down.high_margin_mm]),
        follow_difference_mm=worst.difference_mm,
        follow_worst_mm=worst.at_mm,
        stretch_ratio=worst_stretch(job, net),
        change_ratio=across.change_ratio,
        passes=passes,
        dropped=tuple(
            (i - int(index_origin[0]), j - int(index_origin[1]), xy, why) for i, j, xy, why in placed.dropped
        ),
        max_edge_gap_ratio=gap_ratio,
        cost_terms=net.terms,
        notes=(
            *wall_notes(job, net, placed=placed, gaps=gaps, worst=worst, passes=passes),
            *_pin_doubts(job, placed, marks),
            *(job.ground.wall.measured.notes if job.ground.wall.measured is not None else ()),
        ),
    )


def _index_origin(sites: Sites, job: Job, marks: Marks | None) -> NDArray[np.int64]:
    """Site that gets (0, 0): the first pinned motif keeps its number, else the lowest row's first motif."""
    if marks is not None and job.evidence.pins:
        pin = job.evidence.pins[0]
        return np.asarray(marks.index[job.evidence.n_surviving] - [pin["i"], pin["j"]])
    if not len(sites.index):
        return np.zeros(2, np.int64)
    j = int(sites.index[:, 1].min())
    return np.array([sites.index[sites.index[:, 1] == j, 0].min(), j])


def _ids(initials: str, row: NDArray[np.int64], column: NDArray[np.int64]) -> tuple[str, ...]:
    r_width, c_width = (max(2, len(str(number.max(initial=1)))) for number in (row, column))
    return tuple(
        f"{initials}-r{r:0{r_width}d}-c{c:0{c_width}d}" for r, c in zip(row.tolist(), column.tolist(), strict=True)
    )


def _columns(index: NDArray[np.int64], repeat: Repeat) -> NDArray[np.int64]:
    shifted = np.floor(repeat.offset_ratio * repeat.lines_per_repeat * index[:, 1] + 0.5).astype(np.int64)
    line = repeat.lines_per_repeat * index[:, 0] + shifted
    return line - int(line.min(initial=line.max(initial=0))) + 1


def _place(job: Job, sites: Sites) -> Placed:
    meets = np.flatnonzero(~sites.fits)
    ground, n = job.ground, len(sites.xy_mm)
    fate = ease(sites.xy_mm[meets], wall=ground.wall, rules=ground.rules, insets=ground.insets, forms=job.forms)
    xy, scale, form = np.array(sites.xy_mm), np.ones(n), np.full(n, WHOLE, object)
    eased, kept = np.full(n, "", object), np.ones(n, bool)
    xy[meets], scale[meets], kept[meets] = fate.xy_mm, fate.scale_ratio, fate.kept
    form[meets], eased[meets] = fate.form, fate.reason
    crowded = _crowded(job, xy, scale, form, (eased != "") & kept, kept)
    kept[crowded] = False
    eased[crowded] = "left out: eased at the edge, it would have met its neighbour"
    dropped = tuple(
        (
            int(sites.index[k, 0]),
            int(sites.index[k, 1]),
            (float(sites.xy_mm[k, 0]), float(sites.xy_mm[k, 1])),
            str(eased[k]),
        )
        for k in np.flatnonzero(~kept)
    )
    order = np.flatnonzero(kept)
    order = order[np.lexsort((sites.index[order, 0], sites.index[order, 1]))]
    return Placed(
        index=sites.index[order],
        site_mm=sites.xy_mm[order],
        xy_mm=xy[order],
        scale_ratio=scale[order],
        form=tuple(form[order]),
        eased=tuple(eased[order]),
        dropped=dropped,
    )


def _crowded(
    job: Job,
    xy_mm: FloatArray,
    scale_ratio: FloatArray,
    form: NDArray[np.object_],
    eased: NDArray[np.bool_],
    kept: NDArray[np.bool_],
) -> NDArray[np.int64]:
    at = np.flatnonzero(kept)
    worse = overlapping(
        xy_mm[at],
        scale_ratio=scale_ratio[at],
        form=tuple(form[at]),
        eased=eased[at],
        forms={form.name: form for form in job.forms},
    )
    return at[worse]


def _pinned(job: Job, placed: Placed, marks: Marks | None) -> Placed:
    """Pinned motifs put exactly where they were pinned."""
    if marks is None or not job.evidence.pins:
        return placed
    xy, eased = np.array(placed.xy_mm), list(placed.eased)
    for pin, site in zip(job.evidence.pins, marks.index[job.evidence.n_surviving :], strict=True):
        for k in np.flatnonzero((placed.index == site).all(axis=1)):
            xy[k] = pin["x_mm"], pin["y_mm"]
            eased[k] = f"pinned: {pin.get('reason') or 'no reason given'}"
    return replace(placed, xy_mm=xy, eased=tuple(eased))


def _pin_doubts(job: Job, placed: Placed, marks: Marks | None) -> list[str]:
    """Pinned motifs that could not be laid, or that do not stand clear of a boundary."""
    if marks is None or not job.evidence.pins:
        return []
    clear = job.ground.insets.of(job.ground.whole)
    doubts = []
    for pin, site in zip(job.evidence.pins, marks.index[job.evidence.n_surviving :], strict=True):
        name = f"The motif pinned at x = {pin['x_mm']:.0f}, y = {pin['y_mm']:.0f} mm"
        if not (placed.index == site).all(axis=1).any():
            doubts.append(f"{name} is not laid: its place is off the free wall.")
        elif not shapely.contains_xy(clear, pin["x_mm"], pin["y_mm"]):
            doubts.append(f"{name} does not stand clear of a boundary; it is laid because it was pinned.")
    return doubts


def _classes(job: Job, net: Net, placed: Placed, marks: Marks | None) -> Classes:
    return classify(
        placed.index,
        placed.xy_mm,
        evidence=job.evidence,
        evidence_index=marks.index if marks is not None else np.zeros((0, 2), np.int64),
        typed=job.repeat.typed or not (net.across.within and net.down.within),
        eased_reason=placed.eased,
    )


def _gaps(job: Job, net: Net, xy_mm: FloatArray, row: NDArray[np.int64]) -> tuple[float, list[Gap]]:
    area, (reach_x, reach_y) = job.ground.insets.area, job.ground.whole.reach_mm()
    with_room = inset(area, np.array([[0.0, -reach_y], [0.0, reach_y]]))
    heights, level = level_spans(with_room, xy_mm, row, repeat_mm=net.across.repeat_mm)
    with_room = inset(area, np.array([[-reach_x, 0.0], [reach_x, 0.0]]))
    low, _, high, _ = shapely.bounds(area)
    lines = np.arange(low, high, 0.5 * net.across.line_mm) if np.isfinite(low) else np.zeros(0)
    plumb = plumb_spans(with_room, xy_mm, level, lines, repeat_mm=net.down.repeat_mm)
    found = [*wide_gaps(level, heights, line="level"), *wide_gaps(plumb, lines, line="plumb")]
    return float(max(level.ratio.max(initial=0.0), plumb.ratio.max(initial=0.0))), found


def _worst_bent(job: Job, sites: Sites) -> Bent:
    frame, follow = job.ground.frame, job.ground.follow
    straight = frame.unbend(sites.xy_mm, follow=follow)
    moved = np.hypot(*frame.bend(straight, follow="edges" if follow == "level" else follow).T)
    if not len(moved):
        return Bent(difference_mm=0.0, at_mm=(0.0, 0.0))
    k = int(np.argmax(moved))
    return Bent(difference_mm=float(moved[k]), at_mm=(float(sites.xy_mm[k, 0]), float(sites.xy_mm[k, 1])))


def _metal_mm2(job: Job, placed: Placed) -> FloatArray:
    area = {form.name: form.metal_mm2 for form in job.forms}
    names, number = np.unique(np.array(placed.form, object).astype(str), return_inverse=True)
    return np.array([area[name] for name in names])[number] * placed.scale_ratio**2 if len(names) else np.zeros(0)


@dataclass(frozen=True, eq=False)
class _ByHand:
    scatter_mm: FloatArray
    turn_deg: FloatArray
    size_ratio: FloatArray


def _by_hand(job: Job, placed: Placed, row: NDArray[np.int64], rng: np.random.Generator | None) -> _ByHand:
    """Hand scatter, turn and size; none for motifs that are eased or pinned, or that would leave their place."""
    n = len(row)
    if rng is None:
        return _ByHand(np.zeros((n, 2)), np.zeros(n), np.ones(n))
    offsets = draw_scatter(row, placed.xy_mm[:, 0], sd_mm=job.hand.scatter_sd_mm, rng=rng)
    turns, sizes = draw_stance(n, hand=job.hand, rng=rng)
    room = inset(job.ground.insets.area, _widest(job.ground.whole, job.hand))
    moved = placed.xy_mm + offsets
    free = shapely.contains_xy(room, moved[:, 0], moved[:, 1]) & (np.array(placed.eased, object) == "")
    return _ByHand(np.where(free[:, None], offsets, 0.0), np.where(free, turns, 0.0), np.where(free, sizes, 1.0))


def _widest(form: Form, hand: Hand) -> FloatArray:
    """A convex polygon that holds the form at every turn and size the hand may give it."""
    most = BOUND_SD * hand.turn_sd_deg
    turned = [form.bound_mm @ turning(angle).T for angle in np.linspace(-most, most, 5)]
    swell = (1.0 + BOUND_SD * hand.size_sd_ratio) / np.cos(np.radians(most) / 4.0)
    return bounding_polygon(np.vstack(turned) * swell)
