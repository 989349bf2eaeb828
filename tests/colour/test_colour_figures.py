"""Colour figures asked and measured: photographs of both generators, from chart and control to Lab and paints."""

import cv2
import numpy as np
import pytest
from independent_scene import CANVAS_MM_PER_PX, Recipe, make_scene, paint

from fragkit.colour import delta_e00, linear_to_lab, measure_colours
from fragkit.motifs import build_motif, find_centres
from fragkit.net import find_nets
from fragkit.rectify import rectify, set_tone
from fragkit.simulate import MOTIFS, Conditions, Shooting, Wear, simulate_photograph
from fragkit.simulate.marks import CHART_LAB
from fragkit.survey import ChartEntry, PointControl

PAINTS = [
    ("white", (91.5, 0.4, 5.2)),
    ("cream", (84.0, 1.8, 14.6)),
    ("stone", (78.2, 2.3, 12.1)),
    ("putty", (77.0, 2.6, 17.4)),
    ("straw", (76.8, 5.1, 27.4)),
    ("buff", (66.0, 6.6, 21.8)),
    ("brown", (55.0, 4.4, 14.0)),
    ("umber", (57.0, 5.6, 16.5)),
]


def linear(encoded):
    v = np.asarray(encoded, float) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def other_camera(photo, rng):
    """The photograph by a camera of another balance, with some of each channel in the others."""
    matrix = np.diag(np.exp(rng.normal(0, 0.08, 3))) @ (np.eye(3) + rng.normal(0, 0.03, (3, 3)))
    seen = np.clip(linear(photo) @ (matrix / max(1.0, matrix.sum(1).max())).T, 0, 1)
    return np.round(255 * np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)).astype(np.uint8)


def control_of(xy_px, xy_mm):
    names = tuple(f"P{k}" for k in range(len(xy_px)))
    return PointControl(names=names, xy_px=xy_px, xy_mm=xy_mm, sd_mm=np.full(len(xy_px), 0.1), sd_px=0.3)


def simulated(seed):
    """Photograph, control, chart, and how labels and true linear colours are looked up at places in mm."""
    rng = np.random.default_rng([seed, 99])
    shooting = Shooting(
        unevenness_ratio=rng.uniform(0.1, 0.5),
        light_from_deg=rng.uniform(20.0, 160.0),
        tint_ratio=rng.uniform(0.0, 0.06),
        vignetting_ratio=rng.uniform(0.05, 0.25),
        noise_ratio=rng.uniform(0.004, 0.012),
    )
    conditions = Conditions(shooting=shooting, wear=Wear(loss_ratio=rng.uniform(0.1, 0.35)))
    motif = sorted(MOTIFS)[seed % len(MOTIFS)]
    photo, truth = simulate_photograph(rng=np.random.default_rng(seed), motif=motif, conditions=conditions)
    marks, surface = truth.scene.marks, truth.scene.surface
    at = np.round(truth.camera.project(marks.chart_mm, truth.scene.relief))
    chart = ChartEntry(
        names=tuple(name for name, _ in CHART_LAB), xy_px=at, lab=np.array([lab for _, lab in CHART_LAB])
    )
    albedo = np.moveaxis(surface.albedo, 0, -1)
    control = control_of(truth.marks_px, marks.xy_mm)
    return other_camera(photo, rng), control, chart, surface.canvas.to_px, surface.labels, albedo


def independent(seed):
    rng = np.random.default_rng([seed, 98])
    motif = ("shell", "trefoil", "bell")[seed % 3]
    recipe = Recipe(seed=seed, motif=motif, control_sd=0.1, chart=True, camera_sd=0.08, loss=rng.uniform(0.1, 0.35))
    scene = make_scene(recipe)
    names = tuple(f"p{k}" for k in range(len(scene.chart_lab)))
    chart = ChartEntry(names=names, xy_px=np.round(scene.chart_px), lab=scene.chart_lab)

    def to_px(xy_mm):
        return np.c_[xy_mm[:, 0], recipe.height - xy_mm[:, 1]] / CANVAS_MM_PER_PX - 0.5

    albedo = linear(np.clip(paint(recipe)[0], 0, 255)).astype(np.float32)
    return scene.photo, control_of(scene.control_px, scene.control_mm), chart, to_px, scene.labels, albedo


def true_colour(picture, code, to_px, labels, albedo):
    """Lab of what the picture shows of a surface, a millimetre from its edges: the mean of the painted truth."""
    rows, columns = np.indices(picture.coverage.shape)
    px = to_px(picture.to_mm(np.c_[columns.ravel(), rows.ravel()])).astype(np.float32).reshape(*rows.shape, 2)
    is_it = cv2.remap((labels == code).astype(np.uint8), px[..., 0], px[..., 1], cv2.INTER_NEAREST, borderValue=0)
    n = 2 * (1 if code == 2 else max(1, round(1.0 / picture.mm_per_px))) + 1
    used = cv2.erode(is_it & picture.coverage.astype(np.uint8), np.ones((n, n), np.uint8)).astype(bool)
    return linear_to_lab(cv2.remap(albedo, px[..., 0], px[..., 1], cv2.INTER_LINEAR)[used].mean(axis=0))


def measured(scene, seed):
    """One row for ground and shadow: ΔE00 to the truth with and without a chart, errors, sds, paints."""
    photo, control, chart, to_px, labels, albedo = scene(seed)
    plane = rectify(photo, control, flatness_mm=1.0)
    toned = set_tone(plane, photo, chart)
    centres = find_centres(toned.picture, find_nets(toned.picture).best, covariance_mm2=toned.covariance_mm2)
    codes = build_motif([(toned.picture, centres)]).labels
    found = measure_colours([toned.picture], codes, tones=[toned.tone], paints=PAINTS)
    bare = measure_colours([plane.picture], codes)
    rows = []
    for layer, code in (("ground", 1), ("shadow", 2)):
        one, plain = getattr(found, layer), getattr(bare, layer)
        if one is None:
            continue
        truth = true_colour(toned.picture, code, to_px, labels, albedo)
        away = {name: float(delta_e00(truth, lab)) for name, lab in PAINTS}
        pairs = zip(one.nearest, one.nearest_interval, strict=True)
        rows.append({
            "layer": layer,
            "seed": seed,
            "off": float(delta_e00(one.lab, truth)),
            "off_bare": None if plain is None else float(delta_e00(plain.lab, truth)),
            "inside": np.abs(one.lab - truth) <= 1.96 * one.lab_sd,
            "paints_inside": [low <= away[name] <= high for (name, _, _), (low, high) in pairs],
            "nearest_right": one.nearest[0][0] == min(away, key=away.get),
            "chance": one.nearest_chance[0],
            "apart": one.is_told_apart,
        })  # fmt: skip
    return rows


def shown(name, rows):
    off = np.array([row["off"] for row in rows])
    inside = np.array([row["inside"] for row in rows])
    paints = np.concatenate([row["paints_inside"] for row in rows])
    apart = [row["nearest_right"] for row in rows if row["apart"]]
    print(f"\n{name}, {len(rows)} photographs                     asked      measured")
    print(f"ΔE00 to truth, with a chart: largest           ≤ 1.5      {off.max():.2f} (median {np.median(off):.2f})")
    print(f"95 % interval of L*, a*, b* covers             93–97 %    {np.round(100 * inside.mean(0)).astype(int)} %")
    print(f"95 % interval of a paint's ΔE00 covers         93–97 %    {100 * paints.mean():.0f} % of {len(paints)}")
    if apart:
        print(f"nearest paint told apart and right             ≥ 95 %     {sum(apart)} of {len(apart)}")
    right, chance = (np.mean([row[key] for row in rows]) for key in ("nearest_right", "chance"))
    print(f"nearest right / its stated chance, mean        equal      {right:.2f} / {chance:.2f}")
    bare = np.median([row["off_bare"] for row in rows if row["off_bare"] is not None])
    print(f"ΔE00 to truth without a chart, median          –          {bare:.1f}")
    print(
        "over 1.5: "
        + (", ".join(f"seed {row['seed']} ({row['off']:.1f})" for row in rows if row["off"] > 1.5) or "none")
    )


@pytest.mark.benchmark
@pytest.mark.parametrize(("scene", "first", "n"), [(simulated, 7001, 20), (independent, 8001, 20)])
def test_figures_of_colour(scene, first, n):
    rows = [row for seed in range(first, first + n) for row in measured(scene, seed)]
    for layer in ("ground", "shadow"):
        own = [row for row in rows if row["layer"] == layer]
        if own:
            shown(f"{layer}, {scene.__name__}, seeds {first} to {first + n - 1}", own)
    assert np.mean([row["off"] <= 1.5 for row in rows]) >= 0.9
    assert np.mean([row["inside"] for row in rows]) >= 0.9


def test_ground_and_shadow_of_one_photograph():
    for row in measured(simulated, 7100):
        assert row["off"] <= 1.5  # ΔE00, what is asked with a chart in the picture
        assert row["off_bare"] > row["off"]
