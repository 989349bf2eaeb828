"""Whether a place is sound, lost or covered by later work is read from all that is round it."""

import numpy as np
import pytest
from hop_scene import example, make_wall

from fragkit.motifs import build_motif
from fragkit.motifs.condition import (
    INWARD,
    N_CLOSE,
    Seen,
    close_signs,
    condition_of,
    ground_textures,
    surroundings_of,
    textures_of,
)
from fragkit.opencv import cv2

SIDE, PITCH_MM, STEP = 240, 0.4, 2
ALL = slice(0, SIDE)


def brushed(rng: np.random.Generator) -> np.ndarray:
    """Ground (h, w) with lines that the brush left along it."""
    lines = cv2.GaussianBlur(rng.normal(0.0, 1.0, (SIDE, SIDE)), (0, 0), sigmaX=12.0, sigmaY=0.8)
    return np.asarray(1.0 + 0.02 * lines / lines.std(), np.float32)


def plain(ratio: np.ndarray, **known) -> Seen:
    """What is known of bare ground of which nothing else is."""
    shape = ratio.shape[:2]
    prior = np.zeros((3, *shape), np.float32)
    prior[2] = 1.0
    whole, none = np.ones(shape, bool), np.zeros(shape, np.float32)
    about = {"prior": prior, "nats": np.zeros((4, *shape), np.float32), "missed": none, "found": none}
    return Seen(ratio, **{**about, "on_ground": whole, "inside": whole, "mm_per_px": PITCH_MM, "step": STEP, **known})


def test_textures_tell_the_run_of_the_brush_and_grain():
    rng = np.random.default_rng(1)
    along = np.dstack([brushed(rng)] * 3)
    across = np.ascontiguousarray(along.transpose(1, 0, 2))
    one, other = (textures_of(k, STEP, PITCH_MM)[:, 20:-20, 20:-20].mean(axis=(1, 2)) for k in (along, across))
    assert one[[3, 4]].min() > 1.0  # more changes across the lines than along them, e times at least
    np.testing.assert_allclose(other[[3, 4]], -one[[3, 4]], atol=0.02)
    grainy = np.asarray(along + rng.normal(0.0, 0.05, (SIDE, SIDE, 1)), np.float32)
    assert (textures_of(grainy, STEP, PITCH_MM)[:3].mean(axis=(1, 2)) > one[:3] + 0.7).all()


def test_textures_are_compared_with_those_of_the_bare_ground_of_the_same_picture():
    textures = np.arange(12, dtype=np.float32).reshape(2, 2, 3)
    found = np.array([[0.0, 0.9, 0.0, 0.0], [0.0, 0.0, 0.9, 0.0]], np.float32)
    ground = np.array([[True, True, False, True], [True, False, True, True]])  # a column more than whole blocks
    np.testing.assert_allclose(ground_textures(textures, found, ground).ravel(), [1.5, 7.5])


def test_a_tone_half_way_between_damage_and_ground_is_said_to_be_so():
    ratio = np.ones((SIDE, SIDE, 3), np.float32)
    ratio[:, SIDE // 2 :] = 0.8
    ratio[:, SIDE // 2] = 0.9
    found = np.zeros((SIDE, SIDE), np.float32)
    found[:, SIDE // 2 :] = 1.0
    found[:, SIDE // 2] = 0.5  # neither
    seen = plain(ratio, found=found)
    wide, tones = surroundings_of(seen, textures_of(ratio, STEP, PITCH_MM))
    close = close_signs(seen, tones, 0, SIDE)
    assert (len(close), len(wide)) == (N_CLOSE, INWARD.shape[1] - N_CLOSE)
    assert close[13][SIDE // 2, SIDE // 2] == pytest.approx(0.5, abs=0.05)  # 3e-4 of 0.04 and the blur off
    assert close[13][SIDE // 2, SIDE // 2 - 9] == pytest.approx(1.0, abs=0.03)
    assert close[13][SIDE // 2, SIDE // 2 + 9] == pytest.approx(0.0, abs=0.03)


def test_plain_ground_is_sound_and_what_all_signs_call_damage_is_not():
    rng = np.random.default_rng(2)
    ratio = np.dstack([brushed(rng)] * 3)
    textures = textures_of(ratio, STEP, PITCH_MM)
    textures -= ground_textures(textures, np.zeros(textures.shape[1:]), np.ones(textures.shape[1:], bool))
    nats = np.full((4, SIDE, SIDE), -3.0, np.float32)
    sound, _ = condition_of(plain(ratio, nats=nats), textures, ALL)
    assert np.median(sound) < 0.01
    assert sound.max() < 0.2
    damaged = plain(ratio * np.float32(0.8), nats=-nats, found=np.full((SIDE, SIDE), 0.98, np.float32))
    foreign, _ = condition_of(damaged, textures + np.float32(0.5), ALL)
    assert np.median(foreign) > 0.9


def test_rows_are_judged_as_the_whole_is():
    rng = np.random.default_rng(3)
    ratio = np.asarray(1.0 + rng.normal(0.0, 0.1, (SIDE - 1, SIDE - 1, 3)), np.float32)  # a rest fills no block
    found = np.asarray(rng.uniform(0.0, 1.0, ratio.shape[:2]), np.float32)
    seen, textures = plain(ratio, found=found), textures_of(ratio, STEP, PITCH_MM)
    for whole, part in zip(
        condition_of(seen, textures, slice(0, SIDE - 1)), condition_of(seen, textures, slice(101, 170)), strict=True
    ):
        np.testing.assert_allclose(part, whole[101:170], atol=1e-5)


@pytest.mark.parametrize("plaster", [(228, 226, 222), (120, 100, 80), (196, 176, 148)], ids=["white", "dark", "warm"])
def test_plaster_of_any_tone_is_loss_and_not_later_work(plaster):
    wall = make_wall(seed=612, columns=4, rows=3, loss_ratio=0.3, plaster=plaster, later_work=False)
    codes = build_motif([example(wall)]).labels[0]
    lost, true = codes == 4, wall.truth == 4
    assert (lost & true).sum() / (lost | true).sum() > 0.85
