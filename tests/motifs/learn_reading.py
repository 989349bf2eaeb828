"""Learns how the signs of metal are weighed, on simulated fragments of both generators, and prints the module.

Run as `PYTHONPATH=tests:tests/motifs python tests/motifs/learn_reading.py > weights.py`; it takes some minutes, and
what it prints becomes `fragkit/motifs/reading_weights.py`. The seeds are those of no test.
"""

from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
from descent import as_module, descended, layer, probabilities
from known_truth import INDEPENDENT, SIMULATED, independent, simulated
from numpy.lib.stride_tricks import sliding_window_view

import fragkit.motifs.labels as labels
from fragkit.motifs.reading import BESIDE_PX, SIDE, looked_at, signs_of
from fragkit.motifs.strips import Strip
from fragkit.opencv import cv2

SEEDS = (*range(31001, 31012), *range(31020, 31025)), range(31051, 31061)
"""Of both generators; every second one of the first is of the motif with most bare lines."""
N_PIXELS, N_EPOCHS, DECAY = 24_000, 16, 1e-5
N_SIGNS, N_FIRST, N_TRAITS, N_JOINED = 14, 16, 4, 12


class Recorder:
    """Stands for `read_metal`, and keeps what it was given."""

    def __init__(self):
        self.kept, self.read = [], labels.read_metal

    def __call__(self, placed, looks, shade):
        self.kept.append((np.dstack(signs_of(placed, looks, shade)), looked_at(placed)))
        return self.read(placed, looks, shade)


def recorded(build) -> tuple[object, list]:
    """What `build()` gives, and the signs, where they were looked at, and the window of each copy that it read."""
    recorder, windows = Recorder(), []
    placed_at, strips = labels._placed, labels.strips_of

    def noted(layers, to_grid, back, shape):
        laid = placed_at(layers, to_grid, back, shape)
        if laid is not None and len(layers) == 2:
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


def scenes() -> list:
    """What makes each fragment, and how many of its pixels count."""
    first = [SIMULATED[0] if seed % 2 else SIMULATED[1 + seed // 2 % 4] for seed in SEEDS[0]]
    second = [INDEPENDENT[(seed - SEEDS[1][0]) % 3] for seed in SEEDS[1]]
    return [
        *((partial(simulated, name, seed), N_PIXELS) for name, seed in zip(first, SEEDS[0], strict=True)),
        *((partial(independent, name, seed), 2 * N_PIXELS) for name, seed in zip(second, SEEDS[1], strict=True)),
    ]


def beside(layers: np.ndarray, where: np.ndarray) -> np.ndarray:
    """Layers (h, w, k) at each place and those round it, (n, 25 × k), row by row; beyond the window its rim goes on."""
    padded = np.pad(layers, ((BESIDE_PX, BESIDE_PX), (BESIDE_PX, BESIDE_PX), (0, 0)), mode="edge")
    around = sliding_window_view(padded, (SIDE, SIDE), axis=(0, 1))[where]
    return np.moveaxis(around, 1, 3).reshape(len(around), SIDE * SIDE * layers.shape[2])


def some_of(copies: list, true: np.ndarray, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Signs (n, 25, 14) of undamaged pixels of copies and of those beside them, and whether each is metal."""
    whole = [near & (true[window] > 0) & (true[window] < 4) for _, near, window in copies]
    share = min(1.0, n / sum(int(where.sum()) for where in whole))
    signs, metal = [], []
    for (layers, _, window), where in zip(copies, whole, strict=True):
        kept = where & (rng.random(where.shape) < share)
        signs.append(beside(layers, kept).reshape(-1, SIDE * SIDE, N_SIGNS).astype(np.float16))
        metal.append(true[window][kept] == 3)
    return np.concatenate(signs), np.concatenate(metal)


def gathered(k: int) -> tuple[np.ndarray, np.ndarray]:
    """Signs (n, 25, 14) and metal (n,) of some pixels of a scene."""
    cv2.setNumThreads(1)
    make, n = scenes()[k]
    fragment = make()
    (plane, _), copies = recorded(fragment.read)
    return some_of(copies, fragment.labels_on(plane), n, np.random.default_rng(k))


def turned(rng: np.random.Generator) -> np.ndarray:
    """The 25 places in one of eight turns and mirrorings: no direction of light is learned."""
    places = np.rot90(np.arange(SIDE * SIDE).reshape(SIDE, SIDE), rng.integers(4))
    return (places.T if rng.integers(2) else places).ravel()


def slopes_of(x: np.ndarray, metal: np.ndarray, now: list[np.ndarray]) -> list[np.ndarray]:
    """Slopes of the mean logistic loss of signs (n, 25, 14) along the weights of the four layers."""
    first, first_offsets, second, second_offsets, joined, joined_offsets, last, last_offset = now
    n = len(x)
    rows = x.reshape(n * SIDE * SIDE, -1)
    hidden = np.maximum(rows @ first + first_offsets, 0.0)
    traits = np.maximum(hidden @ second + second_offsets, 0.0)
    around = traits.reshape(n, -1)
    active = np.maximum(around @ joined + joined_offsets, 0.0)
    wrong = ((probabilities(active @ last + last_offset) - metal[:, None]) / n).astype(np.float32)
    to_joined = (wrong @ last.T) * (active > 0.0)
    to_traits = (to_joined @ joined.T).reshape(traits.shape) * (traits > 0.0)
    to_hidden = (to_traits @ second.T) * (hidden > 0.0)
    pairs = ((rows, to_hidden, first), (hidden, to_traits, second), (around, to_joined, joined), (active, wrong, last))
    return [slope for into, back, w in pairs for slope in (into.T @ back + DECAY * w, back.sum(0))]


def weights_of(signs: np.ndarray, metal: np.ndarray) -> dict[str, np.ndarray]:
    """Weights by name, learned on signs (n, 25, 14) and metal (n,)."""
    rng = np.random.default_rng(2)
    middle = signs[:, SIDE * SIDE // 2].astype(float)
    centres, scales = (k.astype(np.float32) for k in (middle.mean(0), middle.std(0) + 1e-6))
    sizes = ((N_SIGNS, N_FIRST), (N_FIRST, N_TRAITS), (SIDE * SIDE * N_TRAITS, N_JOINED))
    start = [k for size in sizes for k in layer(rng, *size)] + layer(rng, N_JOINED, 1, gain=1.0)

    def slopes(some: np.ndarray, now: list[np.ndarray]) -> list[np.ndarray]:
        x = (signs[some][:, turned(rng)] - centres) / scales
        return slopes_of(x, metal[some], now)

    names = ("FIRST", "FIRST_OFFSETS", "SECOND", "SECOND_OFFSETS", "JOINED", "JOINED_OFFSETS", "LAST", "LAST_OFFSET")
    found = descended([k.astype(np.float32) for k in start], slopes, len(signs), N_EPOCHS, rng)
    weights = {"CENTRES": centres, "SCALES": scales, **dict(zip(names, found, strict=True))}
    return {**weights, "LAST": weights["LAST"][:, 0]}


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        signs, metal = (np.concatenate(k) for k in zip(*pool.map(gathered, range(len(scenes()))), strict=True))
    print(as_module(weights_of(signs, metal), what="metal", script="learn_reading.py"), end="")
