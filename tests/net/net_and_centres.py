"""The figures of net and centres, asked and measured, in one table: `python tests/net/net_and_centres.py [PICTURES]`.

PICTURES of each level of the ladder (500 by default); the other rows scale with it. Seeds were used for nothing else.
"""

import sys
import time
from pathlib import Path

sys.path += [str(Path(__file__).resolve().parents[1] / "motifs"), str(Path(__file__).resolve().parents[1])]

import numpy as np
from clean_motifs import to_bound
from independent_scene import Recipe, make_scene
from independent_scene import Scene as Photographed
from ladder import LEVELS, draw_rung, known_template_net, same_net
from painted_scene import MOTIFS, NETS, Scene, draw_scene
from published_tiles import has_a_cell, is_cell_found, tile_rows
from scipy.spatial import cKDTree
from skimage.feature import match_template

from fragkit.errors import EstimationError
from fragkit.lattice.observed import gather_centres
from fragkit.motifs import find_centres
from fragkit.net import find_nets
from fragkit.rectify import Picture, rectify
from fragkit.survey import PointControl

FLIP = np.array([1.0, -1.0])
LEAST_RIGHT = {"easy": 0.995, "mild": 0.995, "worn": 0.97, "hard": 0.80, "very hard": 0.40}
ROUGHLY = 0.05
"""A net whose vectors differ by less, as a share of the shorter one, is the true net and no multiple of it."""

MATCH_RATIO = 0.15
"""A found centre matches a true one within this share of the repeat, one to one."""


def line(what: str, asked: str, measured: float, n: int, beside: str = "") -> None:
    print(f"{what:56s} {asked:>8s} {measured:8.3f} {n:6d}  {beside}", flush=True)


def climb(level: str, n: int, *, first: int = 40_000) -> tuple[float, float, float, float]:
    """Share of right nets, of wrong ones and of inexact ones stated firmly, and of nets that a known template finds."""
    right, firmly_wrong, firmly_inexact, known = 0, 0, 0, 0
    for seed in range(first, first + n):
        rung = draw_rung(level, seed)
        known += same_net(*known_template_net(rung), rung.a_px, rung.b_px)
        try:
            nets = find_nets(rung.pixels)
        except EstimationError:
            continue
        both = (nets.best.a_mm, nets.best.b_mm, rung.a_px * FLIP, rung.b_px * FLIP)
        good, roughly = same_net(*both), same_net(*both, within=ROUGHLY)
        right += good
        firmly_wrong += nets.decided and not roughly
        firmly_inexact += nets.decided and roughly and not good
    return right / n, firmly_wrong / n, firmly_inexact / n, known / n


def picture_of(scene: Scene) -> Picture:
    pixels = scene.pixels
    covered = np.ones(pixels.shape[:2], bool)
    return Picture(pixels=pixels, mm_per_px=scene.mm_per_px, origin_mm=np.zeros(2), coverage=covered)


def draw(k: int) -> Scene:
    """Scene k: five drawings on five nets, repeats of 40 to 110 mm, and all else drawn at random."""
    rng = np.random.default_rng([k, 50_000])
    return draw_scene(
        50_000 + k,
        motif=MOTIFS[k % 5],
        net=list(NETS)[(k // 5 + k) % 5],
        contrast=(1.0, 0.6, 0.34)[k % 3],
        lost_ratio=float(rng.uniform(0.1, 0.5)),
        repeat_mm=float(rng.uniform(40, 110)),
        mm_per_px=0.25 if k % 2 else float(rng.uniform(0.25, 0.5)),
        turn_deg=float(rng.uniform(-8, 8)),
        noise=float(rng.uniform(2, 6)),
    )


def judge(scene: Scene) -> dict[str, float]:
    """Whether the net is right; matched, to be found, found; squared errors about their mean, and how many."""
    picture = picture_of(scene)
    net = find_nets(picture).best
    centres = find_centres(picture, net)
    found = centres.xy_mm[centres.found]
    limit = MATCH_RATIO * min(np.hypot(*scene.a_mm), np.hypot(*scene.b_mm))
    near, own = cKDTree(scene.xy_mm).query(found)
    real = (near < limit) & (scene.visible[own] > 0)
    matched = set(own[real].tolist())
    error = (found - scene.xy_mm[own])[real]
    return {
        "right": same_net(net.a_mm, net.b_mm, scene.a_mm, scene.b_mm),
        "seen": sum(k in matched for k in np.flatnonzero(scene.visible >= 0.6)),
        "to see": int((scene.visible >= 0.6).sum()),
        "real": len(matched),
        "found": len(found),
        "squares": float(((error - error.mean(0)) ** 2).sum()),
        "freedom": 2 * max(len(error) - 1, 0),
    }


def scenes(n: int) -> None:
    rows = [(draw(k).mm_per_px == 0.25, judge(draw(k))) for k in range(n)]
    total = {key: sum(row[key] for _, row in rows) for key in rows[0][1]}
    fine = [row for is_fine, row in rows if is_fine]
    rms = np.sqrt(sum(row["squares"] for row in fine) / sum(row["freedom"] for row in fine))
    line("painted scenes, net right", "printed", total["right"] / n, n)
    line("recall, 0.6 or more visible", ">= .98", total["seen"] / total["to see"], total["to see"])
    line("precision", ">= .99", total["real"] / total["found"], total["found"])
    line("centre rms per coordinate at 0.25 mm/px, mm", "<= .18", float(rms), len(fine), "scenes")


def photograph(k: int) -> Recipe:
    """Photograph k of the independent generator: tilted by up to 25 degrees, its plane from points of 0.3 mm."""
    rng = np.random.default_rng([k, 51_000])
    away, way = rng.uniform(8.0, 25.0), rng.uniform(0.0, 2.0 * np.pi)
    return Recipe(
        seed=51_000 + k,
        motif=("shell", "trefoil", "bell")[k % 3],
        across=float(rng.uniform(70.0, 100.0)),
        down=float(rng.uniform(60.0, 85.0)),
        offset=(0.0, 0.5)[k % 2],
        loss=float(rng.uniform(0.1, 0.35)),
        contrast=float(rng.uniform(0.6, 1.0)),
        tilt_deg=(away * np.cos(way), away * np.sin(way)),
        stand_back=1.16 + 0.02 * max(away - 10.0, 0.0),
        turn_deg=float(rng.uniform(-3.0, 3.0)),
        k1=float(rng.uniform(-0.06, 0.0)),
        n_control=int(rng.integers(8, 13)),
        noise=float(rng.uniform(2.0, 5.0)),
    )


def as_control(scene: Photographed) -> PointControl:
    n = len(scene.control_px)
    names = tuple(f"P{k}" for k in range(n))
    return PointControl(names=names, xy_px=scene.control_px, xy_mm=scene.control_mm, sd_px=0.3, sd_mm=np.full(n, 0.3))


def judge_photograph(k: int) -> tuple[float, float, int]:
    """Sum of the squared errors of the centres and that predicted, one offset a fragment removed, and how many."""
    scene = make_scene(photograph(k))
    plane = rectify(scene.photo, as_control(scene))
    picture = plane.picture
    centres = find_centres(picture, find_nets(picture).best, covariance_mm2=plane.covariance_mm2)
    found = centres.xy_mm[centres.found]
    limit = MATCH_RATIO * min(np.hypot(*scene.a), np.hypot(*scene.b))
    near, own = cKDTree(scene.centres_mm).query(found)
    real = near < limit
    joint = gather_centres(centres, plane.joint_covariance_mm2).measured
    both = np.repeat(real, 2)
    n = int(real.sum())
    centring = np.kron(np.eye(n) - 1.0 / n, np.eye(2))
    error = centring @ (found - scene.centres_mm[own])[real].ravel()
    predicted = np.trace(centring @ joint[np.ix_(both, both)] @ centring)
    return float(error @ error), float(predicted), n


def photographs(n: int) -> None:
    errors, predicted, counts = np.transpose([judge_photograph(k) for k in range(n)])
    beside = f"photographs, {counts.sum():.0f} centres; rms {np.sqrt(errors.sum() / (2 * counts.sum() - 2 * n)):.2f} mm"
    ratio = float(np.sqrt(errors.sum() / predicted.sum()))
    line("tilted photographs: rms over that predicted", "<= 1.10", ratio, n, beside)


def speed() -> float:
    """Time from a true-scale picture of 2500 × 1900 px to net and centres, in times of one matching of a template."""
    scene = draw_scene(60_001, repeat_mm=100.0, mm_per_px=0.3)
    picture = picture_of(scene)
    height, width = min(1900, scene.pixels.shape[0]), min(2500, scene.pixels.shape[1])
    picture = Picture(
        pixels=scene.pixels[:height, :width],
        mm_per_px=0.3,
        origin_mm=np.zeros(2),
        coverage=np.ones((height, width), bool),
    )
    grey = picture.pixels.mean(2)
    exemplar = grey[800:1010, 1000:1210]
    ours, theirs = [], []
    for _ in range(3):
        start = time.perf_counter()
        match_template(grey, exemplar)
        middle = time.perf_counter()
        find_centres(picture, find_nets(picture).best)
        theirs.append(middle - start)
        ours.append(time.perf_counter() - middle)
    return float(np.median(ours) / np.median(theirs))


def main(n: int = 500) -> None:
    print(f"{'':56s} {'asked':>8s} {'measured':>8s} {'n':>6s}")
    for level, least in LEAST_RIGHT.items():
        right, wrong, inexact, known = climb(level, n)
        line(f"ladder, {level}: net right", f">= {least:.3f}", right, n, f"a known template {known:.2f}")
        beside = f"true net, but a vector beyond 1.5 %: {inexact:.3f}"
        line(f"ladder, {level}: wrong net stated firmly", "<= .005", wrong, n, beside)
    tiles = [row for row in tile_rows() if has_a_cell(row)][:: max(1, 500 // n)]
    line("published tiles: primitive cell", ">= .99", float(np.mean([is_cell_found(row) for row in tiles])), len(tiles))
    scenes(max(5, n // 10))
    photographs(max(3, n // 10))
    for peak_to_noise in (2.0, 4.0, 10.0, 40.0):
        ratio, count = to_bound(peak_to_noise, max(2, n // 50))
        line(f"clean motifs, peak {peak_to_noise:.0f} x noise: rms over the bound", "<= 1.15", ratio, count, "centres")
    line("time, in matchings of one template", "<= 2", speed(), 3)


if __name__ == "__main__":
    assert set(LEAST_RIGHT) == set(LEVELS)
    main(*(int(value) for value in sys.argv[1:]))
