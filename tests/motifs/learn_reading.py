"""Learns how the signs of metal are weighed, on simulated fragments of both generators, and prints the module.

Run as `PYTHONPATH=tests:tests/motifs python tests/motifs/learn_reading.py > weights.py`; it takes some minutes, and
what it prints becomes `fragkit/motifs/reading_weights.py`. The seeds are those of no test.
"""

import numpy as np
from independent_scene import CANVAS_MM_PER_PX, Recipe, make_scene
from test_motif_figures import control_of, measured, true_labels

import fragkit.motifs.labels as labels
from fragkit.motifs.reading import signs_of
from fragkit.motifs.strips import Strip
from fragkit.opencv import cv2
from fragkit.simulate import simulate_photograph

SIMULATED = ("hop cone", "trefoil", "scallop shell", "bellflower")
INDEPENDENT = ("shell", "bell", "trefoil")
SEEDS = range(8801, 8813), range(8821, 8824)
N_PIXELS, N_HIDDEN, N_EPOCHS, N_BATCH = 24_000, 12, 40, 1000
RATE, DECAY = 4e-3, 1e-4


class Recorder:
    """Stands for `read_metal`, and keeps what it was given."""

    def __init__(self):
        self.kept, self.read = [], labels.read_metal

    def __call__(self, placed, looks, shade):
        near = cv2.dilate(cv2.max(*(np.ascontiguousarray(placed[..., k]) for k in (0, 6))), np.ones((5, 5), np.uint8))
        self.kept.append((np.stack(signs_of(placed, looks, shade), axis=-1), near > 0.05 * 255))
        return self.read(placed, looks, shade)


def simulated(name: str, seed: int):
    photo, truth = simulate_photograph(rng=np.random.default_rng(seed), motif=name)
    surface = truth.scene.surface
    return photo, control_of(truth.marks_px, truth.scene.marks.xy_mm, 0.1), surface.labels, surface.canvas.to_px


def independent(name: str, seed: int):
    recipe = Recipe(seed=seed, motif=name, control_sd=0.1)
    scene = make_scene(recipe)

    def to_px(xy_mm: np.ndarray) -> np.ndarray:
        return np.c_[xy_mm[:, 0], recipe.height - xy_mm[:, 1]] / CANVAS_MM_PER_PX - 0.5

    return scene.photo, control_of(scene.control_px, scene.control_mm, 0.1), scene.labels, to_px


def recorded(build) -> tuple[object, list]:
    """What `build()` gives, and the signs, where they were looked at, and the window of each copy that it read."""
    recorder, windows = Recorder(), []
    placed_at, strips = labels._placed, labels.strips_of

    def noted(layers, to_grid, back, shape):
        laid = placed_at(layers, to_grid, back, shape)
        if laid is not None and layers.shape[2] == 8:
            windows.append(laid[0])
        return laid

    def whole(shape, **_):
        return [Strip(slice(0, shape[0]), slice(0, shape[0]))]

    labels.read_metal, labels._placed, labels.strips_of = recorder, noted, whole
    try:
        built = build()
    finally:
        labels.read_metal, labels._placed, labels.strips_of = recorder.read, placed_at, strips
    return built, [(*kept, window) for kept, window in zip(recorder.kept, windows, strict=True)]


def undamaged(copies: list, true: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Signs (n, 14) of the undamaged pixels of copies, and whether they are metal."""
    signs, metal = [], []
    for layers, near, window in copies:
        code = true[window]
        kept = near & (code > 0) & (code < 4)
        signs.append(layers[kept])
        metal.append(code[kept] == 3)
    return np.concatenate(signs), np.concatenate(metal)


def gathered() -> tuple[np.ndarray, np.ndarray]:
    """Signs (n, 14) and metal (n,) of some pixels of every scene."""
    cv2.setNumThreads(1)
    rng, parts = np.random.default_rng(1), []
    for make, names, seeds in zip((simulated, independent), (SIMULATED, INDEPENDENT), SEEDS, strict=True):
        for k, seed in enumerate(seeds):
            photo, control, codes, to_px = make(names[k % len(names)], seed)
            (plane, _), copies = recorded(lambda photo=photo, control=control: measured(photo, control))
            signs, metal = undamaged(copies, true_labels(plane.picture, codes, to_px))
            some = rng.choice(len(metal), N_PIXELS * (2 if make is independent else 1), replace=False)
            parts.append((signs[some], metal[some]))
    signs, metal = (np.concatenate(k) for k in zip(*parts, strict=True))
    return signs.astype(float), metal.astype(float)


def learned(signs: np.ndarray, metal: np.ndarray) -> dict[str, np.ndarray]:
    """Centres and scales of the signs, and the weights of one hidden layer, by Adam on the logistic loss.

    References
    ----------
    Kingma, D. P., Ba, J. (2015) Adam: a method for stochastic optimization. ICLR; arXiv:1412.6980.
    """
    rng = np.random.default_rng(2)
    centres, scales = signs.mean(0), signs.std(0) + 1e-6
    x, n = (signs - centres) / scales, signs.shape[1]
    now = [
        rng.normal(0.0, np.sqrt(2.0 / n), (n, N_HIDDEN)),
        np.zeros(N_HIDDEN),
        rng.normal(0.0, np.sqrt(1.0 / N_HIDDEN), N_HIDDEN),
        np.zeros(1),
    ]
    first, second = [np.zeros_like(k) for k in now], [np.zeros_like(k) for k in now]
    step = 0
    for epoch in range(N_EPOCHS):
        order = rng.permutation(len(x))
        rate = RATE * 0.5 * (1.0 + np.cos(np.pi * epoch / N_EPOCHS))
        for start in range(0, len(order), N_BATCH):
            step += 1
            slopes = slopes_of(x[order[start : start + N_BATCH]], metal[order[start : start + N_BATCH]], now)
            for k, slope in enumerate(slopes):
                first[k] = 0.9 * first[k] + 0.1 * slope
                second[k] = 0.999 * second[k] + 0.001 * slope**2
                size = first[k] / (1 - 0.9**step)
                now[k] = now[k] - rate * size / (np.sqrt(second[k] / (1 - 0.999**step)) + 1e-8)
    names = ("HIDDEN", "HIDDEN_OFFSETS", "LAST", "LAST_OFFSET")
    return {"CENTRES": centres, "SCALES": scales, **dict(zip(names, now, strict=True))}


def slopes_of(x: np.ndarray, metal: np.ndarray, now: list[np.ndarray]) -> list[np.ndarray]:
    """Slopes of the mean logistic loss along each of the weights."""
    hidden, offsets, last, offset = now
    inner = x @ hidden + offsets
    active = np.maximum(inner, 0.0)
    wrong = (1.0 / (1.0 + np.exp(-np.clip(active @ last + offset, -30, 30))) - metal) / len(x)
    back = np.outer(wrong, last) * (inner > 0.0)
    return [x.T @ back + DECAY * hidden, back.sum(0), active.T @ wrong + DECAY * last, wrong.sum(keepdims=True)]


def as_module(weights: dict[str, np.ndarray]) -> str:
    lines = ['"""How the signs of metal are weighed: made by `tests/motifs/learn_reading.py`, not by hand."""', ""]
    lines += ["# ruff: noqa: E501", "# fmt: off", "import numpy as np"]
    for name, values in weights.items():
        rows = ["    (" + ", ".join(f"{v:.4g}" for v in row) + ")," for row in np.atleast_2d(values)]
        lines += ["", f"{name} = np.array((", *rows, "), np.float32)" + ("" if values.ndim > 1 else "[0]")]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(as_module(learned(*gathered())), end="")
