"""Whether a place is sound, lost or covered by later work is read from all that is round it."""

import numpy as np
import pytest
from hop_scene import example, make_wall

from fragkit.motifs import build_motif, condition
from fragkit.motifs.condition import (
    INWARD,
    N_CLOSE,
    Seen,
    close_signs,
    condition_of,
    ground_textures,
    looks_about,
    places_of,
    roughness_of,
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


def every_few(seen: Seen) -> Seen:
    """What every few rows and columns show."""
    rows, columns = (STEP * (side // STEP) for side in seen.found.shape)
    thin = np.s_[..., :rows:STEP, :columns:STEP]
    layers = {name: getattr(seen, name)[thin] for name in ("prior", "nats", "missed", "found", "on_ground", "inside")}
    ratio = np.ascontiguousarray(seen.ratio[:rows:STEP, :columns:STEP])
    return Seen(ratio, **layers, mm_per_px=PITCH_MM * STEP, step=1)


def textures(ratio: np.ndarray) -> np.ndarray:
    return textures_of(roughness_of(ratio, STEP), PITCH_MM * STEP)


def judged(seen: Seen, textures: np.ndarray, own: slice) -> tuple[np.ndarray, np.ndarray]:
    return condition_of(seen, *surroundings_of(every_few(seen), textures), own)


def test_textures_tell_the_run_of_the_brush_and_grain():
    rng = np.random.default_rng(1)
    along = np.dstack([brushed(rng)] * 3)
    across = np.ascontiguousarray(along.transpose(1, 0, 2))
    one, other = (textures(k)[:, 20:-20, 20:-20].mean(axis=(1, 2)) for k in (along, across))
    assert one[[3, 4]].min() > 1.0  # more changes across the lines than along them, e times at least
    np.testing.assert_allclose(other[[3, 4]], -one[[3, 4]], atol=0.02)
    grainy = np.asarray(along + rng.normal(0.0, 0.05, (SIDE, SIDE, 1)), np.float32)
    assert (textures(grainy)[:3].mean(axis=(1, 2)) > one[:3] + 0.7).all()


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
    wide, tones = surroundings_of(every_few(seen), textures(ratio))
    close = close_signs(seen, looks_about(seen), tones, places_of(np.arange(seen.found.size), seen, wide[0].shape))
    assert (len(close), len(wide)) == (N_CLOSE, INWARD.shape[1] - N_CLOSE)
    along = close[13].reshape(SIDE, SIDE)[SIDE // 2]
    assert along[SIDE // 2] == pytest.approx(0.5, abs=0.05)  # 3e-4 of 0.04 and the blur off
    assert along[SIDE // 2 - 9] == pytest.approx(1.0, abs=0.03)
    assert along[SIDE // 2 + 9] == pytest.approx(0.0, abs=0.03)


def test_plain_ground_is_sound_and_what_all_signs_call_damage_is_not():
    rng = np.random.default_rng(2)
    ratio = np.dstack([brushed(rng)] * 3)
    own = textures(ratio)
    own -= ground_textures(own, np.zeros(own.shape[1:]), np.ones(own.shape[1:], bool))
    nats = np.full((4, SIDE, SIDE), -3.0, np.float32)
    sound, _ = judged(plain(ratio, nats=nats), own, ALL)
    assert np.median(sound) < 0.01
    assert sound.max() < 0.2
    damaged = plain(ratio * np.float32(0.8), nats=-nats, found=np.full((SIDE, SIDE), 0.98, np.float32))
    foreign, _ = judged(damaged, own + np.float32(0.5), ALL)
    assert np.median(foreign) > 0.9


def test_rows_are_judged_as_the_whole_is():
    rng = np.random.default_rng(3)
    ratio = np.asarray(1.0 + rng.normal(0.0, 0.1, (SIDE - 1, SIDE - 1, 3)), np.float32)  # a rest fills no block
    found = np.asarray(rng.uniform(0.0, 1.0, ratio.shape[:2]), np.float32)
    seen = plain(ratio, found=found)
    about = surroundings_of(every_few(seen), textures(ratio))
    wholes, parts = (condition_of(seen, *about, slice(*rows)) for rows in ((0, SIDE - 1), (101, 170)))
    for whole, part in zip(wholes, parts, strict=True):
        np.testing.assert_allclose(part, whole[101:170], atol=1e-5)


def test_what_is_not_judged_pixel_by_pixel_is_as_if_it_were(monkeypatch):
    rng = np.random.default_rng(4)
    ratio = np.dstack([brushed(rng)] * 3)
    lost = np.zeros((SIDE, SIDE), np.float32)
    cv2.circle(lost, (150, 90), 40, 1.0, -1)
    cv2.line(lost, (20, 30), (60, 200), 1.0, 3)
    ratio = np.asarray(ratio - 0.25 * lost[..., None], np.float32)
    nats = np.tile(6.0 * lost - 3.0, (4, 1, 1)).astype(np.float32)
    seen, own = plain(ratio, nats=nats, found=0.98 * lost), textures(ratio)
    own -= ground_textures(own, lost[::STEP, ::STEP], np.ones(own.shape[1:], bool))
    some, _ = judged(seen, own, ALL)
    monkeypatch.setattr(condition, "CLEARLY", 0.0)  # all are in doubt
    each, _ = judged(seen, own, ALL)
    assert 0.02 < (each > 0.5).mean() < 0.5
    assert ((some > 0.5) != (each > 0.5)).mean() < 1e-3
    assert np.abs(some - each).max() < 0.05
    assert np.abs(some - each).mean() < 2e-3


@pytest.mark.parametrize("plaster", [(228, 226, 222), (120, 100, 80), (196, 176, 148)], ids=["white", "dark", "warm"])
def test_plaster_of_any_tone_is_loss_and_not_later_work(plaster):
    wall = make_wall(seed=612, columns=4, rows=3, loss_ratio=0.3, plaster=plaster, later_work=False)
    codes = build_motif([example(wall)]).labels[0]
    lost, true = codes == 4, wall.truth == 4
    assert (lost & true).sum() / (lost | true).sum() > 0.85
