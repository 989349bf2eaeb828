"""Learns how the signs of metal and damage are weighed, and writes the network in the open format ONNX.

Fragments of both generators are learned from, and flat walls without rubbed leaf, of any blur and noise, so that noise
is not taken for rubbing.

Run as `PYTHONPATH=tests:tests/motifs python tests/motifs/learn_reading.py reading.onnx`; it takes a quarter of an hour,
and what it writes becomes `fragkit/motifs/reading.onnx`. The seeds are those of no test. When the weights in use were
learned, pixels were judged damaged by other weights of equal quality, so that a run of today gives others.
"""

import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import onnx
from descent import descended, layer
from hop_scene import example, make_wall
from known_truth import INDEPENDENT, SIMULATED, independent, simulated
from onnx import TensorProto, helper, numpy_helper
from scipy.special import expit

import fragkit.motifs.labels as labels
from fragkit.motifs import build_motif
from fragkit.motifs.labels import LOSS_CODE, METAL_CODE, NOT_READ
from fragkit.motifs.reading import NOT_LOOKED_AT, REACH_PX, looked_at, signs_of
from fragkit.motifs.shares import EVEN
from fragkit.motifs.strips import Strip
from fragkit.opencv import cv2

SEEDS = range(61001, 61025), range(61051, 61061), range(61071, 61087)
"""Of both generators and of flat walls; every second one of the first is of the motif with most bare lines."""
N_SIGNS, N_TRAITS, SIDE = 21, 16, 3
"""The first layer makes traits of the signs; each of `REACH_PX` more looks at the traits in a square of this side."""
CROP_PX, N_BATCH, N_EPOCHS, DECAY, GAIN = 56, 16, 30, 1e-6, 0.3
"""Crops of copies are learned from, so many at a time, each copy so often."""
FAINT, NOISE = 8, 0.01
"""Every so many-th copy is learned from once more as if its leaf had the tone of what is beneath: then the copies
tell."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A copy: its signs (21, h, w) and the true labels (h, w) where it was looked at, 0 elsewhere."""

    signs: np.ndarray
    true: np.ndarray


class Recorder:
    """Stands for `read_copy`, and keeps what it was given."""

    def __init__(self):
        self.kept = []

    def __call__(self, placed, looks, shade, damage):
        self.kept.append((placed, looks, shade, damage))
        return placed[0].copy(), np.full(placed[0].shape, NOT_LOOKED_AT)


def recorded(build: Callable[[], object]) -> tuple[object, list]:
    """What `build()` gives, and what each copy that it read looked like, with its window."""
    recorder, windows = Recorder(), []
    read, placed_at, strips = labels.read_copy, labels._placed, labels.strips_of

    def noted(layers, to_grid, back, shape):
        laid = placed_at(layers, to_grid, back, shape)
        if laid is not None and len(layers) == 2:
            windows.append(laid[0])
        return laid

    def whole(shape, **_):
        return [Strip(slice(0, shape[0]), slice(0, shape[0]))]

    labels.read_copy, labels._placed, labels.strips_of = recorder, noted, whole
    try:
        built = build()
    finally:
        labels.read_copy, labels._placed, labels.strips_of = read, placed_at, strips
    return built, list(zip(recorder.kept, windows, strict=True))


def scenes() -> list[Callable[[], tuple[np.ndarray, list]]]:
    """What gives the true labels of each fragment, and what is recorded."""
    first = [SIMULATED[0] if seed % 2 else SIMULATED[1 + seed // 2 % 4] for seed in SEEDS[0]]
    second = [INDEPENDENT[(seed - SEEDS[1][0]) % 3] for seed in SEEDS[1]]
    made = [partial(fragment, simulated, name, seed) for name, seed in zip(first, SEEDS[0], strict=True)]
    made += [partial(fragment, independent, name, seed) for name, seed in zip(second, SEEDS[1], strict=True)]
    return made + [partial(flat, seed) for seed in SEEDS[2]]


def fragment(make, name: str, seed: int) -> tuple[np.ndarray, list]:
    made = make(name, seed)
    (plane, _), copies = recorded(made.read)
    return made.labels_on(plane), copies


def flat(seed: int) -> tuple[np.ndarray, list]:
    rng = np.random.default_rng(seed)
    wall = make_wall(
        seed=seed,
        loss_ratio=rng.uniform(0.1, 0.4),
        mm_per_px=rng.uniform(0.34, 0.5),
        blur_px=rng.uniform(0.5, 1.0),
        noise=rng.uniform(1.5, 6.0),
        later_work=seed % 3 > 0,
    )
    return wall.truth, recorded(lambda: build_motif([example(wall)]))[1]


def gathered(k: int) -> list[Seen]:
    """The copies of a fragment, those that are seen at all."""
    cv2.setNumThreads(1)
    (true, copies), rng, out = scenes()[k](), np.random.default_rng(k), []
    for n, ((placed, *seen), window) in enumerate(copies):
        labelled = np.where(looked_at(placed), true[window], NOT_READ).astype(np.uint8)
        if (labelled > NOT_READ).any():
            out.append(padded(placed, *seen, labelled))
            if n % FAINT == 0:
                out.append(padded(*faint(placed, *seen, rng), labelled))
    return out


def faint(placed, looks, shade, damage, rng: np.random.Generator) -> tuple:
    """A copy as if its leaf had the tone of what is beneath."""
    typical, beneath = placed[6], placed[7] / np.float32(255.0)
    even = np.full_like(typical, EVEN)
    bare = np.array([1.0, 0.0, 0.0]) + beneath[..., None] * shade + rng.normal(0.0, NOISE, looks.shape)
    return [typical, placed[1], typical, even, even, even, typical, placed[7]], np.float32(bare), shade, damage


def padded(placed, looks, shade, damage, labelled: np.ndarray) -> Seen:
    """Signs and labels in a window as large as a crop at least, and as its rim is read beyond."""
    signs = np.stack(signs_of(placed, looks, shade, damage)).astype(np.float16)
    more = [max(CROP_PX - side, 0) for side in labelled.shape]
    signs = np.pad(signs, ((0, 0), *((REACH_PX, REACH_PX + k) for k in more)), mode="edge")
    return Seen(signs, np.pad(labelled, [(0, k) for k in more]))


def crops(copies: list[Seen], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Signs (21, n × side × side) and labels (n, crop, crop) of a place of each copy, in one of eight turns and
    mirrorings: no direction of light is learned."""
    signs, true = [], []
    side = CROP_PX + 2 * REACH_PX
    for copy in copies:
        top, left = (rng.integers(length - CROP_PX + 1) for length in copy.true.shape)
        turns, mirrored = rng.integers(4), rng.integers(2)
        cut = copy.signs[:, top : top + side, left : left + side], copy.true[top : top + CROP_PX, left : left + CROP_PX]
        cut = (np.rot90(layer, turns, (-2, -1)) for layer in cut)
        cut = [layer[..., ::-1] if mirrored else layer for layer in cut]
        signs.append(cut[0])
        true.append(cut[1])
    return np.stack(signs, axis=1).reshape(N_SIGNS, -1).astype(np.float32), np.stack(true)


def slopes_of(x: np.ndarray, true: np.ndarray, now: list[np.ndarray]) -> list[np.ndarray]:
    """Slopes along all weights of the mean logistic losses of metal, where nothing is damaged, and of damage; signs
    (21, n) of crops are one after the other, row by row: a pixel's neighbours are so many places further on."""
    first, first_offsets, *layers, last, last_offsets = now
    side = CROP_PX + 2 * REACH_PX
    steps = [down * side + right for down in range(SIDE) for right in range(SIDE)]
    middle = steps[len(steps) // 2]
    traits, kept = [np.maximum(first @ x + first_offsets[:, None], 0.0)], []
    for weights, offsets in zip(layers[::2], layers[1::2], strict=True):
        n = traits[-1].shape[1] - steps[-1]
        square = np.concatenate([traits[-1][:, step : step + n] for step in steps])
        active = np.maximum(weights @ square + offsets[:, None], 0.0)
        kept.append((square, active > 0.0))
        traits.append(active + traits[-1][:, middle : middle + n] if len(kept) > 1 else active)
    wrong = wrong_of(last @ traits[-1] + last_offsets[:, None], true)
    slopes, back = [wrong.sum(1), wrong @ traits[-1].T], last.T @ wrong
    for k in reversed(range(len(kept))):
        square, active = kept[k]
        through = back * active
        slopes += [through.sum(1), through @ square.T]
        before = np.zeros_like(traits[k])
        for step, part in zip(steps, np.split(layers[2 * k].T @ through, len(steps)), strict=True):
            before[:, step : step + part.shape[1]] += part
        if k > 0:
            before[:, middle : middle + back.shape[1]] += back
        back = before
    back = back * (traits[0] > 0.0)
    slopes += [back.sum(1), back @ x.T]
    return [slope + np.float32(DECAY) * weights for slope, weights in zip(reversed(slopes), now, strict=True)]


def wrong_of(odds: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Slopes of the losses along the odds (2, n) of crops, 0 beyond their labels (k, crop, crop)."""
    side, k = CROP_PX + 2 * REACH_PX, len(true)
    full = np.zeros((2, k * side * side), np.float32)
    full[:, : odds.shape[1]] = odds
    inner = full.reshape(2, k, side, side)[..., :CROP_PX, :CROP_PX]
    known = np.stack([(true > NOT_READ) & (true < LOSS_CODE), true > NOT_READ])
    target = np.stack([true == METAL_CODE, true >= LOSS_CODE])
    wrong = (expit(inner) - target) * known / np.maximum(known.sum((1, 2, 3), keepdims=True), 1)
    full[:] = 0.0
    inner[:] = wrong
    return full[:, : odds.shape[1]]


def learned_on(copies: list[Seen]) -> onnx.ModelProto:
    """The network learned on the crops of copies."""
    rng = np.random.default_rng(2)
    some = np.concatenate([copy.signs[:, ::5, ::5].reshape(N_SIGNS, -1) for copy in copies], axis=1).astype(np.float32)
    centres, scales = some.mean(1), some.std(1) + np.float32(1e-3)

    def slopes(some: np.ndarray, now: list[np.ndarray]) -> list[np.ndarray]:
        signs, true = crops([copies[k] for k in some], rng)
        return slopes_of((signs - centres[:, None]) / scales[:, None], true, now)

    return network_of(centres, scales, descended(begun(rng), slopes, len(copies), N_EPOCHS, rng, n_batch=N_BATCH))


def begun(rng: np.random.Generator) -> list[np.ndarray]:
    """Weights and offsets of all layers to begin with."""
    sizes = [(N_SIGNS, N_TRAITS)] + [(SIDE * SIDE * N_TRAITS, N_TRAITS)] * REACH_PX + [(N_TRAITS, 2)]
    return [np.float32(k.T) for size in sizes for k in layer(rng, *size, gain=GAIN)]


def network_of(centres: np.ndarray, scales: np.ndarray, weights: list[np.ndarray]) -> onnx.ModelProto:
    """The network from signs (1, 21, h, w) to probabilities (1, 2, h - 2 r, w - 2 r) of metal and damage."""
    first, first_offsets, *layers, last, last_offsets = weights
    inward = first / scales
    graph = _Graph()
    traits = graph.convolved("signs", inward[..., None, None], first_offsets - inward @ centres)
    for k, (beside, offsets) in enumerate(zip(layers[::2], layers[1::2], strict=True)):
        squares = beside.reshape(N_TRAITS, SIDE, SIDE, N_TRAITS).transpose(0, 3, 1, 2)
        more = graph.convolved(traits, squares, offsets)
        traits = more if k == 0 else graph.added(traits, more)
    graph.convolved(traits, last[..., None, None], last_offsets, end="Sigmoid", name="probabilities")
    return graph.model("signs", "probabilities")


class _Graph:
    """Nodes of a network as they are put together, and its weights by name."""

    def __init__(self):
        self.nodes, self.weights = [], {}

    def made(self, kind: str, inputs: list[str], *, name: str = "", **how) -> str:
        name = name or f"{kind}_{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, inputs, [name], **how))
        return name

    def kept(self, values: np.ndarray) -> str:
        name = f"weights_{len(self.weights)}"
        self.weights[name] = numpy_helper.from_array(values, name)
        return name

    def convolved(self, x: str, weights: np.ndarray, offsets: np.ndarray, *, end: str = "Relu", name: str = "") -> str:
        kept = [self.kept(np.ascontiguousarray(k, np.float32)) for k in (weights, offsets)]
        return self.made(end, [self.made("Conv", [x, *kept])], name=name)

    def added(self, x: str, more: str) -> str:
        """The sum of a layer and of what was made of all squares in the one before it."""
        cut = [self.kept(np.array(k, np.int64)) for k in ([1, 1], [-1, -1], [2, 3])]
        return self.made("Add", [self.made("Slice", [x, *cut]), more])

    def model(self, first: str, last: str) -> onnx.ModelProto:
        sizes = ((first, [1, N_SIGNS, "rows", "columns"]), (last, [1, 2, "rows read", "columns read"]))
        ends = [[helper.make_tensor_value_info(name, TensorProto.FLOAT, size)] for name, size in sizes]
        graph = helper.make_graph(self.nodes, "reading", *ends, list(self.weights.values()))
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
        onnx.checker.check_model(model)
        return model


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        copies = [copy for part in pool.map(gathered, range(len(scenes()))) for copy in part]
    onnx.save(learned_on(copies), sys.argv[1])
