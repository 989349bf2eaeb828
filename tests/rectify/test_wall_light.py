"""The light on a wall of a few materials, known by construction."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.rectify.wall_light import find_wall_light

SIZE = (480, 360)
GROUND, SURROUND, LOSS = (0.55, 0.50, 0.40), (0.22, 0.27, 0.22), (0.40, 0.33, 0.26)


def lit_wall(seed, *, fall=0.4, tint=0.05):
    """A pale ground in a darker surround, a third of it lost, under light from one side; and its log light."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(-1, 1, SIZE[0]), np.linspace(-0.75, 0.75, SIZE[1]))
    colour = np.broadcast_to(SURROUND, (SIZE[1], SIZE[0], 3)).copy()
    colour[60:320, 50:430] = GROUND
    for _ in range(40):
        at = rng.uniform([60, 70], [400, 300]).astype(int)
        colour[at[1] : at[1] + 25, at[0] : at[0] + 25] = LOSS
    turn = rng.uniform(0, 2 * np.pi)
    toward = np.cos(turn) * x + np.sin(turn) * y
    log_light = fall * (toward - 0.4 * (x**2 + y**2))[..., None] + tint * toward[..., None] * [1.0, 0.0, -1.2]
    texture = np.kron(rng.normal(0, 0.03, (18, 24)), np.ones((20, 20)))[..., None]
    linear = 0.8 * colour * np.exp(log_light + texture)
    linear = np.clip(linear + rng.normal(0, 0.004, linear.shape), 0, 1)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * encoded).astype(np.uint8), log_light


def contrast(seed):
    """Light in the surround above against that on the ground: found less true (3,), and its stated sd."""
    pixels, truth = lit_wall(seed)
    light = find_wall_light(pixels)
    rows, columns = np.mgrid[60:320:12, 50:430:12]
    over = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    at = np.array([[240.0, 25.0]])
    found = light.log_light(at)[0] - light.log_light(over).mean(axis=0)
    true = truth[25, 240] - truth[rows, columns].reshape(-1, 3).mean(axis=0)
    return found - true, np.sqrt(np.diag(light.contrast_cov(at, over)))


def test_a_darker_surround_is_not_mistaken_for_worse_light():
    missed, sd = (np.array(part) for part in zip(*(contrast(seed) for seed in range(8)), strict=True))
    # the surround is darker by 0.7 in log light: taken for light it would put the ground's lightness off by 15
    assert np.abs(missed).max() < 0.05
    # a share of 1.0 is expected within 3 sd; of hue (red over green) as well
    assert (np.abs(missed) < 3.0 * sd).mean() > 0.95
    assert sd.max() < 0.06


def test_a_wall_of_one_colour_gives_its_light_back():
    x = np.linspace(-1, 1, SIZE[0])
    linear = np.broadcast_to((0.3 * np.exp(0.3 * x))[None, :, None], (SIZE[1], SIZE[0], 3))
    light = find_wall_light(np.round(65535 * (1.055 * linear ** (1 / 2.4) - 0.055)).astype(np.uint16))
    ends = light.log_light(np.array([[0.0, 180.0], [479.0, 180.0]]))
    np.testing.assert_allclose(ends[1] - ends[0], 0.6, rtol=0, atol=0.01)
    assert light.n_materials == 1


def test_a_black_photograph_has_no_light():
    with pytest.raises(EstimationError, match="light on the wall cannot be found"):
        find_wall_light(np.zeros((90, 120, 3), np.uint8))
