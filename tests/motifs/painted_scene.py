"""True-scale pictures of invented painted fragments with known truth; shares no code with the package."""

from dataclasses import dataclass

import cv2
import numpy as np

NETS = {  # a and b in units of the repeat
    "square": ((1.0, 0.0), (0.0, 1.0)),
    "rectangular": ((1.0, 0.0), (0.0, 1.35)),
    "half-drop": ((1.0, 0.0), (0.5, 0.75)),
    "hexagonal": ((1.0, 0.0), (0.5, 0.8660254)),
    "oblique": ((1.0, 0.0), (0.3, 0.8)),
}
MOTIFS = ("cone", "star", "sprig", "lozenge", "crescent")


@dataclass(frozen=True)
class Scene:
    pixels: np.ndarray  # (h, w, 3) uint8
    mm_per_px: float
    a_mm: np.ndarray  # x right, y up
    b_mm: np.ndarray
    index: np.ndarray  # (n, 2)
    xy_mm: np.ndarray  # (n, 2) metal centroids; y up, origin at the centre of the top-left pixel
    visible: np.ndarray  # (n,) share of the metal that is left and inside
    lost: np.ndarray  # (h, w) bool


def draw_scene(
    seed: int,
    *,
    motif: str = "cone",
    net: str = "half-drop",
    repeat_mm: float = 60.0,
    mm_per_px: float = 0.4,
    lost_ratio: float = 0.3,
    contrast: float = 1.0,
    scatter_mm: float = 0.7,
    noise: float = 3.0,
    turn_deg: float = 3.0,
) -> Scene:
    rng = np.random.default_rng([seed, MOTIFS.index(motif), list(NETS).index(net), 5])
    size_mm = (7.5 * repeat_mm, 6.5 * repeat_mm)
    w, h = (round(s / mm_per_px) for s in size_mm)
    metal, shadow = _motif_masks(motif, repeat_mm, mm_per_px, rng)
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    a, b = (rotation @ (repeat_mm * np.array(v)) for v in NETS[net])
    index, sites = _sites(a, b, size_mm, scatter_mm, repeat_mm, rng)
    cover_metal, cover_shadow = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    areas, centroids = [], []
    for site in sites:
        flip = site * [1, -1] / mm_per_px
        m, area, centroid = _place(metal, flip, (h, w))
        s, _, _ = _place(shadow, flip, (h, w))
        np.maximum(cover_metal, m, out=cover_metal)
        np.maximum(cover_shadow, s, out=cover_shadow)
        areas.append(area)
        centroids.append(centroid)
    lost = _lost(h, w, lost_ratio, repeat_mm / mm_per_px, rng)
    left = np.where(lost, 0, cover_metal)
    full = metal.sum()
    visible = [_place(metal, site * [1, -1] / mm_per_px, (h, w), left)[1] / full for site in sites]
    pixels = _paint((cover_metal, cover_shadow, lost), contrast, noise, repeat_mm / mm_per_px, rng)
    return Scene(pixels, mm_per_px, a, b, index, sites, np.array(visible), lost)


def _outline(motif: str, rng: np.random.Generator) -> list[np.ndarray]:
    """Closed outlines about (0, 0), y down, within ±0.5."""
    t = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    if motif == "cone":
        scales = 0.04 * np.abs(np.sin(4.5 * t))
        r = 0.36 + 0.12 * np.cos(t) ** 2 * np.sign(np.sin(t)) + scales
        body = np.column_stack([0.72 * r * np.cos(t), r * np.sin(t)])
        stalk = np.array([[-0.03, -0.55], [0.03, -0.55], [0.04, -0.3], [-0.04, -0.3]])
        return [body, stalk]
    if motif == "star":
        r = 0.3 + 0.14 * np.cos(5 * t) + 0.02 * np.cos(t)
        return [np.column_stack([r * np.sin(t), -r * np.cos(t)])]
    if motif == "sprig":
        leaf = np.column_stack([0.16 * np.sin(t), 0.34 * np.cos(t)])
        parts = []
        for angle, x, y in ((0, 0, -0.15), (0.9, 0.2, 0.12), (-0.8, -0.2, 0.1)):
            c, s = np.cos(angle), np.sin(angle)
            parts.append(leaf @ np.array([[c, s], [-s, c]]) * 0.75 + [x, y])
        return parts
    if motif == "lozenge":
        return [np.array([[0, -0.42], [0.2, -0.1], [0.34, 0.0], [0.2, 0.1], [0, 0.42], [-0.26, 0.0]])]
    r = 0.4
    outer = np.column_stack([r * np.cos(t), r * np.sin(t)])
    inner = np.column_stack([0.32 * np.cos(t[::-1]) + 0.16, 0.32 * np.sin(t[::-1]) - 0.05])
    return [outer, inner]


def _motif_masks(motif, repeat_mm, mm_per_px, rng):
    """Soft masks of metal and shadow, the metal's centroid in the middle."""
    size = 0.62 * repeat_mm / mm_per_px * rng.uniform(0.9, 1.05)
    fine, half = 8, int(np.ceil(0.75 * size)) + 4
    side = (2 * half + 1) * fine
    parts = _outline(motif, rng)
    canvas = np.zeros((side, side), np.uint8)
    for k, part in enumerate(parts):
        colour = 0 if (motif == "crescent" and k == 1) else 255
        cv2.fillPoly(canvas, [np.round(part * size * fine + side / 2).astype(np.int32)], colour)
    y, x = np.nonzero(canvas)
    shift = np.array([(side - 1) / 2 - x.mean(), (side - 1) / 2 - y.mean()])
    canvas = cv2.warpAffine(canvas, np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), (side, side))
    offset = np.array([0.10, 0.08]) * size * fine * rng.choice([-1, 1], 2)
    under = cv2.warpAffine(canvas, np.array([[1, 0, offset[0]], [0, 1, offset[1]]]), (side, side))
    small = [cv2.resize(c, (2 * half + 1,) * 2, interpolation=cv2.INTER_AREA) / 255.0 for c in (canvas, under)]
    metal = small[0].astype(np.float32)
    return metal, small[1].astype(np.float32)


def _sites(a, b, size_mm, scatter_mm, repeat_mm, rng):
    start = np.array([size_mm[0] / 2, -size_mm[1] / 2]) + rng.uniform(-0.5, 0.5, 2) @ np.array([a, b])
    i, j = np.mgrid[-40:41, -40:41]
    index = np.column_stack([i.ravel(), j.ravel()])
    sites = start + index @ np.array([a, b])
    margin = 0.5 * repeat_mm
    inside = (sites[:, 0] > -margin) & (sites[:, 0] < size_mm[0] + margin)
    inside &= (sites[:, 1] < margin) & (sites[:, 1] > -size_mm[1] - margin)
    return index[inside], sites[inside] + rng.normal(0, scatter_mm, (inside.sum(), 2))


def _place(mask, xy_px, shape, among=None):
    """The mask on an empty picture, its area inside, its centroid; or the area of `among` under it."""
    half = mask.shape[0] // 2
    base = np.floor(xy_px).astype(int)
    f = xy_px - base
    moved = cv2.warpAffine(mask, np.array([[1, 0, f[0]], [0, 1, f[1]]]), (mask.shape[1] + 1, mask.shape[0] + 1))
    x0, y0 = base - half
    xs, ys = max(x0, 0), max(y0, 0)
    xe, ye = min(x0 + moved.shape[1], shape[1]), min(y0 + moved.shape[0], shape[0])
    out = np.zeros(shape, np.float32) if among is None else None
    if xe <= xs or ye <= ys:
        return out, 0.0, xy_px
    part = moved[ys - y0 : ye - y0, xs - x0 : xe - x0]
    if among is not None:
        return None, float((part * (among[ys:ye, xs:xe] > 0)).sum()), xy_px
    out[ys:ye, xs:xe] = part
    return out, float(part.sum()), xy_px


def _field(h, w, radius, rng):
    """Smooth random field, mean 0, standard deviation 1."""
    step = max(1, int(radius / 4))
    hh, ww = h // step + 40, w // step + 40
    small = cv2.GaussianBlur(rng.standard_normal((hh, ww)).astype(np.float32), (0, 0), radius / step)
    big = cv2.resize(small, (ww * step, hh * step), interpolation=cv2.INTER_CUBIC)[20 * step :, 20 * step :]
    big = big[:h, :w]
    return (big - big.mean()) / big.std()


def _lost(h, w, ratio, repeat_px, rng):
    field = _field(h, w, 0.35 * repeat_px, rng) + 0.35 * _field(h, w, 0.06 * repeat_px, rng)
    return field > np.quantile(field, 1 - ratio) if ratio > 0 else np.zeros((h, w), bool)


def _paint(covers, contrast, noise, repeat_px, rng):
    metal, shadow, lost = covers
    h, w = metal.shape
    ground_colour, shadow_colour = np.array([206, 196, 176.0]), np.array([150, 132, 116.0])
    bright, dark = np.array([232, 214, 158.0]), np.array([92, 82, 70.0])
    plaster = np.array([186, 172, 158.0])
    broad = 1 / (1 + np.exp(-(2.5 * _field(h, w, 1.2 * repeat_px, rng))))
    t = np.clip(broad + 0.18 * _field(h, w, 0.08 * repeat_px, rng), 0, 1)[..., None]
    leaf = bright + (dark - bright) * t
    ground = ground_colour + 3.0 * _field(h, w, 0.5 * repeat_px, rng)[..., None]
    picture = ground + (shadow_colour - ground) * shadow[..., None]
    picture = picture + (leaf - picture) * metal[..., None]
    picture = ground_colour + contrast * (picture - ground_colour)
    rough = plaster + (9.0 * _field(h, w, 3.0, rng) + 6.0 * _field(h, w, 0.3 * repeat_px, rng))[..., None]
    soft = cv2.GaussianBlur(lost.astype(np.float32), (0, 0), 0.8)[..., None]
    picture = picture + (rough - picture) * soft
    y, x = np.mgrid[:h, :w]
    light = 1.0 + 0.18 * (x / w - 0.5) - 0.12 * (y / h - 0.5) + 0.02 * _field(h, w, 2 * repeat_px, rng)
    picture = cv2.GaussianBlur((picture * light[..., None]).astype(np.float32), (0, 0), 0.7)
    picture += rng.normal(0, noise, picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)
