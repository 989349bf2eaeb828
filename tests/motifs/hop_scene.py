"""A painted, gilded, tarnished and damaged wall in true scale, with its truth, for the tests of `motifs`.

Shares no code with `fragkit.simulate`. The motif is a hop cone: a scaly oval with a stem. All is invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fragkit.motifs import Centres
from fragkit.net import Net
from fragkit.rectify import Picture

GROUND, SHADOW, PLASTER, LATER = (214, 204, 184), (164, 148, 126), (196, 176, 148), (188, 196, 194)
FOLD = 4
Tone = tuple[int, int, int]


@dataclass(frozen=True)
class Wall:
    """Pixels and what is true of them: codes 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work."""

    pixels: np.ndarray
    mm_per_px: float
    truth: np.ndarray
    index: np.ndarray
    xy_mm: np.ndarray
    visible_ratio: np.ndarray
    a_mm: np.ndarray
    b_mm: np.ndarray
    copies_mm: list


def cone(size_mm: float = 42.0) -> np.ndarray:
    """The hop cone's outline (n, 2) in mm, y up, metal centroid at (0, 0)."""
    t = np.linspace(0.0, 2.0 * np.pi, 361)[:-1]
    r = 1.0 + 0.07 * np.cos(9.0 * t + 0.4) + 0.05 * np.cos(2.0 * t)
    oval = np.c_[0.33 * r * np.cos(t), 0.44 * r * np.sin(t) - 0.05 * np.cos(2.0 * t) - 0.02 * np.sin(3.0 * t)]
    stem = np.abs(t - np.pi / 2.0) < 0.10
    oval[stem, 1] += 0.14
    oval[stem, 0] = oval[stem, 0] * 1.2 + 0.03
    points = oval * size_mm
    return points - centroid(points)


def area(points: np.ndarray) -> float:
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def centroid(points: np.ndarray) -> np.ndarray:
    x, y = points.T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y1 - x1 * y
    return np.array([np.sum((x + x1) * cross), np.sum((y + y1) * cross)]) / (6.0 * area(points))


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], scale_px: float) -> np.ndarray:
    """A Gaussian field of unit sd, correlated over about `scale_px`."""
    step = max(1, int(scale_px / 3.0))
    coarse = rng.standard_normal((shape[0] // step + 8, shape[1] // step + 8)).astype(np.float32)
    coarse = cv2.GaussianBlur(coarse, (0, 0), scale_px / step)
    coarse /= coarse.std()
    high, wide = coarse.shape[0] * step, coarse.shape[1] * step
    big = cv2.resize(coarse, (wide, high), interpolation=cv2.INTER_CUBIC)
    return big[2 * step : 2 * step + shape[0], 2 * step : 2 * step + shape[1]]


def vary(rng: np.random.Generator, points: np.ndarray, sd_mm: float) -> np.ndarray:
    """A copy whose outline wanders smoothly by `sd_mm` rms, normal to itself."""
    t = np.linspace(0.0, 2.0 * np.pi, len(points), endpoint=False)
    wander = sum(rng.normal() * np.cos(k * t + rng.uniform(0.0, 6.3)) for k in (2, 3, 4, 5, 6))
    tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    normal = np.c_[tangent[:, 1], -tangent[:, 0]] / np.hypot(*tangent.T)[:, None]
    return points + normal * (sd_mm * wander / np.sqrt(2.5))[:, None]


def coverage(polygons: list, shape: tuple[int, int], mm_per_px: float, height_mm: float) -> np.ndarray:
    """Share (h, w) of each pixel that the polygons cover, by FOLD-fold oversampling."""
    total = np.zeros(shape, np.float32)
    for points in polygons:
        px = np.c_[points[:, 0], height_mm - points[:, 1]] / mm_per_px
        low = np.maximum(np.floor(px.min(0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(px.max(0)).astype(int) + 2, [shape[1], shape[0]])
        if (high <= low).any():
            continue
        fine = _inside((px - low) * FOLD - 0.5, *((high - low) * FOLD)[::-1])
        part = fine.reshape(high[1] - low[1], FOLD, high[0] - low[0], FOLD).mean((1, 3))
        window = total[low[1] : high[1], low[0] : high[0]]
        np.maximum(window, part, out=window)
    return total


def _inside(points: np.ndarray, n_rows: int, n_columns: int) -> np.ndarray:
    """Which pixel centres lie in the polygon: crossings of each row, counted from the left."""
    (x0, y0), (x1, y1) = points.T, np.roll(points, -1, 0).T
    row = np.arange(n_rows)[:, None]
    hit = (y0 <= row) != (y1 <= row)
    rows, edges = np.nonzero(hit)
    at = x0[edges] + (rows - y0[edges]) / (y1[edges] - y0[edges]) * (x1[edges] - x0[edges])
    flips = np.zeros((n_rows, n_columns + 1), np.int32)
    np.add.at(flips, (rows, np.clip(np.ceil(at).astype(int), 0, n_columns)), 1)
    return np.cumsum(flips, axis=1)[:, :-1] % 2


def make_wall(  # noqa: PLR0913 - a recipe with one name for every property of the wall
    *,
    seed: int = 0,
    mm_per_px: float = 0.4,
    loss_ratio: float = 0.25,
    columns: int = 5,
    rows: int = 4,
    shape_sd_mm: float = 0.25,
    scatter_mm: float = 0.7,
    shadow: bool = True,
    later_work: bool = True,
    size_mm: float = 42.0,
    blur_px: float = 0.6,
    noise: float = 2.5,
    plaster: Tone = PLASTER,
    later: Tone = LATER,
    textures: tuple[np.ndarray | float, np.ndarray | float] = (0.0, 0.0),
) -> Wall:
    """A half-drop wall of hop cones; lengths in mm, noise in grey levels of 255; the tones of what is bare and of later
    work in sRGB; grey levels to be added to the ground and to what is bare, tiles (h, w)."""
    rng = np.random.default_rng(seed)
    a, b = np.array([92.0, 0.0]), np.array([46.0, 74.0])
    width, height = columns * a[0], rows * b[1]
    shape = (round(height / mm_per_px), round(width / mm_per_px))
    i, j = np.meshgrid(np.arange(-8, columns + 2), np.arange(rows))
    index = np.c_[i.ravel(), j.ravel()]
    nominal = index @ np.array([a, b]) + [a[0] / 2 - 10.0, b[1] / 2]
    keep = (nominal[:, 0] > 0.0) & (nominal[:, 0] < width)
    index, nominal = index[keep], nominal[keep]
    copies = [vary(rng, cone(size_mm), shape_sd_mm) for _ in nominal]
    xy = nominal + rng.normal(0.0, scatter_mm, nominal.shape)
    copies = [points - centroid(points) + at for points, at in zip(copies, xy, strict=True)]
    metal = coverage(copies, shape, mm_per_px, height)
    shade = coverage([p + [2.6, -2.0] for p in copies], shape, mm_per_px, height) if shadow else 0.0 * metal
    picture = np.full((*shape, 3), GROUND, np.float32) + 2.0 * smooth_noise(rng, shape, 1.5 / mm_per_px)[..., None]
    stain = np.clip(smooth_noise(rng, shape, 40.0 / mm_per_px) - 1.3, 0.0, 1.0)[..., None]
    paint = np.full((*shape, 3), SHADOW, np.float32) + 2.0 * smooth_noise(rng, shape, 3.0 / mm_per_px)[..., None]
    picture += shade[..., None] * (paint - picture)
    picture += metal[..., None] * (_leaf(rng, shape, mm_per_px) - picture)
    picture *= 1.0 - stain * np.array([0.06, 0.08, 0.12], np.float32)
    lost = _threshold(
        smooth_noise(rng, shape, 26.0 / mm_per_px) + 0.25 * smooth_noise(rng, shape, 3.0 / mm_per_px),
        loss_ratio,
    )
    covered = _threshold(smooth_noise(rng, shape, 30.0 / mm_per_px), 0.04 if later_work else 0.0)
    bare = np.full((*shape, 3), plaster, np.float32) + 7.0 * smooth_noise(rng, shape, 2.0 / mm_per_px)[..., None]
    on_ground, on_bare = (_tiled(tile, shape, rng) for tile in textures)
    picture = np.where(lost[..., None], bare + on_bare, picture + on_ground)
    picture = np.where(covered[..., None], np.float32(later), picture)
    truth = np.where(metal > 0.5, 3, np.where(shade > 0.5, 2, 1)).astype(np.uint8)
    truth[lost], truth[covered] = 4, 5
    return Wall(
        pixels=_photograph(rng, picture, blur_px, noise),
        mm_per_px=mm_per_px,
        truth=truth,
        index=index,
        xy_mm=xy,
        visible_ratio=_visible(copies, lost | covered, mm_per_px, height),
        a_mm=a,
        b_mm=b,
        copies_mm=copies,
    )


def origin_mm(wall: Wall) -> np.ndarray:
    """Plane coordinates of the centre of the top-left pixel."""
    height = wall.truth.shape[0] * wall.mm_per_px
    return np.array([wall.mm_per_px / 2.0, height - wall.mm_per_px / 2.0])


def _leaf(rng: np.random.Generator, shape: tuple[int, int], mm_per_px: float) -> np.ndarray:
    tarnish = 1.0 / (
        1.0
        + np.exp(-1.6 * smooth_noise(rng, shape, 30.0 / mm_per_px) - 0.8 * smooth_noise(rng, shape, 7.0 / mm_per_px))
    )
    leaf = np.float32([236, 214, 150]) + tarnish[..., None] * np.float32([-146, -142, -104])
    glare = np.clip(smooth_noise(rng, shape, 12.0 / mm_per_px) - 1.6, 0.0, 1.0)[..., None]
    leaf += 6.0 * smooth_noise(rng, shape, 1.0 / mm_per_px)[..., None]
    return (leaf + glare * (np.float32([250, 247, 236]) - leaf)).astype(np.float32)


def _threshold(field: np.ndarray, share: float) -> np.ndarray:
    return field > np.quantile(field, 1.0 - share) if share > 0.0 else np.zeros(field.shape, bool)


def _tiled(tile: np.ndarray | float, shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """A tile (h, w), mirrored from edge to edge until it fills (*shape, 1), from a random place on."""
    if np.ndim(tile) == 0:
        return np.zeros((1, 1, 1), np.float32)
    unit = np.hstack([tile, tile[:, ::-1]])
    unit = np.vstack([unit, unit[::-1]])
    places = np.ix_(*(np.arange(n) + rng.integers(size) for n, size in zip(shape, unit.shape, strict=True)))
    return np.take(unit, np.ravel_multi_index(places, unit.shape, mode="wrap"))[..., None].astype(np.float32)


def _visible(copies: list, damaged: np.ndarray, mm_per_px: float, height: float) -> np.ndarray:
    shares = []
    for points in copies:
        own = coverage([points], damaged.shape, mm_per_px, height)
        shares.append(float((own * ~damaged).sum() * mm_per_px**2 / area(points)))
    return np.clip(shares, 0.0, 1.0)


def _photograph(rng: np.random.Generator, picture: np.ndarray, blur_px: float, noise: float) -> np.ndarray:
    gy, gx = np.meshgrid(*(np.linspace(-1.0, 1.0, n) for n in picture.shape[:2]), indexing="ij")
    light = 1.0 + 0.07 * gx - 0.05 * gy - 0.05 * (gx**2 + gy**2)
    seen = cv2.GaussianBlur((picture * light[..., None]).astype(np.float32), (0, 0), blur_px)
    seen = np.clip(seen + rng.normal(0.0, noise, seen.shape), 0.0, 255.0).round().astype(np.uint8)
    code = cv2.imencode(".jpg", seen[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])[1]
    return np.ascontiguousarray(cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1])


def picture_of(wall: Wall) -> Picture:
    return Picture(
        pixels=wall.pixels,
        mm_per_px=wall.mm_per_px,
        origin_mm=origin_mm(wall),
        coverage=np.ones(wall.truth.shape, bool),
    )


def example(wall: Wall, *, seed: int = 0, sd_mm: float = 0.15, least_visible: float = 0.3) -> tuple:
    """The wall's picture, and its centres marked with an error of `sd_mm` per coordinate."""
    rng = np.random.default_rng([seed, 99])
    share = wall.visible_ratio
    net = Net(
        a_mm=wall.a_mm,
        b_mm=wall.b_mm,
        support=1.0,
        explained=1.0,
        evidence=9.0,
        independent_evidence=9.0,
        contrast_evidence=9.0,
        net_type="centred",
    )
    status = tuple("seen" if v >= 0.6 else "partly seen" if v >= least_visible else "lost" for v in share)
    return picture_of(wall), Centres(
        index=wall.index,
        xy_mm=wall.xy_mm + rng.normal(0.0, sd_mm, wall.xy_mm.shape),
        cov_mm2=np.tile(np.eye(2) * sd_mm**2, (len(wall.index), 1, 1)),
        score=np.ones(len(share)),
        visible_ratio=share,
        status=status,
        net=net,
    )


def overlap(first: np.ndarray, second: np.ndarray) -> float:
    """Intersection over union of two masks."""
    return float((first & second).sum() / max(1, (first | second).sum()))
