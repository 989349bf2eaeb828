"""A second generator of fragments, sharing no code with `fragkit.simulate`.

It exists so that the estimators are never judged by their own model alone: motifs are polygons filled by
OpenCV, fields are Fourier-filtered noise, the camera is a bare homography with radial distortion. All data
are invented.
Frames follow README: pixels x right, y down, centre of the top-left pixel (0, 0); plane in mm, x right, y up.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

CANVAS_MM_PER_PX = 0.25


@dataclass
class Recipe:
    """What is to be painted and photographed; lengths in mm."""

    seed: int = 0
    motif: str = "shell"
    across: float = 88.0
    down: float = 61.0
    offset: float = 0.0
    size: float = 34.0
    shadow: tuple[float, float] = (2.4, -1.9)
    width: float = 620.0
    height: float = 470.0
    scatter: float = 0.7
    loss: float = 0.25
    contrast: float = 1.0
    tilt_deg: tuple[float, float] = (9.0, -7.0)
    stand_back: float = 1.16
    turn_deg: float = 0.6
    k1: float = -0.05
    k2: float = 0.01
    control_sd: float = 0.3
    pick_sd_px: float = 0.3
    n_control: int = 10
    photo_px: tuple[int, int] = (2000, 1500)
    noise: float = 3.0
    jpeg_quality: int = 92
    chart: bool = False
    camera_sd: float = 0.0  # how far the camera's own colours are from sRGB


@dataclass
class Scene:
    """A photograph and everything that is true of it; labels (1 ground, 2 shadow, 3 metal, 4 loss) on the canvas."""

    photo: np.ndarray
    control_px: np.ndarray
    control_mm: np.ndarray
    centres_mm: np.ndarray
    index: np.ndarray
    visible: np.ndarray
    a: np.ndarray
    b: np.ndarray
    metal_area: float
    outline_mm: list[np.ndarray]
    labels: np.ndarray = field(repr=False)
    homography: np.ndarray = field(repr=False)
    chart_px: np.ndarray | None = None
    chart_lab: np.ndarray | None = None
    colours: dict[str, np.ndarray] = field(default_factory=dict)  # of the materials as such, encoded 0..255


def field_noise(rng: np.random.Generator, shape: tuple[int, int], scale_px: float, power: float = 1.0) -> np.ndarray:
    """Smooth random field with zero mean and unit sd, low-passed at `scale_px` by a rational filter."""
    fy = np.fft.fftfreq(shape[0])[:, None]
    fx = np.fft.rfftfreq(shape[1])[None, :]
    gain = 1.0 / (1.0 + (np.hypot(fx, fy) * scale_px * 2.0) ** 2) ** power
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) * gain
    out = np.fft.irfft2(spectrum, s=shape)
    return (out - out.mean()) / out.std()


def motif_polygons(name: str, size: float) -> list[np.ndarray]:
    """Metal parts of a motif, each (n, 2) in mm, y up, before centring."""
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    circle = np.c_[np.cos(t), np.sin(t)]
    s = size
    if name == "shell":
        parts = []
        for angle in np.radians([-60, -36, -12, 12, 36, 60]):
            axis = np.array([np.sin(angle), np.cos(angle)])
            rib = circle * [0.075 * s, 0.27 * s]
            turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
            parts.append(rib @ turn.T + axis * 0.33 * s)
        parts.append(circle * [0.13 * s, 0.07 * s] + [0, -0.03 * s])
        return parts
    if name == "trefoil":
        parts = [circle * 0.21 * s + 0.24 * s * np.array([np.sin(q), np.cos(q)]) for q in (0, 2.1, -2.1)]
        stem = np.array([[-0.03, 0.0], [0.03, 0.0], [0.10, -0.55], [0.02, -0.55]]) * s
        return [*parts, stem]
    if name == "bell":
        x = np.linspace(-0.36, 0.36, 50)
        top = 0.42 - 1.9 * np.abs(x) ** 1.5
        low = -0.28 + 0.10 * np.cos(x * 26)
        body = np.r_[np.c_[x, top], np.c_[x, low][::-1]] * s
        return [body, circle * 0.08 * s + [0, -0.45 * s]]
    raise ValueError(f"no motif named {name!r}")


def _centroid_area(polygons: list[np.ndarray]) -> tuple[np.ndarray, float]:
    scale = 20.0
    low = np.min(np.vstack(polygons), 0) - 1
    high = np.max(np.vstack(polygons), 0) + 1
    mask = np.zeros((np.ceil((high - low) * scale).astype(int) + 1)[::-1], np.uint8)
    for polygon in polygons:
        cv2.fillPoly(mask, [np.round((polygon - low) * scale).astype(np.int32)], 1)
    y, x = np.nonzero(mask)
    return np.array([x.mean(), y.mean()]) / scale + low, mask.sum() / scale**2


def _vary(rng: np.random.Generator, polygons: list[np.ndarray]) -> list[np.ndarray]:
    """A hand-made copy: a little turned, scaled and bent."""
    turn, scale = rng.normal(0, np.radians(1.2)), 1 + rng.normal(0, 0.015, 2)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    phase, amount = rng.uniform(0, 6.28, 4), rng.normal(0, 0.25, 4)
    out = []
    for polygon in polygons:
        bent = polygon * scale
        bend = np.c_[
            amount[0] * np.sin(bent[:, 1] / 7 + phase[0]) + amount[1] * np.sin(bent[:, 0] / 9 + phase[1]),
            amount[2] * np.sin(bent[:, 0] / 7 + phase[2]) + amount[3] * np.sin(bent[:, 1] / 9 + phase[3]),
        ]
        out.append((bent + bend) @ rotation.T)
    return out


def _sites(recipe: Recipe) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    turn = np.radians(recipe.turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    a = rotation @ [recipe.across, 0.0]
    b = rotation @ [recipe.offset * recipe.across, recipe.down]
    reach = int(np.ceil((recipe.width + recipe.height) / min(recipe.across, recipe.down))) + 2
    i, j = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    index = np.c_[i.ravel(), j.ravel()]
    middle = np.array([recipe.width / 2, recipe.height / 2])
    xy = middle + index @ np.array([a, b])
    inside = (xy > -recipe.size).all(1) & (xy < [recipe.width + recipe.size, recipe.height + recipe.size]).all(1)
    return index[inside], xy[inside], a, b


def paint(recipe: Recipe) -> tuple[np.ndarray, dict]:
    """The painted, damaged surface as a float RGB canvas (row 0 at the top), and its truth."""
    rng = np.random.default_rng(recipe.seed)
    shape = (int(recipe.height / CANVAS_MM_PER_PX), int(recipe.width / CANVAS_MM_PER_PX))
    index, nominal, a, b = _sites(recipe)
    master = motif_polygons(recipe.motif, recipe.size)
    master = [p - _centroid_area(master)[0] for p in master]
    ground = np.array([214, 205, 182.0]) + rng.normal(0, 5, 3)
    canvas = ground + field_noise(rng, shape, 150)[..., None] * 3 + field_noise(rng, shape, 6)[..., None] * 2.5
    metal_mask, shadow_mask = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)

    def pixels(polygon: np.ndarray) -> np.ndarray:
        px = np.c_[polygon[:, 0], recipe.height - polygon[:, 1]] / CANVAS_MM_PER_PX - 0.5
        return np.round(px * 16).astype(np.int32)

    centres, masks = [], []
    for xy in nominal:
        copy = _vary(rng, master)
        at = xy + rng.normal(0, recipe.scatter, 2)
        drift, _ = _centroid_area(copy)
        centres.append(at + drift)
        own = np.zeros(shape, np.uint8)
        for polygon in copy:
            cv2.fillPoly(shadow_mask, [pixels(polygon + at + np.array(recipe.shadow))], 1, shift=4)
            cv2.fillPoly(own, [pixels(polygon + at)], 1, shift=4)
        metal_mask |= own
        rows, columns = np.nonzero(own)
        masks.append((rows, columns))
    shadow_mask[metal_mask > 0] = 0
    shade = (ground - np.array([78, 74, 66.0]) * recipe.contrast)[None, None]
    canvas = np.where(shadow_mask[..., None] > 0, shade + field_noise(rng, shape, 9)[..., None] * 3, canvas)
    tarnish = 1 / (1 + np.exp(-1.3 * (0.9 + field_noise(rng, shape, 420) + 0.6 * field_noise(rng, shape, 40))))
    bright = ground + np.array([26, 30, 46.0]) * recipe.contrast
    dark = ground - np.array([150, 148, 132.0]) * recipe.contrast
    leaf = bright + (dark - bright) * tarnish[..., None] + field_noise(rng, shape, 3)[..., None] * 7
    canvas = np.where(metal_mask[..., None] > 0, leaf, canvas)
    lost = _losses(rng, shape, recipe.loss)
    plaster = np.array([186, 172, 150.0]) + field_noise(rng, shape, 25)[..., None] * 9
    canvas = np.where(lost[..., None], plaster + field_noise(rng, shape, 3)[..., None] * 6, canvas)
    labels = np.where(lost, 4, np.where(metal_mask > 0, 3, np.where(shadow_mask > 0, 2, 1))).astype(np.uint8)
    for _ in range(4):
        _crack(rng, canvas)
    visible = np.array([1 - lost[m].mean() if len(m[0]) else 0.0 for m in masks])
    full = np.array([len(m[0]) for m in masks]) * CANVAS_MM_PER_PX**2
    area = _centroid_area(master)[1]
    visible = visible * np.minimum(full / area, 1)
    truth = {"index": index, "centres": np.array(centres), "visible": visible, "a": a, "b": b, "area": area}
    colours = {"ground": ground, "shadow": shade.reshape(3)}
    return canvas, truth | {"outline": master, "labels": labels, "colours": colours}


def _losses(rng: np.random.Generator, shape: tuple[int, int], share: float) -> np.ndarray:
    wave = field_noise(rng, shape, 260) + 0.25 * field_noise(rng, shape, 40) + 0.08 * field_noise(rng, shape, 8)
    return wave > np.quantile(wave, 1 - share)


def _crack(rng: np.random.Generator, canvas: np.ndarray) -> None:
    steps = np.cumsum(rng.normal(0, 1, (160, 2)) * 9 + rng.normal(0, 1, 2) * 14, 0)
    line = np.round(steps + rng.uniform(0, 1, 2) * [canvas.shape[1], canvas.shape[0]]).astype(np.int32)
    colour = (90.0, 80.0, 70.0)
    layer = np.ascontiguousarray(canvas, np.float32)
    cv2.polylines(layer, [line.reshape(-1, 1, 2)], False, colour, 2)
    canvas[:] = layer


def control_points(recipe: Recipe) -> np.ndarray:
    """Nominal control positions in mm: a ring just inside the picture's border and some within."""
    w, h, m = recipe.width, recipe.height, 12.0
    ring = [
        (m, m),
        (w - m, m),
        (w - m, h - m),
        (m, h - m),
        (w / 2, m),
        (w / 2, h - m),
        (m, h / 2),
        (w - m, h / 2),
    ]
    ring += [(w * 0.36, h * 0.61), (w * 0.64, h * 0.37), (w * 0.3, h * 0.3), (w * 0.7, h * 0.7)]
    return np.array(ring[: recipe.n_control])


def _sticker(canvas: np.ndarray, xy_px: np.ndarray) -> None:
    layer = np.ascontiguousarray(canvas, np.float32)
    x, y = np.round(xy_px).astype(int)
    cv2.rectangle(layer, (x - 20, y - 20), (x + 20, y + 20), (244, 244, 240), -1)
    cv2.line(layer, (x - 15, y), (x + 15, y), (25, 25, 25), 3)
    cv2.line(layer, (x, y - 15), (x, y + 15), (25, 25, 25), 3)
    canvas[:] = layer


def chart_patches() -> list[tuple[list[float], list[float]]]:
    """Encoded sRGB (0..255) and Lab (D50) of the patches of a published chart that a screen can show."""
    table = Path(__file__).parent / "reference/colour/colour_reference_chart_24.csv"
    rows = csv.DictReader(table.read_text(encoding="utf-8").splitlines())
    return [
        ([255 * float(row[f"sRGB_{c}"]) for c in "RGB"], [float(row[f"{c}_D50"]) for c in "Lab"])
        for row in rows
        if row["in_sRGB_gamut"] == "1"
    ]


def _hang_chart(canvas: np.ndarray, labels: np.ndarray, height: float) -> tuple[np.ndarray, np.ndarray]:
    """Paint a chart of 6 columns of 18 mm over the lower left of the surface; where its patches are, and their Lab."""
    at, lab = [], []

    def box(x: float, y: float, half_w: float, half_h: float) -> tuple[slice, slice]:
        left, right, top, low = x - half_w, x + half_w, height - y - half_h, height - y + half_h
        return tuple(
            slice(round(a / CANVAS_MM_PER_PX), round(b / CANVAS_MM_PER_PX)) for a, b in ((top, low), (left, right))
        )

    frame = box(100.0, 66.0, 58.0, 40.0)
    canvas[frame], labels[frame] = (30.0, 30.0, 30.0), 0
    for k, (rgb, one) in enumerate(chart_patches()):
        at.append((55.0 + 18.0 * (k % 6), 93.0 - 18.0 * (k // 6)))
        canvas[box(*at[-1], 7.5, 7.5)] = rgb
        lab.append(one)
    return np.array(at), np.array(lab)


def _through_camera(photo: np.ndarray, sd: float, rng: np.random.Generator) -> np.ndarray:
    """Another balance of the channels and some of each in the others, in linear light."""
    matrix = np.diag(np.exp(rng.normal(0, sd, 3))) @ (np.eye(3) + rng.normal(0, sd / 3, (3, 3)))
    matrix /= max(1.0, matrix.sum(1).max())
    v = np.clip(photo, 0, 255) / 255
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4) @ matrix.T
    linear = np.clip(linear, 0, 1)
    return 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _camera(recipe: Recipe) -> np.ndarray:
    """Homography from plane mm to distortion-free photo pixels."""
    w, h = recipe.photo_px
    f = 0.9 * w
    ax, ay = np.radians(recipe.tilt_deg)
    rx = np.array([[1, 0, 0], [0, np.cos(ax), -np.sin(ax)], [0, np.sin(ax), np.cos(ax)]])
    ry = np.array([[np.cos(ay), 0, np.sin(ay)], [0, 1, 0], [-np.sin(ay), 0, np.cos(ay)]])
    rotation = ry @ rx @ np.diag([1.0, -1.0, -1.0])
    distance = recipe.stand_back * max(f * recipe.width / w, f * recipe.height / h)
    middle = np.array([recipe.width / 2, recipe.height / 2, 0.0])
    translation = np.array([0, 0, distance]) - rotation @ middle
    k = np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1]])
    return k @ np.c_[rotation[:, :2], translation]


def project(recipe: Recipe, homography: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
    """Photo pixels (n, 2), lens distortion included, of plane points (n, 2) in mm."""
    q = np.c_[xy_mm, np.ones(len(xy_mm))] @ homography.T
    ideal = q[:, :2] / q[:, 2:]
    w, h = recipe.photo_px
    centre, f = np.array([(w - 1) / 2, (h - 1) / 2]), 0.9 * w
    r2 = (((ideal - centre) / f) ** 2).sum(1, keepdims=True)
    return centre + (ideal - centre) * (1 + recipe.k1 * r2 + recipe.k2 * r2**2)


def to_canvas(recipe: Recipe, homography: np.ndarray, photo_px: np.ndarray) -> np.ndarray:
    """Canvas pixels (n, 2) that photo pixels (n, 2) see (distortion inverted by fixed-point steps)."""
    w, h = recipe.photo_px
    centre, f = np.array([(w - 1) / 2, (h - 1) / 2]), 0.9 * w
    ideal = photo_px.copy()
    for _ in range(12):
        r2 = (((ideal - centre) / f) ** 2).sum(1, keepdims=True)
        ideal = centre + (photo_px - centre) / (1 + recipe.k1 * r2 + recipe.k2 * r2**2)
    q = np.c_[ideal, np.ones(len(ideal))] @ np.linalg.inv(homography).T
    mm = q[:, :2] / q[:, 2:]
    return np.c_[mm[:, 0], recipe.height - mm[:, 1]] / CANVAS_MM_PER_PX - 0.5


def _photo_maps(recipe: Recipe, homography: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each photo pixel the canvas pixel it sees."""
    w, h = recipe.photo_px
    u, v = np.meshgrid(np.arange(w), np.arange(h))
    x, y = to_canvas(recipe, homography, np.c_[u.ravel(), v.ravel()].astype(float)).T
    return x.reshape(h, w).astype(np.float32), y.reshape(h, w).astype(np.float32)


def make_scene(recipe: Recipe) -> Scene:
    """Paint, damage and photograph one fragment."""
    canvas, truth = paint(recipe)
    rng = np.random.default_rng([recipe.seed, 7])
    nominal = control_points(recipe)
    for xy in nominal:
        _sticker(canvas, np.array([xy[0], recipe.height - xy[1]]) / CANVAS_MM_PER_PX - 0.5)
    hung = _hang_chart(canvas, truth["labels"], recipe.height) if recipe.chart else None
    homography = _camera(recipe)
    x, y = _photo_maps(recipe, homography)
    smooth = cv2.GaussianBlur(canvas.astype(np.float32), (0, 0), 1.1)
    photo = cv2.remap(smooth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(96, 88, 80))
    h, w = photo.shape[:2]
    gx, gy = np.meshgrid(np.linspace(-1, 1, w), np.linspace(-1, 1, h))
    light = (1 + 0.10 * gx - 0.07 * gy) * (1 - 0.11 * (gx**2 + gy**2))
    photo = cv2.GaussianBlur(photo * light[..., None].astype(np.float32), (0, 0), 0.7)
    if recipe.camera_sd > 0.0:
        photo = _through_camera(photo, recipe.camera_sd, np.random.default_rng([recipe.seed, 8]))
    photo = np.clip(photo + rng.normal(0, recipe.noise, photo.shape), 0, 255).round().astype(np.uint8)
    code = cv2.imencode(".jpg", photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, recipe.jpeg_quality])[1]
    photo = cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1]
    pitch = CANVAS_MM_PER_PX
    at = np.round(np.c_[nominal[:, 0], recipe.height - nominal[:, 1]] / pitch - 0.5)
    true_mm = np.c_[(at[:, 0] + 0.5) * pitch, recipe.height - (at[:, 1] + 0.5) * pitch]
    return Scene(
        photo=np.ascontiguousarray(photo),
        control_px=project(recipe, homography, true_mm) + rng.normal(0, recipe.pick_sd_px, true_mm.shape),
        control_mm=true_mm + rng.normal(0, recipe.control_sd, true_mm.shape),
        centres_mm=truth["centres"],
        index=truth["index"],
        visible=truth["visible"],
        a=truth["a"],
        b=truth["b"],
        metal_area=truth["area"],
        outline_mm=truth["outline"],
        labels=truth["labels"],
        homography=homography,
        chart_px=None if hung is None else project(recipe, homography, hung[0]),
        chart_lab=None if hung is None else hung[1],
        colours=truth["colours"],
    )


def write_study(folder: Path, recipes: dict[str, Recipe], *, extra: str = "") -> dict[str, Scene]:
    """A study folder with one photograph a fragment and no wall (append walls through `extra`)."""
    folder.mkdir(parents=True)
    scenes, text = {}, ["schema = 1", "[study]", 'title = "An independent scene"', 'authors = ["The tests"]']
    text += ['date = "2026-01-01"', "seed = 1"]
    for name, recipe in recipes.items():
        scene = scenes[name] = make_scene(recipe)
        cv2.imwrite(str(folder / f"{name}.png"), scene.photo[..., ::-1])
        rows = np.c_[scene.control_px, scene.control_mm, np.full(len(scene.control_px), max(recipe.control_sd, 0.05))]
        lines = [f"P{k}," + ",".join(f"{v:.3f}" for v in row) for k, row in enumerate(rows)]
        (folder / f"{name}.csv").write_text("point,x_px,y_px,x_mm,y_mm,sd_mm\n" + "\n".join(lines) + "\n")
        control = f'{{ kind = "points", table = "{name}.csv", sd_px = {max(recipe.pick_sd_px, 0.1)} }}'
        text += [
            "[[photo]]",
            f'name = "{name}"',
            f'file = "{name}.png"',
            f'fragment = "{name}"',
            f"control = {control}",
        ]
        text += ["flatness_mm = 1.0", "[[fragment]]", f'name = "{name}"', f"turn_deg = {-recipe.turn_deg}"]
    (folder / "survey.toml").write_text("\n".join(text) + "\n" + extra)
    return scenes
