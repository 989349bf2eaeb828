"""The figures asked of the layout, measured and printed beside what was asked; a reduced size runs in the tests."""

import time
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon

from fragkit.layout import lay_out
from fragkit.survey import LayoutEntry, OpeningEntry, WallEntry

TOUCH_MM = 1e-6  # rounding of coordinates of a few metres


def stress_room(make_wall, make_opening, *, scale=1.0):
    """Six walls, nine openings, about 12,000 motifs at scale 1, corners carried on at every second."""
    walls = []
    for k in range(6):
        openings = tuple(
            make_opening(900 + 2400 * m, 0, 1900 + 2400 * m, 2100, name=f"door {m}") for m in range(1 + k % 2)
        )
        corner = "continue" if k % 2 else "restart"
        width, height = (7400.0 + 35 * k) * scale, 3990.0 + 3 * k
        walls.append(
            make_wall(f"Wall {k}", width, height, openings=openings, next=f"Wall {(k + 1) % 6}", corner=corner)
        )
    return walls


def cpu_seconds(work):
    """Least CPU time of three runs, so that other work on the machine does not count."""
    taken = []
    for _ in range(3):
        started = time.process_time()
        result = work()
        taken.append(time.process_time() - started)
    return min(taken), result


def random_opening(rng, width, height, number):
    """A door, a round window or a door with an arched head."""
    w, h = rng.uniform(250, 900), rng.uniform(300, 900)
    x, y = rng.uniform(0, width - w), rng.choice([-20.0, rng.uniform(0, max(1.0, height - h))])
    kind = rng.integers(3)
    if kind == 1:
        shape = Point(x + w / 2, y + w / 2).buffer(w / 2, quad_segs=10)
    else:
        shape = shapely.box(x, y, x + w, y + h)
        shape = shape.union(Point(x + w / 2, y + h).buffer(w / 2)) if kind == 2 else shape
    ring = np.asarray(shape.exterior.coords)[:-1]
    return OpeningEntry(name=f"opening {number}", kind="opening", outline_mm=ring, clearance_mm=rng.uniform(0, 40))


def random_wall(rng, make_edge, *, rule):
    """A crooked wall, one in four with a step, with up to two openings and a cornice with a rule of its own."""
    width, height = rng.uniform(1200, 3600), rng.uniform(900, 2400)
    lean, fall = rng.uniform(-38, 38), rng.uniform(-25, 25)
    outline = [[0, 0], [width, 0], [width + lean, height + fall]]
    step = [[0.55 * width, height], [0.55 * width, 0.7 * height], [0, 0.7 * height]]
    outline += step if rng.integers(4) == 0 else [[0, height]]
    openings = tuple(random_opening(rng, width, height, k) for k in range(rng.integers(0, 3)))
    edge = make_edge([[0, height], [width + lean, height + fall]], rule=rule, max_shift=rng.uniform(0, 30))
    return WallEntry(
        name="North",
        outline_mm=np.array(outline, float),
        openings=openings,
        edges=(edge,),
        clearance_mm=rng.uniform(0, 15),
    )


def random_room(rng, make_edge, make_repeat, make_motif, *, trial):
    wall = random_wall(rng, make_edge, rule=("shift", "reduce", "reshape", "omit")[trial % 4])
    repeat = make_repeat(
        rng.uniform(90, 180),
        rng.uniform(90, 150),
        float(rng.choice([0.0, 0.5, 1 / 3, 0.27])),
        offset_sd=1e-4,
        spread_ratio=rng.uniform(0.005, 0.03),
    )
    options = LayoutEntry(follow=("level", "edges", "fan")[trial % 3], irregularity_ratio=float(trial % 2))
    return wall, lay_out([wall], repeat, make_motif(parts=1 + trial % 3), options=options)


def n_outside(wall, layout):
    """Outlines, hand scatter included, that leave the wall or enter a clearance."""
    field = Polygon(wall.outline_mm).buffer(-wall.clearance_mm, join_style="mitre")
    taken = [Polygon(o.outline_mm).buffer(o.clearance_mm, join_style="mitre") for o in wall.openings]
    free = field.difference(shapely.union_all(taken)) if taken else field
    laid = layout.walls[0]
    place, form = laid.xy_mm + laid.scatter_mm, np.array(laid.form)
    shapes = [
        shapely.polygons(ring * laid.scale_ratio[form == name, None, None] + place[form == name, None])
        for name, outlines in layout.forms.items()
        for rings in outlines.values()
        for ring in rings
    ]
    grown = free.buffer(TOUCH_MM)
    shapely.prepare(grown)
    return int(np.sum(~shapely.covers(grown, np.concatenate(shapes))))


def measure_rooms(n, seed, make_edge, make_repeat, make_motif):
    """Counts over random rooms: outlines outside, gaps and losses beyond the limit without a reason."""
    rng = np.random.default_rng(seed)
    outside = unsaid = wide = lost = motifs = 0
    for trial in range(n):
        wall, layout = random_room(rng, make_edge, make_repeat, make_motif, trial=trial)
        laid = layout.walls[0]
        outside += n_outside(wall, layout)
        motifs += laid.n_motifs
        is_wide = laid.max_edge_gap_ratio > 1.25 + 1e-6
        is_lost = laid.n_dropped > 0.02 * (laid.n_motifs + laid.n_dropped)
        wide, lost = wide + is_wide, lost + is_lost
        unsaid += is_wide and not any("A gap of" in note for note in laid.notes)
        unsaid += is_lost and not any("more than the 2 %" in note for note in laid.notes)
    return {"outside": outside, "unsaid": unsaid, "wide": wide, "lost": lost, "motifs": motifs}


def symmetry_mm(seed, n, make_wall, make_repeat, make_motif, make_opening):
    """Worst distance between a motif and the mirror image of its partner, on walls that are symmetrical."""
    rng = np.random.default_rng(seed)
    worst = 0.0
    for trial in range(n):
        width, height, w = rng.uniform(1500, 4500), rng.uniform(1000, 2600), rng.uniform(300, 1000)
        opening = make_opening(width / 2 - w / 2, 0, width / 2 + w / 2, rng.uniform(0.3, 0.9) * height)
        options = LayoutEntry(on_axis=("motif", "gap")[trial % 2])
        repeat = make_repeat(rng.uniform(90, 170), rng.uniform(90, 150), float(rng.choice([0.0, 0.5])))
        walls = [make_wall(width=width, height=height, openings=(opening,))]
        at = lay_out(walls, repeat, make_motif(), options=options).walls[0].xy_mm - [width / 2, 0]
        ours, mirrored = (shapely.MultiPoint(points) for points in (at, at * [-1, 1]))
        worst = max(worst, shapely.hausdorff_distance(ours, mirrored))
    return worst


def test_cost_grows_linearly(make_wall, make_repeat, make_motif, make_opening):
    """A ratio, so that a slow machine does not fail: with 4 × the motifs each motif takes no longer."""
    times = []
    for scale in (1.0, 4.0):
        room = stress_room(make_wall, make_opening, scale=scale)
        seconds, layout = cpu_seconds(lambda room=room: lay_out(room, make_repeat(100.0, 130.0), make_motif()))
        times.append(seconds / layout.n_motifs)
    assert times[1] < 1.5 * times[0]


def test_no_motif_of_random_rooms_is_outside_and_every_wide_gap_has_its_reason(make_edge, make_repeat, make_motif):
    found = measure_rooms(40, 2024, make_edge, make_repeat, make_motif)
    assert found["outside"] == 0
    assert found["unsaid"] == 0
    assert found["motifs"] > 5_000


def test_symmetry_is_exact_on_symmetrical_walls(make_wall, make_repeat, make_opening):
    def bare(*_):
        square = np.array([[-18, -20], [18, -20], [18, 24], [-18, 24]], float)
        return type("Motif", (), {"outlines": {"metal": (square,), "shadow": ()}})()

    assert symmetry_mm(6, 40, make_wall, make_repeat, bare, make_opening) < 1e-6


@pytest.mark.benchmark
def test_figures_of_the_layout(make_wall, make_repeat, make_motif, make_opening, make_edge):
    room, repeat, motif = stress_room(make_wall, make_opening), make_repeat(100.0, 130.0), make_motif()
    fit_s, layout = cpu_seconds(lambda: lay_out(room, repeat, motif))
    changed = [replace(w, outline_mm=w.outline_mm * ([1.002, 1.0] if k == 2 else 1.0)) for k, w in enumerate(room)]
    refit_s, _ = cpu_seconds(lambda: lay_out(changed, repeat, motif))
    large = [make_wall(f"W{k}", 36_000.0, 60_500.0, openings=(make_opening(900, 0, 1900, 2100),)) for k in range(6)]
    started = time.process_time()
    million = lay_out(large, repeat, motif)
    large_s = time.process_time() - started
    tracemalloc.start()
    lay_out(large, repeat, motif)
    peak_gb = tracemalloc.get_traced_memory()[1] / 1e9
    tracemalloc.stop()
    rooms = measure_rooms(2000, 77, make_edge, make_repeat, make_motif)
    table = [
        (f"{layout.n_motifs:,} motifs, 6 walls, 9 openings: ranked and laid out", "≤ 1.0 s", fit_s, 1.0, "s"),
        ("the same re-fitted after one changed dimension", "≤ 0.2 s", refit_s, 0.2, "s"),
        (f"{million.n_motifs:,} motifs", "≤ 20 s", large_s, 20.0, "s"),
        ("their peak memory", "< 2 GB", peak_gb, 2.0, "GB"),
        (f"2,000 random rooms, {rooms['motifs']:,} motifs: outlines outside", "0", rooms["outside"], 0, ""),
        ("gaps > 1.25 repeats or > 2 % left out without a reason", "0", rooms["unsaid"], 0, ""),
    ]
    print()
    for what, asked, measured, _, unit in table:
        print(f"{what:75s} asked {asked:8s} measured {measured:.3g} {unit}")
    print(f"rooms with a gap > 1.25 repeats: {rooms['wide']} of 2,000; with > 2 % left out: {rooms['lost']}")
    assert all(measured <= limit for _, _, measured, limit, _ in table)
