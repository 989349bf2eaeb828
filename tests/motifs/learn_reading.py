"""Learns how the signs of metal are weighed, on simulated fragments of both generators, and prints the module.

Run as `PYTHONPATH=tests:tests/motifs python tests/motifs/learn_reading.py > weights.py`; it takes some minutes, and
what it prints becomes `fragkit/motifs/reading_weights.py`. The seeds are those of no test.
"""

import numpy as np
from known_truth import INDEPENDENT, SIMULATED, as_module, independent, learned, simulated
from test_motif_figures import measured, true_labels

import fragkit.motifs.labels as labels
from fragkit.motifs.reading import signs_of
from fragkit.motifs.strips import Strip
from fragkit.opencv import cv2

SEEDS = range(8801, 8813), range(8821, 8824)
N_PIXELS = 24_000


class Recorder:
    """Stands for `read_metal`, and keeps what it was given."""

    def __init__(self):
        self.kept, self.read = [], labels.read_metal

    def __call__(self, placed, looks, shade):
        near = cv2.dilate(cv2.max(*(np.ascontiguousarray(placed[..., k]) for k in (0, 6))), np.ones((5, 5), np.uint8))
        self.kept.append((np.stack(signs_of(placed, looks, shade), axis=-1), near > 0.05 * 255))
        return self.read(placed, looks, shade)


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
            signs, metal = undamaged(copies, true_labels(plane, codes, to_px))
            some = rng.choice(len(metal), N_PIXELS * (2 if make is independent else 1), replace=False)
            parts.append((signs[some], metal[some]))
    signs, metal = (np.concatenate(k) for k in zip(*parts, strict=True))
    return signs.astype(float), metal.astype(float)[:, None]


if __name__ == "__main__":
    weights = learned(*gathered(), n_hidden=12, n_epochs=40, decay=1e-4)
    print(as_module(weights, what="metal", script="learn_reading.py"), end="")
