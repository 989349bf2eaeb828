"""Learns how the signs of a pixel's condition are weighed, on simulated fragments, and prints the module.

Fragments of both generators are learned from, and flat walls whose plaster and later work have any tone and grain, so
that no tone is learned by heart.

Run as `PYTHONPATH=tests:tests/motifs python tests/motifs/learn_condition.py > weights.py`; it takes some ten minutes,
and what it prints becomes `fragkit/motifs/condition_weights.py`. The seeds are those of no test.

The weights in use are those of an earlier run, before surroundings were looked at every few pixels only. A run of today
gives others: on four fragments not learned from, loss overlaps by .003 less, between .006 more and .021 less.
"""

from concurrent.futures import ProcessPoolExecutor

import numpy as np
from descent import as_module, learned
from hop_scene import PLASTER, example, make_wall
from known_truth import INDEPENDENT, SIMULATED, independent, simulated

import fragkit.motifs.labels as labels
from fragkit.motifs import build_motif
from fragkit.motifs.condition import close_signs, condition_of, looks_about, places_of
from fragkit.motifs.labels import LATER_CODE, LOSS_CODE
from fragkit.motifs.mixture import GROUND
from fragkit.motifs.reducing import as_fine
from fragkit.motifs.strips import Strip
from fragkit.opencv import cv2

N_PIXELS = 20_000
"""So many of each fragment are learned from, and as many again where a motif is or was."""
BESIDE_PX = 41
"""What lies around the fragment is learned from up to half so far from it."""
UNLIKE = ({}, {"loss": 0.4, "noise": 2.0}, {"contrast": 0.5, "noise": 6.0}, {"contrast": 1.2, "loss": 0.1})


class Recorder:
    """Stands for `condition_of`, and keeps what it was given."""

    def __call__(self, seen, wide, tones, own):
        large = [as_fine(np.ascontiguousarray(k), seen.found.shape, seen.step, smooth=True) for k in wide]
        close = close_signs(seen, looks_about(seen), tones, places_of(np.arange(seen.found.size), seen, wide[0].shape))
        self.signs, self.seen = np.stack([*(k.reshape(seen.found.shape) for k in close), *large], axis=-1), seen
        return condition_of(seen, wide, tones, own)


def scenes() -> list[tuple]:
    walls = [(simulated, SIMULATED[k % 4], 8841 + k, {}) for k in range(20)]
    walls += [(independent, INDEPENDENT[k % 3], 8871 + k, UNLIKE[k % 4]) for k in range(8)]
    return walls + [(flat, "hop cone", 8891 + k, {}) for k in range(16)]


def flat(seed: int) -> np.ndarray:
    """True labels (h, w) and, built for the recorder, the motif of a wall of any plaster, light, dark or coloured."""
    rng = np.random.default_rng(seed)
    plaster, later = (np.clip(rng.uniform(70, 240) + rng.normal(0.0, 14.0, 3), 40, 250) for _ in range(2))
    wall = make_wall(
        seed=seed,
        plaster=tuple(plaster if seed % 4 else PLASTER),
        later=tuple(later),
        loss_ratio=rng.uniform(0.08, 0.5),
        mm_per_px=rng.uniform(0.34, 0.5),
        blur_px=rng.uniform(0.5, 0.9),
        noise=rng.uniform(1.5, 5.0),
        later_work=seed % 3 > 0,
    )
    build_motif([example(wall)])
    return wall.truth


def seen_of(make, name: str, seed: int, how: dict[str, float]) -> np.ndarray:
    """True labels (h, w) of a scene whose motif is built for the recorder."""
    if make is flat:
        return flat(seed)
    fragment = make(name, seed, **how)
    plane, _ = fragment.read()
    return fragment.labels_on(plane)


def gathered(make, name: str, seed: int, how: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Signs (n, 44) of some pixels of a scene, and whether (n, 3) they are sound, lost or covered by later work."""
    cv2.setNumThreads(1)
    recorder = Recorder()
    labels.condition_of = recorder
    labels.strips_of = lambda shape, **_: [Strip(slice(0, shape[0]), slice(0, shape[0]))]
    true = seen_of(make, name, seed, how)
    fragment = ((true > 0) & (true < LATER_CODE)).astype(np.uint8)
    near = (cv2.dilate(fragment, np.ones((BESIDE_PX, BESIDE_PX), np.uint8)) > 0) & (true > 0) & recorder.seen.inside
    rng = np.random.default_rng(seed)
    places = [np.flatnonzero(k) for k in (near, near & (recorder.seen.prior[GROUND] < 0.8))]
    some = np.concatenate([rng.choice(k, min(N_PIXELS, len(k)), replace=False) for k in places])
    kind = np.clip(true.ravel()[some].astype(int) - (LOSS_CODE - 1), 0, 2)
    return recorder.signs.reshape(-1, recorder.signs.shape[-1])[some], np.eye(3, dtype=np.float32)[kind]


if __name__ == "__main__":
    with ProcessPoolExecutor(2) as pool:
        parts = pool.map(gathered, *zip(*scenes(), strict=True))
        signs, kinds = (np.concatenate(k) for k in zip(*parts, strict=True))
    weights = learned(signs, kinds, n_hidden=24, n_epochs=12, decay=1e-5)
    print(as_module(weights, what="condition", script="learn_condition.py"), end="")
