"""The script that learns how metal and damage are read descends along the slopes of the network that it writes."""

import numpy as np
import pytest
from learn_reading import CROP_PX, DECAY, N_SIGNS, begun, network_of, slopes_of
from onnx.reference import ReferenceEvaluator

from fragkit.motifs.labels import LOSS_CODE, METAL_CODE, NOT_READ
from fragkit.motifs.reading import REACH_PX

SIDE = CROP_PX + 2 * REACH_PX
STEP = 0.02


def loss_of(signs: np.ndarray, true: np.ndarray, weights: list[np.ndarray]) -> float:
    """Mean logistic losses of metal, where nothing is damaged, and of damage, by ONNX's reference implementation."""
    network = ReferenceEvaluator(network_of(np.zeros(N_SIGNS), np.ones(N_SIGNS), weights))
    crops = signs.reshape(N_SIGNS, len(true), SIDE, SIDE)
    found = np.concatenate([network.run(None, {"signs": crops[None, :, k]})[0] for k in range(len(true))])
    found = np.moveaxis(found, 1, 0).astype(float)
    known = np.stack([(true > NOT_READ) & (true < LOSS_CODE), true > NOT_READ])
    target = np.stack([true == METAL_CODE, true >= LOSS_CODE])
    lost = -np.log(np.where(target, found, 1.0 - found)) * known
    decay = sum(0.5 * DECAY * float((k.astype(float) ** 2).sum()) for k in weights)
    return float((lost.sum((1, 2, 3)) / known.sum((1, 2, 3))).sum()) + decay


@pytest.mark.parametrize("which", range(8))
def test_slopes_are_those_of_the_losses(which):
    rng = np.random.default_rng(11)
    weights = [k + np.float32(0.05) * rng.normal(size=k.shape).astype(np.float32) for k in begun(rng)]
    signs = rng.normal(size=(N_SIGNS, 2 * SIDE**2)).astype(np.float32)
    true = rng.integers(NOT_READ, LOSS_CODE + 2, (2, CROP_PX, CROP_PX))
    slope = slopes_of(signs, true, weights)[which]
    anywhere = rng.normal(size=slope.shape)
    way = slope / np.linalg.norm(slope.ravel()) + anywhere / np.linalg.norm(anywhere.ravel())
    ends = []
    for step in (-STEP, STEP):
        moved = list(weights)
        moved[which] = np.float32(weights[which] + step * way)
        ends.append(loss_of(signs, true, moved))
    assert (ends[1] - ends[0]) / (2.0 * STEP) == pytest.approx(float((slope * way).sum()), rel=0.01, abs=1e-4)
